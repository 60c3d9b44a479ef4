"""From a clip to its tally: shots at a goal, or touches of a dribble."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from shoegoal import __version__
from shoegoal.analysis.model import (
    FORMAT_VERSION,
    Analysis,
    ClipRecord,
    Evidence,
    MarkersSource,
    SceneRecord,
    StageRecord,
    TakeRecord,
)
from shoegoal.ball.tracks import LIKE_A_BALL
from shoegoal.ball.watch import BallRecord, split_record
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
from shoegoal.clip.reader import clip_sha256, spread_pictures
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.cues.pose import open_pose_model
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.ladder.verdict import HiddenTime
from shoegoal.pictures.stills import StillPicture
from shoegoal.pipeline.feet import FeetFinder
from shoegoal.pipeline.judging import (
    break_sentences,
    conclude,
    judge_evidence,
    moved_camera_times,
    scene_record,
)
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import Watched, watch_clip
from shoegoal.scene.calibration import refuse_another_scene
from shoegoal.scene.fit import MARKER_SIGMA_REL, SceneNotFittedError
from shoegoal.scene.lens import Lens, stated_lens
from shoegoal.scene.markers import FoundMarkers, MarkersNotFoundError, find_markers
from shoegoal.scene.uprights import lens_by_uprights
from shoegoal.shots.dribble import Trajectory, dribbled_trajectories
from shoegoal.shots.ground import Ground, departures_s, find_ground
from shoegoal.shots.judge import LeftOut
from shoegoal.shots.touches import TOUCH_MOMENTS_S, find_touches
from shoegoal.types import ImagePoint, Shot

YARD_LOOKS = 9  # pictures searched for markers; in some of them the kicker hides one
STEADY_MARGIN_S = 0.5  # a kick this near to a bump is not judged: its flight may run into it
MOVED_NEAR_S = 0.3
BUMPED_S = 1.0  # after which the picture is still again
SAME_PICTURE_S = 0.04


def analyse_clip(
    path: Path, settings: CountSettings, on_progress: Callable[[float], None] | None = None
) -> Counted:
    """Count one clip: the shots at a goal, or for a stage of touches these.

    Parameters
    ----------
    path : the clip.
    settings : stage, markers, ball, lens, confidence.
    on_progress : called with the share of the clip's time that has passed, 0..1.

    Raises
    ------
    ClipUnreadableError
        No pictures can be decoded.
    ClipNotJudgeableError
        The camera moves, no ball or no goal is found, or they do not fit together.
    """
    if isinstance(settings.stage.rule, TouchesInARow):
        return analyse_dribble(path, settings, on_progress)
    return count_shots(path, watch_clip(path, on_progress), settings)


def count_shots(path: Path, watched: Watched, settings: CountSettings) -> Counted:
    """Count the shots of a clip that was watched; parameters as for `analyse_clip`."""
    size_px = (watched.info.width_px, watched.info.height_px)
    stated = stated_lens(watched.info.focal_35mm, size_px)
    evidence = evidence_of(watched.record, watched.stillness, settings, stated)
    evidence, ground = ground_in_view(evidence, size_px, watched.background[0], watched.stillness)
    left_px, right_px, source, marker_notes = _markers(path, watched, settings, ground)
    judged = judge_evidence(
        evidence,
        size_px,
        settings.stage,
        left_px,
        right_px,
        marker_sigma_px(watched.stillness, size_px),
        watched.take.breaks,
        watched.start_s,
        ground,
    )
    scene = scene_record(judged.scene, source, marker_notes, settings.stage.back_steps)
    doubts = moved_camera_times(watched.stillness, watched.start_s, watched.end_s)
    analysis = concluded(
        path,
        watched,
        settings,
        judged.shots,
        judged.left_out,
        scene=scene,
        doubts=doubts,
        evidence=evidence,
    )
    stills = StillsOnDemand(judged.shots, watched.pictures.of_shot)
    return Counted(analysis, stills, watched.pictures.first())


def ground_of(evidence: Evidence, size_px: tuple[int, int]) -> Ground:
    """Find the ground from the ball's sizes, and on it the kicks, without knowing the goal.

    Raises
    ------
    ClipNotJudgeableError
        No ball was seen rolling or resting on the ground.
    """
    try:
        return find_ground(evidence.record, size_px, ball=evidence.ball, lens=evidence.lens)
    except SceneNotFittedError as error:
        raise ClipNotJudgeableError(
            f"No ball was found that is kicked over the ground ({str(error).rstrip('.')}). Film so "
            "that the ball, the kick spot and both markers are in view."
        ) from error


def ground_in_view(
    evidence: Evidence, size_px: tuple[int, int], yard_luma: U8 | None, stillness: StillnessReport
) -> tuple[Evidence, Ground]:
    """Find the ground as `ground_of`, and with what stands upright in the picture the lens.

    Parameters
    ----------
    evidence : of the clip.
    size_px : width and height of the displayed picture.
    yard_luma : the yard without what moves, as it was at the end; None to leave it out.
    stillness : of the camera; after a bump the picture is of another view.

    Returns
    -------
    The evidence with the lens that it is judged by, and the ground.

    Raises
    ------
    ClipNotJudgeableError
        As `ground_of`.
    """
    ground = ground_of(evidence, size_px)
    if yard_luma is None or stillness.bumped_s is not None:
        return evidence, ground
    lens = lens_by_uprights(yard_luma, ground.fit, evidence.lens)
    if lens is None:
        return evidence, ground
    evidence = replace(evidence, lens=lens)
    return evidence, ground_of(evidence, size_px)


def _markers(
    path: Path, watched: Watched, settings: CountSettings, ground: Ground
) -> tuple[ImagePoint, ImagePoint, MarkersSource, tuple[str, ...]]:
    if settings.left_px is not None and settings.right_px is not None:
        return settings.left_px, settings.right_px, MarkersSource.GIVEN, ()
    if settings.calibration is not None:
        saved = settings.calibration
        refuse_another_scene(
            saved, np.asarray(cv2.cvtColor(watched.settled_bgr, cv2.COLOR_BGR2GRAY), np.uint8)
        )
        return saved.left_px, saved.right_px, MarkersSource.CALIBRATION_FILE, ()
    try:
        found = markers_of(path, watched.record, watched.stillness, ground, settings.stage)
    except MarkersNotFoundError as error:
        seen = ", ".join(clock_text(k.start_s - watched.start_s) for k in ground.kicks)
        told = f" Kicks were seen at {seen}." if seen else ""
        raise MarkersNotFoundError(f"{error}{told}", error.likeliest_px, error.in_view) from error
    return found.left_px, found.right_px, MarkersSource.FOUND, (found.reason,)


def markers_of(
    path: Path, record: BallRecord, stillness: StillnessReport, ground: Ground, stage: Stage
) -> FoundMarkers:
    """Look for the markers of a clip, for its count and for the check of its filming alike.

    Parameters
    ----------
    path : the clip.
    record, stillness : what was seen of ball and camera.
    ground : found from that record.
    stage : what was asked.

    Raises
    ------
    MarkersNotFoundError
        No two things in the pictures are surely the goal markers.
    """
    return find_markers(
        spread_pictures(path, YARD_LOOKS, stillness.bumped_s),
        ground.fit,
        ground.trajectories_m,
        stage.width_steps or 4.0,
        stage.back_steps or 10.0,
        [(r.sighting.x_px, r.sighting.y_px) for r in record.resting],
    )


def marker_sigma_px(stillness: StillnessReport, size_px: tuple[int, int]) -> float:
    """Return the markers' standard deviation: set on one picture, while the camera may stray."""
    strayed = max((span.displacement for span in stillness.spans[:1]), default=0.0)
    return float(np.hypot(MARKER_SIGMA_REL, strayed / 2)) * max(size_px)


