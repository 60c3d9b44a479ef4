"""From a clip to its tally: the whole way, each step in its own room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from shoegoal.analysis.counted import Counted, StillsOnDemand, concluded
from shoegoal.analysis.dribbling import analyse_dribble
from shoegoal.analysis.interruptions import strayed_times
from shoegoal.analysis.judging import judge_evidence, scene_record
from shoegoal.analysis.model import Evidence, MarkersSource
from shoegoal.analysis.settings import CountSettings
from shoegoal.analysis.spread import spread_pictures
from shoegoal.analysis.watching import Watched, watch_clip
from shoegoal.ball.watch import BallRecord, split_record
from shoegoal.clip.clock import clock_text
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.scene.calibration import refuse_another_scene
from shoegoal.scene.fit import MARKER_SIGMA_REL, SceneNotFittedError
from shoegoal.scene.lens import Lens, stated_lens
from shoegoal.scene.markers import FoundMarkers, MarkersNotFoundError, find_markers
from shoegoal.shots.ground import Ground, departures_s, find_ground
from shoegoal.types import ImagePoint

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
    size_px = (watched.info.width_px, watched.info.height_px)
    stated = stated_lens(watched.info.focal_35mm, size_px)
    evidence = evidence_of(watched.record, watched.stillness, settings, stated)
    ground = ground_of(evidence, size_px)
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
    doubts = strayed_times(watched.stillness, watched.start_s, watched.end_s)
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
        ground.spots_px,
        ground.ways_m,
        stage.width_steps or 4.0,
        stage.back_steps or 10.0,
        [(r.sighting.x_px, r.sighting.y_px) for r in record.resting],
    )


def marker_sigma_px(stillness: StillnessReport, size_px: tuple[int, int]) -> float:
    """How well markers are placed: they are set on one picture, and stray with the camera."""
    strayed = max((span.displacement for span in stillness.spans[:1]), default=0.0)
    return float(np.hypot(MARKER_SIGMA_REL, strayed / 2)) * max(size_px)


def evidence_of(
    record: BallRecord,
    stillness: StillnessReport,
    settings: CountSettings,
    stated: Lens | None = None,
) -> Evidence:
    """Keep what the shots are judged from: up to a bump, after which only kicks are told.

    Parameters
    ----------
    record, stillness : what was seen of ball and camera.
    settings : ball and lens, where they are known.
    stated : the lens that the clip's own file tells of, where no better one is known.

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
