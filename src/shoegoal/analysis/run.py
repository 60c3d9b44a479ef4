"""From a clip to its tally: the whole way, each step in its own room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from shoegoal.analysis.counted import Counted, StillsOnDemand, concluded
from shoegoal.analysis.dribbling import analyse_dribble
from shoegoal.analysis.interruptions import doubted_around, strayed_times
from shoegoal.analysis.model import (
    MarkersSource,
    SceneRecord,
)
from shoegoal.analysis.settings import CountSettings
from shoegoal.analysis.spread import spread_pictures
from shoegoal.analysis.watching import Watched, watch_clip
from shoegoal.ball.watch import split_record
from shoegoal.clip.clock import clock_text
from shoegoal.clip.stillness import Stillness
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.rules import TouchesInARow
from shoegoal.scene.calibration import refuse_another_scene
from shoegoal.scene.fit import MARKER_SIGMA_REL, SceneFit, SceneNotFittedError, fit_scene
from shoegoal.scene.goal import GoalNotPlausibleError, goal_from_markers
from shoegoal.scene.ground import GroundFit, fit_ground
from shoegoal.scene.markers import MarkersNotFoundError, find_markers
from shoegoal.shots.by_looks import kick_times_by_looks
from shoegoal.shots.judge import judge_kicks, unseen_shot
from shoegoal.shots.kicks import find_kicks
from shoegoal.shots.readings import Kick, ways_m
from shoegoal.shots.seeds import ground_sightings, likely_ground_sightings
from shoegoal.types import BallSighting, Estimate, ImagePoint

YARD_LOOKS = 9  # pictures in which markers are looked for: the kicker hides one in some of them
STEADY_MARGIN_S = 0.5  # a kick this near to a bump is not judged: its flight may run into it


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
    """Count the shots of a clip that was watched; as `analyse_clip`, which see."""
    watched, after_bump = _up_to_a_bump(watched)
    ground, kicks = find_ground_and_kicks(watched, settings)
    left_px, right_px, source, marker_notes = _markers(path, watched, settings, ground, kicks)
    scene = _scene(watched, settings, ground, kicks, left_px, right_px)
    kicks = find_kicks(watched.record, scene.camera, scene.ball_diameter_m.value)
    shots, left_out = judge_kicks(kicks, scene)
    shots += [
        unseen_shot(len(shots) + i, time_s, "the camera had been moved: was it a shot, and a make?")
        for i, time_s in enumerate(after_bump, start=1)
    ]
    shots = doubted_around(shots, watched.take.breaks, watched.start_s)
    record = _scene_record(scene, source, marker_notes, settings.stage.back_steps)
    doubts = strayed_times(watched.stillness, watched.start_s, watched.end_s)
    analysis = concluded(path, watched, settings, shots, left_out, scene=record, doubts=doubts)
    stills = StillsOnDemand(shots, watched.pictures.of_shot)
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
    path: Path, watched: Watched, settings: CountSettings, ground: GroundFit, kicks: Sequence[Kick]
) -> tuple[ImagePoint, ImagePoint, MarkersSource, tuple[str, ...]]:
    if settings.left_px is not None and settings.right_px is not None:
        return settings.left_px, settings.right_px, MarkersSource.GIVEN, ()
    if settings.calibration is not None:
        saved = settings.calibration
        refuse_another_scene(
            saved, np.asarray(cv2.cvtColor(watched.settled_bgr, cv2.COLOR_BGR2GRAY), np.uint8)
        )
        return saved.left_px, saved.right_px, MarkersSource.CALIBRATION_FILE, ()
    flown = [k for k in kicks if k.flight is not None and k.rest is not None]
    spots = [(k.rest.x_px, k.rest.y_px) for k in flown if k.rest is not None]
    try:
        found = find_markers(
            spread_pictures(path, YARD_LOOKS, watched.stillness.bumped_s),
            ground,
            spots,
            ways_m(flown),
            settings.stage.width_steps or 4.0,
            settings.stage.back_steps or 10.0,
            [(r.sighting.x_px, r.sighting.y_px) for r in watched.record.resting],
        )
    except MarkersNotFoundError as error:
        seen = ", ".join(clock_text(k.time_s - watched.start_s) for k in kicks)
        raise MarkersNotFoundError(f"{error} Kicks were seen at {seen}.") from error
    return found.left_px, found.right_px, MarkersSource.FOUND, (found.reason,)


def _scene(
    watched: Watched,
    settings: CountSettings,
    ground: GroundFit,
    kicks: Sequence[Kick],
    left_px: ImagePoint,
    right_px: ImagePoint,
) -> SceneFit:
    long_side_px = max(watched.info.width_px, watched.info.height_px)
    # Markers are set on one picture; where the camera strays they stray with it.
    strayed = max((span.displacement for span in watched.stillness.spans[:1]), default=0.0)
    return fit_scene(
        ground_sightings(kicks),
        (watched.info.width_px, watched.info.height_px),
        left_px,
        right_px,
        ball=settings.ball,
        lens=settings.lens,
        kick_spot_px=_kick_spot(kicks, ground, left_px, right_px),
        width_steps=settings.stage.width_steps,
        back_steps=settings.stage.back_steps,
        marker_sigma_px=float(np.hypot(MARKER_SIGMA_REL, strayed / 2)) * long_side_px,
    )


def _kick_spot(
    kicks: Sequence[Kick], ground: GroundFit, left_px: ImagePoint, right_px: ImagePoint
) -> ImagePoint | None:
    """Middle of the resting balls that were kicked from the kicker's side of the goal.

    Left and right say which side that is; balls that a friend kicks back come from the other.
    """
    rests: list[BallSighting] = [
        k.rest for k in kicks if k.rest is not None and k.flight is not None
    ]
    if not rests:
        return None
    pixels = np.array([(r.x_px, r.y_px) for r in rests])
    try:
        goal = goal_from_markers(ground.camera, left_px, right_px)
    except GoalNotPlausibleError:
        before = np.ones(len(rests), dtype=bool)
    else:
        spots = goal.to_goal(ground.camera.ball_on_ground(pixels, ground.ball_diameter_m.value))
        before = spots[:, 1] > 0
    x, y = np.median(pixels[before] if before.any() else pixels, axis=0)
    return ImagePoint(float(x), float(y))


def _up_to_a_bump(watched: Watched) -> tuple[Watched, list[float]]:
    """Cut the record where the camera was moved; the kicks after it come back as mere times.

    Raises
    ------
    ClipNotJudgeableError
        The camera moves all the time.
    """
    stillness = watched.stillness
    if stillness.verdict is Stillness.MOVING:
        raise ClipNotJudgeableError(f"The clip cannot be counted: {stillness.message}.")
    if stillness.bumped_s is None:
        return watched, []
    before, after = split_record(watched.record, stillness.bumped_s - STEADY_MARGIN_S)
    return replace(watched, record=before), kick_times_by_looks(after)


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
