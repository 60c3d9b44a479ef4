"""A count worked out anew from its own sightings with the markers elsewhere; no clip is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shoegoal import __version__
from shoegoal.analysis.doubts import doubtful_times
from shoegoal.analysis.interruptions import doubted_around
from shoegoal.analysis.model import Analysis, MarkersSource, SceneRecord
from shoegoal.analysis.stills import SceneView
from shoegoal.ball.flight import fit_flight
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.hidden import judge_shots_around
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneFit
from shoegoal.scene.moved import scene_with_markers
from shoegoal.scene.posterior import UNKNOWNS
from shoegoal.shots.judge import judge_kicks
from shoegoal.shots.readings import HIDDEN_S, Kick
from shoegoal.types import BallSighting, Estimate, ImagePoint, Shot

START_SEEN_S = 0.002  # a flight whose start was not seen is taken to begin at its first sighting
REST_SIGMA_SHARE = 0.02  # of the diameter, for a resting place read back from the count
LEFT_OUT_AS_BEFORE = (
    "a marker was moved by hand: kicks that had been left out as no shots were not judged anew"
)


def recount_with_markers(analysis: Analysis, left_px: ImagePoint, right_px: ImagePoint) -> Analysis:
    """Judge a count's shots against a goal between other markers.

    Parameters
    ----------
    analysis : the count.
    left_px, right_px : markers' inner bases as the kicker sees them.

    Raises
    ------
    ClipNotJudgeableError
        The count holds no ground to put the markers on, or they make no goal there.
    """
    old = analysis.goal_scene
    if tuple(old.unknowns) != UNKNOWNS or not len(old.theta) == len(old.covariance) == len(
        UNKNOWNS
    ):
        raise ClipNotJudgeableError(
            "The count does not hold the ground's whole fit, so markers cannot be moved in it; "
            "count the clip again with --left and --right."
        )
    view = SceneView.of(old)
    rests = {shot.number: _rest(shot, view) for shot in analysis.shots}
    scene = scene_with_markers(
        old.camera,
        old.theta,
        old.covariance,
        (analysis.clip.width_px, analysis.clip.height_px),
        left_px,
        right_px,
        old.marker_sigma_px,
        _usual_spot([rest for rest in rests.values() if rest is not None]),
        old.ball_diameter_m,
    )
    followed = [shot for shot in analysis.shots if shot.path]
    kicks = [_kick(shot, rests[shot.number], old.camera, old.ball_diameter_m) for shot in followed]
    shots, left_out = judge_kicks(kicks, scene)
    # A kick whose ball was not followed asks a person, wherever the goal is.
    shots += [shot for shot in analysis.shots if not shot.path]
    shots = [
        replace(shot, number=number)
        for number, shot in enumerate(sorted(shots, key=lambda s: s.kick_time_s), start=1)
    ]
    breaks, clip = analysis.take.breaks, analysis.clip
    shots = doubted_around(shots, breaks, clip.start_s)
    rule = analysis.stage.to_stage().rule
    tally, verdict = judge_shots_around(
        rule,
        shots,
        doubtful_times(
            rule, shots, breaks, clip.start_s, clip.end_s, counted_doubts=analysis.doubts
        ),
        watched_until_s=clip.end_s,
        confidence=analysis.verdict.confidence,
    )
    problems = analysis.problems
    if analysis.left_out and LEFT_OUT_AS_BEFORE not in problems:
        problems = (*problems, LEFT_OUT_AS_BEFORE)
    return replace(
        analysis,
        tool_version=__version__,
        scene=_scene_record(scene, old, analysis.stage.back_steps),
        shots=tuple(shots),
        left_out=tuple(sorted([*analysis.left_out, *left_out], key=lambda kick: kick.time_s)),
        tally=tally,
        verdict=verdict,
        problems=problems,
    )


def _rest(shot: Shot, view: SceneView) -> BallSighting | None:
    """Where the ball lay before a kick, read back from its place in the goal frame."""
    if shot.kick_spot_m is None:
        return None
    if shot.path and shot.path[0].time_s - shot.kick_time_s < START_SEEN_S:
        return None
    centre, diameter_px = view.ball_px(shot.kick_spot_m)
    sigma_px = REST_SIGMA_SHARE * diameter_px
    return BallSighting(
        shot.kick_time_s, centre.x_px, centre.y_px, diameter_px, sigma_px, sigma_px, at_rest=True
    )


def _usual_spot(rests: Sequence[BallSighting]) -> ImagePoint | None:
    if not rests:
        return None
    x, y = np.median([(rest.x_px, rest.y_px) for rest in rests], axis=0)
    return ImagePoint(float(x), float(y))


def _kick(shot: Shot, rest: BallSighting | None, camera: Camera, ball_m: Estimate) -> Kick:
    first_s = shot.path[0].time_s
    window = (min(shot.kick_time_s, first_s) - HIDDEN_S, first_s)
    flight = fit_flight(camera, ball_m.value, shot.path, rest, window)
    if flight is None:
        return Kick(shot.kick_time_s, window[0], first_s, rest, None)
    later = tuple(s for s in shot.path if s.time_s > flight.end_s)
    return Kick(flight.kick_time_s, window[0], first_s, rest, flight, later)


def _scene_record(scene: SceneFit, old: SceneRecord, back_steps: float | None) -> SceneRecord:
    distance = scene.kick_distance_m
    step = None
    if distance is not None and back_steps:
        step = Estimate(distance.value / back_steps, distance.sigma / back_steps)
    return replace(
        old,
        left_px=scene.left_px,
        right_px=scene.right_px,
        markers_source=MarkersSource.GIVEN,
        goal_width_m=scene.width_m,
        kick_distance_m=distance,
        step_m=step,
        steps_sentence=None,  # told only where the stage itself did not bear on the ground
        notes=(*old.notes, *scene.diagnostics.notes),
    )
