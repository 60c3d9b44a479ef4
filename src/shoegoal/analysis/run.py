"""From a clip to its tally: the whole way, each step in its own room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from shoegoal import __version__
from shoegoal.analysis.model import (
    FORMAT_VERSION,
    Analysis,
    ClipRecord,
    MarkersSource,
    SceneRecord,
    StageRecord,
)
from shoegoal.analysis.settings import CountSettings
from shoegoal.analysis.stills import StillPicture
from shoegoal.analysis.watching import Watched, watch_clip
from shoegoal.clip.clock import clock_text
from shoegoal.clip.reader import clip_sha256
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.verdict import judge_shots
from shoegoal.scene.fit import SceneFit, SceneNotFittedError, fit_scene
from shoegoal.scene.ground import GroundFit, fit_ground
from shoegoal.scene.markers import find_markers
from shoegoal.shots.judge import judge_kicks
from shoegoal.shots.kicks import Kick, find_kicks
from shoegoal.shots.seeds import ground_sightings, likely_ground_sightings
from shoegoal.types import BallSighting, Call, Estimate, ImagePoint, Shot

STEADY_MARGIN_S = 0.3  # a shot must lie this well inside a still stretch to be judged


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
    stills: dict[int, list[StillPicture]]
    goal_still: StillPicture


def analyse_clip(
    path: Path, settings: CountSettings, on_progress: Callable[[float], None] | None = None
) -> Counted:
    """Count one clip.

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
    watched = watch_clip(path, on_progress)
    if watched.stillness.verdict is Stillness.MOVING:
        raise ClipNotJudgeableError(f"{path.name} cannot be counted: {watched.stillness.message}.")
    ground, kicks = find_ground_and_kicks(watched, settings)
    left_px, right_px, source, marker_notes = _markers(watched, settings, ground, kicks)
    scene = _scene(watched, settings, kicks, left_px, right_px)
    kicks = find_kicks(watched.record, scene.camera, scene.ball_diameter_m.value)
    shots, left_out = judge_kicks(kicks, scene)
    shots = [_held_to_stillness(shot, watched.stillness) for shot in shots]
    tally, verdict = judge_shots(
        settings.stage.rule, shots, watched_until_s=watched.end_s, confidence=settings.confidence
    )
    analysis = Analysis(
        format_version=FORMAT_VERSION,
        tool_version=__version__,
        clip=_clip_record(path, watched),
        stage=StageRecord.of(settings.stage),
        scene=_scene_record(scene, source, marker_notes, settings.stage.back_steps),
        shots=tuple(shots),
        left_out=tuple(left_out),
        tally=tally,
        verdict=verdict,
        problems=_problems(watched),
    )
    stills = {shot.number: watched.pictures.of_shot(shot) for shot in shots}
    return Counted(analysis, stills, watched.pictures.first())


def find_ground_and_kicks(
    watched: Watched, settings: CountSettings
) -> tuple[GroundFit, list[Kick]]:
    """Find the ground from the ball's sizes, and on it the kicks, without knowing the goal.

    Raises
    ------
    ClipNotJudgeableError
        No ball was seen rolling or resting on the ground.
    """
    size = (watched.info.width_px, watched.info.height_px)
    try:
        seeds = likely_ground_sightings(watched.record)
        ground = fit_ground(seeds, size, ball=settings.ball, lens=settings.lens)
        kicks = _kicks_on(watched, ground)
        better = ground_sightings(kicks)
        if len(better) >= len(seeds) // 2:
            ground = fit_ground(better, size, ball=settings.ball, lens=settings.lens)
            kicks = _kicks_on(watched, ground)
    except SceneNotFittedError as error:
        raise ClipNotJudgeableError(
            f"No ball was found that is kicked over the ground ({str(error).rstrip('.')}). Film so "
            "that the ball, the kick spot and both markers are in view."
        ) from error
    if not kicks:
        raise ClipNotJudgeableError(
            "No kick was found: film from before the first kick, with the ball and its kick spot "
            "in view and not hidden behind the kicker."
        )
    return ground, kicks