def evidence_of(
    record: BallRecord,
    stillness: StillnessReport,
    settings: CountSettings,
    stated: Lens | None = None,
) -> Evidence:
    """Keep what the shots are judged from: all up to a bump, and only the kicks after it.

    Parameters
    ----------
    record, stillness : what was seen of ball and camera.
    settings : ball and lens, where they are known.
    stated : the lens that the clip's own file states, used where no better one is known.

    Raises
    ------
    ClipNotJudgeableError
        The camera moves all the time.
    """
    if stillness.verdict is Stillness.MOVING:
        raise ClipNotJudgeableError(f"The clip cannot be counted: {stillness.message}.")
    before, after = record, BallRecord()
    if stillness.bumped_s is not None:
        before, after = split_record(record, stillness.bumped_s - STEADY_MARGIN_S)
    return Evidence(before, tuple(departures_s(after)), settings.ball, settings.lens or stated)


class StillsOnDemand(Mapping[int, Sequence[StillPicture]]):
    """Pictures by shot number, made on demand: all at once may fill the memory."""

    def __init__(
        self, shots: Sequence[Shot], make: Callable[[Shot], Sequence[StillPicture]]
    ) -> None:
        self._shots = {shot.number: shot for shot in shots}
        self._make = make

    def __getitem__(self, number: int) -> Sequence[StillPicture]:
        return self._make(self._shots[number])

    def __iter__(self) -> Iterator[int]:
        return iter(self._shots)

    def __len__(self) -> int:
        return len(self._shots)


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """A counted clip and its pictures.

    Attributes
    ----------
    analysis : all numbers.
    stills : by shot number, pictures near the moments of its strip; may be empty.
    goal_still : a picture in which the markers can be seen.
    """

    analysis: Analysis
    stills: Mapping[int, Sequence[StillPicture]]
    goal_still: StillPicture


