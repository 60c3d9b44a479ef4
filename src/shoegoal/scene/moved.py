"""The same camera over the same ground, with the markers elsewhere: no sighting is fitted anew.

Where the markers stand hardly bears on camera and ground, which come from the ball's sizes, so
these keep their values and their spread; the goal is placed on them anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shoegoal.scene import posterior
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import DRAWS, F64, FitDiagnostics, SceneFit
from shoegoal.scene.goal import GoalNotPlausibleError, goal_from_markers, summarise
from shoegoal.scene.posterior import LOG_BALL, Evidence
from shoegoal.types import Estimate, ImagePoint

MOVED_BY_HAND = "a marker was moved by hand; camera and ground are as they were first found"


def scene_with_markers(
    camera: Camera,
    theta: Sequence[float],
    covariance: Sequence[Sequence[float]],
    image_size_px: tuple[int, int],
    left_px: ImagePoint,
    right_px: ImagePoint,
    marker_sigma_px: float,
    kick_spot_px: ImagePoint | None,
    ball_diameter_m: Estimate,
    seed: int = 0,
) -> SceneFit:
    """Place the goal on a ground that is known already.

    Parameters
    ----------
    camera, theta, covariance : the fitted scene, its (6,) unknowns and their (6, 6) covariance.
    image_size_px : width and height of the displayed picture.
    left_px, right_px : markers' inner bases as the kicker sees them.
    marker_sigma_px : their standard deviation, per axis.
    kick_spot_px : disc centre of the ball before a kick, where it was seen.
    ball_diameter_m : as fitted.
    seed : of the draws.

    Raises
    ------
    GoalNotPlausibleError
        The markers do not make a goal on that ground, or none that is kicked at from that spot.
    """
    markers_px = np.array([[left_px.x_px, left_px.y_px], [right_px.x_px, right_px.y_px]])
    spot_px = np.empty((0, 2))
    if kick_spot_px is not None:
        spot_px = np.array([[kick_spot_px.x_px, kick_spot_px.y_px]])
    evidence = _evidence(camera, image_size_px, markers_px, marker_sigma_px, spot_px)
    spot_m = None
    if len(spot_px):
        x, y = camera.ball_on_ground(spot_px, ball_diameter_m.value)[0]
        spot_m = (float(x), float(y))
    goal = goal_from_markers(camera, left_px, right_px)
    if goal_from_markers(camera, left_px, right_px, spot_m) != goal:
        raise GoalNotPlausibleError(
            "With that marker the kicks come from behind the goal; left and right are as the "
            "kicker sees them, so check which of the two was meant."
        )
    draws = _draws(theta, covariance, evidence, seed)
    shifts = posterior.marker_shifts(draws, evidence, seed)
    sizes = posterior.goal_draws(draws, evidence, evidence.markers_px + shifts)
    kick_m = None if spot_m is None else goal.to_goal([spot_m])[0]
    return SceneFit(
        camera=camera,
        goal=goal,
        left_px=left_px,
        right_px=right_px,
        marker_sigma_px=marker_sigma_px,
        unknowns=posterior.UNKNOWNS,
        theta=np.array(theta),
        covariance=np.array(covariance),
        draws=draws,
        marker_shifts_px=shifts,
        width_draws_m=sizes.width_m,
        ball_diameter_m=ball_diameter_m,
        width_m=summarise(sizes.width_m),
        kick_distance_m=None if spot_m is None else summarise(sizes.distance_m),
        kick_spot_m=None if kick_m is None else (float(kick_m[0]), float(kick_m[1])),
        steps=None,
        diagnostics=FitDiagnostics(0, 0, 0, 0.0, 0, 0.0, 0.0, float(DRAWS), (MOVED_BY_HAND,)),
    )


def _evidence(
    camera: Camera,
    image_size_px: tuple[int, int],
    markers_px: F64,
    marker_sigma_px: float,
    spot_px: F64,
) -> Evidence:
    """Markers and kick spot as the posterior's arithmetic wants them; no ball sizes."""
    none = np.empty(0)
    return Evidence(
        image_size_px=image_size_px,
        cx_px=camera.cx_px,
        cy_px=camera.cy_px,
        places_px=np.empty((0, 2)),
        diameters_px=none,
        sigmas_px=none,
        wrong_shares=none,
        moving=np.empty(0, np.bool_),
        markers_px=camera.undistort(markers_px),
        marker_sigma_px=marker_sigma_px,
        kick_spot_px=camera.undistort(spot_px) if len(spot_px) else spot_px,
        log_ball_prior=(0.0, 1.0),
        log_focal_prior=None,
        stage_ratio=None,
    )


def _draws(
    theta: Sequence[float], covariance: Sequence[Sequence[float]], evidence: Evidence, seed: int
) -> F64:
    """Equally likely parameter sets (S, 6), Gaussian, within the bounds of any fit."""
    rng = np.random.default_rng(seed)
    best = np.array(theta)
    low, high = posterior.bounds(replace(evidence, log_ball_prior=(float(best[LOG_BALL]), 1.0)))
    drawn = rng.multivariate_normal(best, np.array(covariance), DRAWS, method="svd")
    return np.asarray(np.clip(drawn, low, high), np.float64)
