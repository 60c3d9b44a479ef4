"""From kept evidence and two markers to a set's shots and verdict, for every way of counting.

A count, the filming check, a moved marker and a re-count all judge here. What a clip may hide, at
its breaks and in oddly long gaps between shots, is part of the verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from shoegoal import __version__
from shoegoal.analysis.model import Analysis, Evidence, MarkersSource, SceneRecord
from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import GAP_S
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.clip.take import Break, BreakKind
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.rules import (
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Stage,
    StageRule,
    TouchesInARow,
)
from shoegoal.ladder.verdict import (
    DEFAULT_CONFIDENCE,
    Decision,
    HiddenTime,
    Tally,
    Verdict,
    decision_of,
    judge_shots_around,
)
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.events import Event
from shoegoal.shots.ground import Ground, find_ground
from shoegoal.shots.judge import LeftOut, judge, unseen_shot
from shoegoal.shots.story import Story
from shoegoal.shots.weights import shipped_weights
from shoegoal.types import Estimate, ImagePoint, Shot

AFTER_A_BUMP = "the camera had been moved: was it a shot, and a make?"
MARGIN_S = 0.5  # a ball kicked this soon after a break may not have lain where it seems to
WANDER_S = 0.3  # kick times, where gaps begin and end, wander when a set is worked out anew
# The pupil's own rhythm is the best guide. Fetching a ball takes 5 to 30 s (common practice, no
# source).
LONG_FACTOR = 1.8
LONG_S = 40.0
ENOUGH_GAPS = 3
LIKELY = 0.5  # least probability of a shot that fills a gap


@dataclass(frozen=True, slots=True)
class JudgedSet:
    """A set's scene, shots and what was left out."""

    scene: SceneFit
    shots: tuple[Shot, ...]
    left_out: tuple[LeftOut, ...]
    events: tuple[Event, ...]
    story: Story


def judge_evidence(
    evidence: Evidence,
    size_px: tuple[int, int],
    stage: Stage,
    left_px: ImagePoint,
    right_px: ImagePoint,
    marker_sigma_px: float,
    breaks: Sequence[Break],
    start_s: float,
    ground: Ground | None = None,
) -> JudgedSet:
    """Judge a set.

    Parameters
    ----------
    evidence : of the clip.
    size_px : width and height of the displayed picture.
    stage : what was asked.
    left_px, right_px, marker_sigma_px : markers' inner bases and their standard deviation.
    breaks, start_s : of the clip.
    ground : of this evidence where it has been found already.

    Raises
    ------
    SceneNotFittedError, GoalNotPlausibleError, LensMismatchError
        The ground or the goal on it cannot be found.
    """
    if ground is None:
        ground = find_ground(evidence.record, size_px, ball=evidence.ball, lens=evidence.lens)
    judged = judge(
        evidence.record,
        ground,
        size_px,
        left_px,
        right_px,
        ball=evidence.ball,
        lens=evidence.lens,
        width_steps=stage.width_steps,
        back_steps=stage.back_steps,
        marker_sigma_px=marker_sigma_px,
        start_s=start_s,
    )
    shots = [*judged.shots, *(unseen_shot(1, at_s, AFTER_A_BUMP) for at_s in evidence.after_bump_s)]
    numbered = [replace(shot, number=n) for n, shot in enumerate(shots, start=1)]
    doubted = tuple(doubted_around(numbered, breaks, start_s))
    return JudgedSet(judged.scene, doubted, judged.left_out, judged.events, judged.story)


def scene_record(
    scene: SceneFit, source: MarkersSource, notes: Sequence[str], back_steps: float | None
) -> SceneRecord:
    """Turn a fitted scene into the record that the analysis keeps."""
    distance = scene.kick_distance_m
    step = None
    if distance is not None and back_steps:
        step = Estimate(distance.value / back_steps, distance.sigma / back_steps)
    return SceneRecord(
        camera=scene.camera,
        left_px=scene.left_px,
        right_px=scene.right_px,
        markers_source=source,
        marker_sigma_px=scene.marker_sigma_px,
        goal_width_m=scene.width_m,
        kick_distance_m=distance,
        ball_diameter_m=scene.ball_diameter_m,
        step_m=step,
        steps_sentence=scene.steps.sentence if scene.steps else None,
        unknowns=scene.unknowns,
        theta=tuple(float(v) for v in scene.theta),
        covariance=tuple(tuple(float(v) for v in row) for row in scene.covariance),
        notes=(*notes, *scene.diagnostics.notes),
    )