def concluded(
    path: Path,
    watched: Watched,
    settings: CountSettings,
    shots: Sequence[Shot],
    left_out: Sequence[LeftOut],
    *,
    scene: SceneRecord | None = None,
    doubts: Sequence[HiddenTime] = (),
    evidence: Evidence | None = None,
) -> Analysis:
    """Work out tally and verdict from what was found in a clip, and write it all down.

    Parameters
    ----------
    path, watched : the clip, and what one pass over it left.
    settings : stage and confidence.
    shots, left_out : in order of time.
    scene : where the goal is; None for a stage without one.
    doubts : where something may be missing for reasons that the shots do not show.
    evidence : that the shots were judged from.
    """
    breaks = watched.take.breaks
    tally, verdict = conclude(
        settings.stage.rule,
        shots,
        breaks,
        watched.start_s,
        watched.end_s,
        doubts,
        settings.confidence,
    )
    return Analysis(
        format_version=FORMAT_VERSION,
        tool_version=__version__,
        clip=_clip_record(path, watched),
        stage=StageRecord.of(settings.stage),
        scene=scene,
        shots=tuple(shots),
        left_out=tuple(left_out),
        tally=tally,
        verdict=verdict,
        problems=_problems(watched, shots),
        take=TakeRecord(breaks, watched.take.fingerprint),
        doubts=tuple(doubts),
        evidence=evidence,
    )


def _problems(watched: Watched, shots: Sequence[Shot]) -> tuple[str, ...]:
    """List what a person must know about a clip, whatever was counted in it."""
    problems = [*watched.problems, *break_sentences(watched.take.breaks, watched.start_s)]
    if watched.stillness.verdict not in (Stillness.STILL, Stillness.NEARLY_STILL):
        problems.append(watched.stillness.message)
    for shot in shots:
        if (
            shot.path
            and watched.end_s - shot.path[-1].time_s < 0.2
            and shot.crossing_time_s is None
        ):
            at = clock_text(shot.kick_time_s - watched.start_s)
            problems.append(f"the clip ends while the ball kicked at {at} is still moving")
    return tuple(dict.fromkeys(problems))


