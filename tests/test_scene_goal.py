"""The goal frame: signs, round trips, refusals, steps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import (
    CARELESS_SHARE,
    CARELESS_SIGMA,
    PACED_SIGMA,
    GoalFrame,
    GoalNotPlausibleError,
    goal_from_markers,
    paced_log_density,
    report_steps,
)
from shoegoal.types import ImagePoint

CAMERA = Camera(980.0, 640.0, 360.0, 1.3, 9.0, 1.0)


def marker(x_m: float, y_m: float) -> ImagePoint:
    x, y = CAMERA.project([[x_m, y_m, 0.0]])[0]
    return ImagePoint(float(x), float(y))


def test_frame_seen_from_behind_the_kicker() -> None:
    goal = GoalFrame((-1.5, 9.0), (1.5, 9.0))
    assert goal.width_m == pytest.approx(3.0)
    assert np.allclose(goal.to_goal([[1.0, 3.0]]), [[1.0, 6.0]])
    assert np.allclose(goal.to_goal([[0.0, 10.0, 0.4]]), [[0.0, -1.0, 0.4]])


def test_frame_of_a_turned_goal() -> None:
    """A kicker at (6, 9) shooting along -X has his left post at the smaller Y."""
    goal = GoalFrame((0.0, 7.5), (0.0, 10.5))
    assert np.allclose(goal.to_goal([[6.0, 9.0]]), [[0.0, 6.0]])
    points = np.random.default_rng(1).uniform(-5, 5, (20, 3))
    assert np.allclose(goal.to_goal(goal.from_goal(points)), points)
    moved = goal.from_goal(points)
    before = np.linalg.norm(points[:, None] - points[None], axis=2)
    assert np.allclose(np.linalg.norm(moved[:, None] - moved[None], axis=2), before)


def test_markers_and_line_go_there_and_back() -> None:
    goal = goal_from_markers(CAMERA, marker(-1.4, 8.0), marker(1.9, 9.0))
    assert np.allclose([goal.left_m, goal.right_m], [(-1.4, 8.0), (1.9, 9.0)])
    left, right = goal.line_px(CAMERA)
    assert (left.x_px, right.y_px) == pytest.approx((marker(-1.4, 8.0).x_px, marker(1.9, 9.0).y_px))
    ends = goal.to_px(CAMERA, [[-goal.width_m / 2, 0, 0], [goal.width_m / 2, 0, 0]])
    assert np.allclose(ends, [[left.x_px, left.y_px], [right.x_px, right.y_px]])


def test_a_marker_outside_the_picture_is_fine() -> None:
    outside = marker(-4.5, 4.0)
    assert outside.x_px < 0
    assert goal_from_markers(CAMERA, outside, marker(1.0, 4.0)).width_m == pytest.approx(5.5)


def test_the_kick_spot_names_the_sides() -> None:
    far_side = (0.0, 15.0)  # the kicker faces the camera: his left is the picture's right
    goal = goal_from_markers(CAMERA, marker(-1.5, 9.0), marker(1.5, 9.0), far_side)
    assert np.allclose(goal.left_m, (1.5, 9.0))
    assert np.allclose(goal.to_goal([far_side]), [[0.0, 6.0]])


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [
        (marker(1.0, 9.0), marker(1.0, 9.0), "different markers"),
        (ImagePoint(100.0, 20.0), marker(1.0, 9.0), "horizon"),
        (marker(-30.0, 40.0), marker(30.0, 40.0), "60 m wide"),
        (ImagePoint(float("nan"), 20.0), marker(1.0, 9.0), "not a number"),
    ],
)
def test_goals_that_cannot_be(left: ImagePoint, right: ImagePoint, words: str) -> None:
    with pytest.raises(GoalNotPlausibleError, match=words):
        goal_from_markers(CAMERA, left, right)


def test_steps_report() -> None:
    rng = np.random.default_rng(2)
    width, distance = rng.normal(2.4, 0.02, 4000), rng.normal(6.0, 0.05, 4000)
    report = report_steps(width, distance, 3.0, 10.0)
    # 6.0 m in 10 steps is 0.60 m a step; 2.4 m is 4.0 of them, and 3 steps would be 0.80 m each.
    assert report.step_from_distance_m.value == pytest.approx(0.60, rel=0.01)
    assert report.step_from_width_m.value == pytest.approx(0.80, rel=0.01)
    assert report.width_steps.value == pytest.approx(4.0, rel=0.01)
    # Relative errors of a quotient add in squares: 4.0 * hypot(0.02 / 2.4, 0.05 / 6.0).
    assert report.width_steps.sigma == pytest.approx(0.0471, rel=0.1)
    assert report.disagrees
    assert report.sentence.startswith("goal looks 4.0 of your steps wide")
    assert report.sentence.endswith("the stage asks 3")
    assert not report_steps(width, distance, 4.0, 10.0).disagrees
    assert not report_steps(rng.normal(2.4, 0.5, 4000), distance, 3.0, 10.0).disagrees


def test_a_goal_paced_well_pulls_and_another_hardly() -> None:
    """Closed form: a mixture of two normal densities over its own at zero."""

    def density(x: float) -> float:
        parts = (1 - CARELESS_SHARE, PACED_SIGMA), (CARELESS_SHARE, CARELESS_SIGMA)
        return sum(share * float(stats.norm(0, sigma).pdf(x)) for share, sigma in parts)

    for x in (0.0, 0.05, -0.2, 0.5):
        told = float(paced_log_density(np.array(x)))
        assert told == pytest.approx(np.log(density(x) / density(0.0)))
    slopes = np.abs(np.gradient(paced_log_density(np.array([0.1, 0.11, 0.49, 0.5]))))
    assert slopes[-1] < slopes[0]


@pytest.mark.parametrize(
    ("places_m", "stands"),
    [
        (((0.0, 8.0), (0.29, 8.0)), False),  # narrower than a ball and a shoe
        (((0.0, 8.0), (0.31, 8.0)), True),
        (((-15.1, 40.0), (15.1, 40.0)), False),  # no home goal is wider than thirty metres
        (((-14.9, 40.0), (14.9, 40.0)), True),
        (((0.0, 201.0), (4.0, 199.0)), False),  # two hundred metres off is on the horizon
        (((0.0, 198.0), (4.0, 198.0)), True),
    ],
)
def test_how_narrow_wide_and_far_a_goal_may_be(
    places_m: tuple[tuple[float, float], tuple[float, float]], stands: bool
) -> None:
    left, right = (marker(*place) for place in places_m)
    if stands:
        goal_from_markers(CAMERA, left, right)
        return
    with pytest.raises(GoalNotPlausibleError):
        goal_from_markers(CAMERA, left, right)


@pytest.mark.parametrize(("times", "disagrees"), [(1.14, False), (1.16, True), (0.84, True)])
def test_children_pace_within_fifteen_per_cent(times: float, disagrees: bool) -> None:
    """Common practice, no source."""
    width, distance = np.full(100, 3.0 * 0.6 * times), np.full(100, 6.0)
    assert report_steps(width, distance, 3.0, 10.0).disagrees is disagrees