def doubted_around(shots: Sequence[Shot], breaks: Sequence[Break], start_s: float) -> list[Shot]:
    """Make every shot that overlaps a break unsure.

    Parameters
    ----------
    shots : in order of time.
    breaks : those that hide time count.
    start_s : presentation time of the clip's first picture.
    """
    judged = []
    for shot in shots:
        hit = next((one for one in breaks if one.hides_time and _runs_into(shot, one)), None)
        judged.append(shot if hit is None else _doubted(shot, hit, start_s))
    return judged


def moved_camera_times(
    stillness: StillnessReport, start_s: float, end_s: float
) -> list[HiddenTime]:
    """List the times in which a camera that did not stand may have let a shot be missed.

    That is the whole clip where it strayed, as what lies still seems to move. From a bump on only
    balls that leave their places are noticed.

    Parameters
    ----------
    stillness : of the camera.
    start_s, end_s : presentation times of the clip's first and last picture.
    """
    if stillness.verdict is Stillness.NEARLY_STILL:
        return [HiddenTime(start_s, end_s, f"{stillness.message}: a shot may have been missed")]
    if stillness.bumped_s is not None:
        at = clock_text(stillness.bumped_s - start_s)
        doubt = f"the camera was moved at {at}: a shot after that may have been missed"
        return [HiddenTime(stillness.bumped_s, end_s, doubt)]
    return []


def hidden_times(rule: StageRule, breaks: Sequence[Break], start_s: float) -> list[HiddenTime]:
    """List the times from which on shots may be missing, or a timed set's clock not right."""
    hidden = []
    for one in breaks:
        at = clock_text(one.start_s - start_s)
        if one.hides_time:
            hidden.append(HiddenTime(one.start_s, one.end_s, f"a shot may be hidden at {at}"))
        elif one.kind is BreakKind.SLOW_MOTION:
            hidden.append(HiddenTime(one.start_s, one.end_s, "a slow-motion clip may hide kicks"))
        elif isinstance(rule, MakesInTime):
            hidden.append(HiddenTime(one.start_s, one.end_s, f"the clock may run wrong from {at}"))
    return hidden


def break_sentences(breaks: Sequence[Break], start_s: float) -> list[str]:
    """Put each break into words, except long gaps, which the clip reader reports itself."""
    return [
        one.sentence(start_s)
        for one in breaks
        if one.kind is not BreakKind.GAP or one.end_s - one.start_s <= GAP_S
    ]


def _runs_into(shot: Shot, one: Break) -> bool:
    return one.end_s >= shot.kick_time_s - MARGIN_S and one.start_s <= shot.end_time_s


def _doubted(shot: Shot, one: Break, start_s: float) -> Shot:
    what = "the picture jumps" if one.kind is BreakKind.JUMP else "pictures are missing"
    at = clock_text(one.end_s - start_s)
    return unseen_shot(
        shot.number,
        shot.kick_time_s,
        f"{what} at {at}, near this kick: was it a shot, and a make?",
        end_time_s=shot.end_time_s,
        kick_spot_m=shot.kick_spot_m,
    )


def doubtful_times(
    rule: StageRule,
    shots: Sequence[Shot],
    breaks: Sequence[Break],
    start_s: float,
    end_s: float,
    *,
    retaken_s: Sequence[float] = (),
    looked_s: Sequence[tuple[float, float]] = (),
    counted_doubts: Sequence[HiddenTime] = (),
) -> list[HiddenTime]:
    """List what a count, a recount and a review leave to a person.

    Parameters
    ----------
    rule, shots : of the set; shots in order of time, those that count alone.
    breaks : of the clip.
    start_s, end_s : presentation times of the clip's first and last picture.
    retaken_s : times of kicks that do not count.
    looked_s : stretches that a person has looked through, from and until.
    counted_doubts : that the count itself found, for instance where a view hardly shows touches.

    Returns
    -------
    In order of time, without those that lie within what was looked through.
    """
    doubts = hidden_times(rule, breaks, start_s)
    doubts += counted_doubts
    if not isinstance(rule, TouchesInARow):  # between two rows, a pupil may take any time
        doubts += long_gap_times(rule, shots, start_s, end_s, retaken_s)
    left = [one for one in doubts if not _covered(one, sorted(looked_s))]
    return sorted(left, key=lambda one: (one.time_s, one.until_s))


def _covered(doubt: HiddenTime, looked_s: Sequence[tuple[float, float]]) -> bool:
    """Whether stretches, in order of time, cover a doubt up to its very ends."""
    spare_s = min(WANDER_S, (doubt.until_s - doubt.time_s) / 2)
    reached_s, inside = doubt.time_s + spare_s, False
    for from_s, until_s in looked_s:
        if from_s <= reached_s <= until_s:
            reached_s, inside = until_s, True
    return inside and reached_s >= doubt.until_s - spare_s