def _clip_record(path: Path, watched: Watched) -> ClipRecord:
    """Write down the clip as it was read."""
    info = watched.info
    return ClipRecord(
        name=path.name,
        sha256=clip_sha256(path),
        size_bytes=info.size_bytes,
        width_px=info.width_px,
        height_px=info.height_px,
        rotation_deg=info.rotation_deg,
        duration_s=info.duration_s,
        start_s=watched.start_s,
        end_s=watched.end_s,
        frames=watched.frames,
        nominal_rate_hz=info.nominal_rate_hz,
        codec=info.codec,
    )


def analyse_dribble(
    path: Path, settings: CountSettings, on_progress: Callable[[float], None] | None = None
) -> Counted:
    """Count the touches of one clip; parameters as for `analyse_clip`.

    Raises
    ------
    ClipUnreadableError
        No pictures can be decoded.
    ClipNotJudgeableError
        The camera moves, or no ball is found on its way.
    """
    watched = watch_clip(path, on_progress, dribbled=True)
    if watched.stillness.verdict is Stillness.MOVING:
        raise ClipNotJudgeableError(f"The clip cannot be counted: {watched.stillness.message}.")
    size_px = (watched.info.width_px, watched.info.height_px)
    ways = dribbled_trajectories(watched.record, size_px, settings.ball)
    if not ways:
        raise ClipNotJudgeableError(
            "No ball was found that is dribbled: film from the front, three or four metres away, "
            "with the ball and both feet in view from the first touch to the last."
        )
    contacts = [contact for way in ways for contact in way.contacts]
    with open_pose_model() as model:
        feet = FeetFinder(watched.pictures, model, [(*c.place_px, c.diameter_px) for c in contacts])
        clip_s = (watched.start_s, watched.end_s)
        found = find_touches(ways, feet.nearest, clip_s)
    doubts = [HiddenTime(d.from_s, d.until_s, d.why) for d in found.doubts]
    doubts += _moved_unfollowed(watched, ways) + _bumps(watched)
    analysis = concluded(path, watched, settings, found.events, found.left_out, doubts=doubts)
    stills = StillsOnDemand(found.events, partial(_stills, watched))
    return Counted(analysis, stills, watched.pictures.first())


def _moved_unfollowed(watched: Watched, ways: Sequence[Trajectory]) -> list[HiddenTime]:
    """List the times at which a ball left its place and nothing was followed."""
    seen_s = np.array([s.time_s for way in ways for s in way.sightings])
    out = []
    for rest in watched.record.resting:
        if rest.arrived or rest.ball_score < LIKE_A_BALL:
            continue
        near = (seen_s > rest.before_s - MOVED_NEAR_S) & (seen_s < rest.after_s + MOVED_NEAR_S)
        if not near.any():
            why = "a ball that lay there was moved, but could not be followed"
            out.append(HiddenTime(rest.before_s, rest.after_s, why))
    return out


def _bumps(watched: Watched) -> list[HiddenTime]:
    if watched.stillness.verdict is not Stillness.BUMPED:
        return []
    return [
        HiddenTime(
            at_s, at_s + BUMPED_S, f"the camera was moved at {clock_text(at_s - watched.start_s)}"
        )
        for at_s in watched.stillness.bumps_s
    ]


def _stills(watched: Watched, event: Shot) -> list[StillPicture]:
    """Return the pictures round an event, each once."""
    found = [
        watched.pictures.near(event.kick_time_s + off_s, SAME_PICTURE_S)
        for off_s in TOUCH_MOMENTS_S
    ]
    by_time = {still.time_s: still for still in found if still is not None}
    return [by_time[time_s] for time_s in sorted(by_time)]