def _kicks_on(watched: Watched, ground: GroundFit) -> list[Kick]:
    return find_kicks(watched.record, ground.camera, ground.ball_diameter_m.value)


def _markers(
    watched: Watched, settings: CountSettings, ground: GroundFit, kicks: Sequence[Kick]
) -> tuple[ImagePoint, ImagePoint, MarkersSource, tuple[str, ...]]:
    if settings.left_px is not None and settings.right_px is not None:
        return settings.left_px, settings.right_px, MarkersSource.GIVEN, ()
    if settings.calibration is not None:
        saved = settings.calibration
        return saved.left_px, saved.right_px, MarkersSource.CALIBRATION_FILE, ()
    flown = [k for k in kicks if k.flight is not None and k.rest is not None]
    spots = [(k.rest.x_px, k.rest.y_px) for k in flown if k.rest is not None]
    ways = [
        k.flight.centre_m([s.time_s for s in k.flight.sightings])[:, :2]
        for k in flown
        if k.flight is not None
    ]
    found = find_markers(
        watched.settled_bgr,
        ground,
        spots,
        ways,
        settings.stage.width_steps or 4.0,
        settings.stage.back_steps or 10.0,
    )
    return found.left_px, found.right_px, MarkersSource.FOUND, (found.reason,)


def _scene(
    watched: Watched,
    settings: CountSettings,
    kicks: Sequence[Kick],
    left_px: ImagePoint,
    right_px: ImagePoint,
) -> SceneFit:
    return fit_scene(
        ground_sightings(kicks),
        (watched.info.width_px, watched.info.height_px),
        left_px,
        right_px,
        ball=settings.ball,
        lens=settings.lens,
        kick_spot_px=_kick_spot(kicks),
        width_steps=settings.stage.width_steps,
        back_steps=settings.stage.back_steps,
    )


def _kick_spot(kicks: Sequence[Kick]) -> ImagePoint | None:
    """Middle of the resting balls whose flights were seen to run furthest: the usual kick spot."""
    rests: list[BallSighting] = [
        k.rest for k in kicks if k.rest is not None and k.flight is not None
    ]
    if not rests:
        return None
    x, y = np.median([(r.x_px, r.y_px) for r in rests], axis=0)
    return ImagePoint(float(x), float(y))


def _held_to_stillness(shot: Shot, stillness: StillnessReport) -> Shot:
    """Call a shot unsure when the camera moved round it: its markers were elsewhere then."""
    if stillness.verdict is not Stillness.BUMPED:
        return shot
    inside = any(
        span.start_s <= shot.kick_time_s - STEADY_MARGIN_S
        and shot.end_time_s + STEADY_MARGIN_S <= span.end_s
        for span in stillness.spans[:1]
    )
    if inside:
        return shot
    return replace(
        shot,
        call=Call.UNSURE,
        p_make=0.5,
        reason="the camera was moved before or during this shot: did it go in?",
    )


def _problems(watched: Watched) -> tuple[str, ...]:
    problems = list(watched.problems)
    if watched.stillness.verdict not in (Stillness.STILL, Stillness.NEARLY_STILL):
        problems.append(watched.stillness.message)
    for departure in watched.record.departures:
        if watched.end_s - departure.track.end_s < 0.2 and departure.rest is not None:
            at = clock_text(departure.track.start_s - watched.start_s)
            problems.append(f"the clip ends while the ball kicked at {at} is still moving")
    return tuple(dict.fromkeys(problems))


def _clip_record(path: Path, watched: Watched) -> ClipRecord:
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
        frames=watched.frames,
        nominal_rate_hz=info.nominal_rate_hz,
        codec=info.codec,
    )


def _scene_record(
    scene: SceneFit, source: MarkersSource, notes: Sequence[str], back_steps: float | None
) -> SceneRecord:
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