def long_gap_times(
    rule: StageRule,
    shots: Sequence[Shot],
    start_s: float,
    end_s: float,
    retaken_s: Sequence[float] = (),
) -> list[HiddenTime]:
    """List the times after which a shot may have been missed.

    A set that shows as many shots as its rule asks for has no gap to fill. One that a few more
    would finish has its longest gap at least: pupils seldom stop short, and some shots are not
    seen (`Weights.odds_missed`).

    Parameters
    ----------
    shots : in order of time.
    start_s, end_s : presentation times of the clip's first and last picture.
    retaken_s : times of kicks that do not count but took their time, too.
    """
    asked = rule.shots if isinstance(rule, MakesOfShots | MakesInARow) else None
    likely = [shot for shot in shots if shot.p_shot >= LIKELY]
    if asked is not None and len(likely) >= asked:
        return []
    kicked_s = sorted([*(shot.kick_time_s for shot in likely), *retaken_s])
    gaps_s = [later - earlier for earlier, later in pairwise(kicked_s)]
    long_s = LONG_FACTOR * median(gaps_s) if len(gaps_s) >= ENOUGH_GAPS else LONG_S
    waits = list(pairwise([start_s, *kicked_s, end_s]))
    if _may_be_finished(rule, likely):
        long_s = min(long_s, max(later - earlier for earlier, later in waits) - 1e-6)
    return [
        HiddenTime(
            earlier,
            later,
            f"no shot was found from {clock_text(earlier - start_s)} to "
            f"{clock_text(later - start_s)}",
        )
        for earlier, later in waits
        if later - earlier > long_s
    ]


def _may_be_finished(rule: StageRule, likely: Sequence[Shot]) -> bool:
    """Whether a set that looks unfinished may hold the makes, or misses, that settle it, unseen."""
    makes = sum(shot.p_make >= LIKELY for shot in likely)
    if isinstance(rule, FirstMakes):
        wanted = rule.makes - makes
    elif (
        isinstance(rule, MakesOfShots)
        and decision_of(rule, likely, None, DEFAULT_CONFIDENCE) is Decision.NOT_FINISHED
    ):
        misses, most_misses = len(likely) - makes, rule.shots - rule.makes
        wanted = min(rule.makes - makes, most_misses + 1 - misses)
    else:
        return False
    odds = shipped_weights().odds_missed(len(likely), wanted) if wanted > 0 else 0.0
    return odds > 1 - DEFAULT_CONFIDENCE


def conclude(
    rule: StageRule,
    shots: Sequence[Shot],
    breaks: Sequence[Break],
    start_s: float,
    end_s: float,
    doubts: Sequence[HiddenTime],
    confidence: float,
) -> tuple[Tally, Verdict]:
    """Work out tally and verdict before anybody has looked at the set.

    Parameters
    ----------
    rule, confidence : what is asked, and the least probability for a verdict without a review.
    shots : in order of time.
    breaks, start_s, end_s : of the clip.
    doubts : where something may be missing for reasons that the shots do not show.
    """
    hidden = doubtful_times(rule, shots, breaks, start_s, end_s, counted_doubts=doubts)
    return judge_shots_around(rule, shots, hidden, watched_until_s=end_s, confidence=confidence)


def recount_with_markers(analysis: Analysis, left_px: ImagePoint, right_px: ImagePoint) -> Analysis:
    """Judge a set's evidence against a goal between other markers.

    Parameters
    ----------
    analysis : the count.
    left_px, right_px : markers' inner bases as the kicker sees them.

    Raises
    ------
    ClipNotJudgeableError
        The count keeps no evidence, or the markers make no goal on its ground.
    """
    old = analysis.goal_scene
    if analysis.evidence is None:
        raise ClipNotJudgeableError(
            "This set was counted by an older shoegoal, which did not keep what it saw, so markers "
            "cannot be moved in it: count the clip again with --left and --right."
        )
    clip, stage, breaks = analysis.clip, analysis.stage.to_stage(), analysis.take.breaks
    judged = judge_evidence(
        analysis.evidence,
        (clip.width_px, clip.height_px),
        stage,
        left_px,
        right_px,
        old.marker_sigma_px,
        breaks,
        clip.start_s,
    )
    shots = judged.shots
    tally, verdict = conclude(
        stage.rule,
        shots,
        breaks,
        clip.start_s,
        clip.end_s,
        analysis.doubts,
        analysis.verdict.confidence,
    )
    return replace(
        analysis,
        tool_version=__version__,
        scene=scene_record(judged.scene, MarkersSource.GIVEN, (), stage.back_steps),
        shots=shots,
        left_out=judged.left_out,
        tally=tally,
        verdict=verdict,
    )
