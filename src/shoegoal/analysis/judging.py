"""From kept evidence and two markers to a set's shots: for a count and a moved marker alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shoegoal.analysis.interruptions import doubted_around
from shoegoal.analysis.model import Evidence, MarkersSource, SceneRecord
from shoegoal.clip.take import Break
from shoegoal.ladder.rules import Stage
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.events import Event
from shoegoal.shots.ground import Ground, find_ground
from shoegoal.shots.judge import LeftOut, judge, unseen_shot
from shoegoal.shots.story import Story
from shoegoal.types import Estimate, ImagePoint, Shot

AFTER_A_BUMP = "the camera had been moved: was it a shot, and a make?"


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
    )
    shots = [*judged.shots, *(unseen_shot(1, at_s, AFTER_A_BUMP) for at_s in evidence.after_bump_s)]
    numbered = [replace(shot, number=n) for n, shot in enumerate(shots, start=1)]
    doubted = tuple(doubted_around(numbered, breaks, start_s))
    return JudgedSet(judged.scene, doubted, judged.left_out, judged.events, judged.story)


def scene_record(
    scene: SceneFit, source: MarkersSource, notes: Sequence[str], back_steps: float | None
) -> SceneRecord:
    """Write a fitted scene down."""
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
