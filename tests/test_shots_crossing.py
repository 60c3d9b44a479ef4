"""Where and whether a ball crosses the goal line: against normal integrals and plain simulation.

IFAB Laws of the Game, Law 10 (from memory): a goal is scored when the whole of the ball passes over
the goal line, between the goalposts. So the centre has to be a radius past the line's far edge, and
a radius clear of either marker's inner base.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from ball_pictures import F64
from record_simulation import CAMERA, RADIUS_M
from shoegoal.ball.free_motion import GRAVITY_MPS2, FreeStretch, Motion
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.crossing import (
    MARKER_M,
    SIDE_FLOOR_M,
    Crossing,
    measure_crossing,
)
from shoegoal.shots.runs import Run
from shoegoal.shots.segments import Segment
from shoegoal.types import Detection

HALF_M = 1.5
LINE_Y_M, START_Y_M, START_S = 9.0, 4.0, 5.0
WAY_M = LINE_Y_M - START_Y_M
GOAL = GoalFrame((-HALF_M, LINE_Y_M), (HALF_M, LINE_Y_M))
ROOM_M = HALF_M - RADIUS_M


def stretch(
    x_m: float = 0.0,
    velocity: tuple[float, float] = (0.0, 7.0),
    loss: float = 1.0,
    *,
    covariance: F64 | None = None,
    seen_s: float = 1.0,
    motion: Motion = Motion.ROLLS,
    up_mps: float = 0.0,
) -> FreeStretch:
    """A way that starts before the goal at a known speed, seen for a while."""
    seen = [Detection(START_S + t, 0.0, 0.0, 30.0, 0.4, 0.8) for t in (0.0, seen_s)]
    coefficients = np.zeros((3, 3))
    coefficients[0] = [x_m, START_Y_M, RADIUS_M]
    coefficients[1] = [*velocity, up_mps]
    coefficients[2, :2] = -np.array(velocity) / np.hypot(*velocity) * loss / 2
    if motion is Motion.FLIES:
        coefficients[2] = [0.0, 0.0, -GRAVITY_MPS2 / 2]
    spread = np.zeros((9, 9)) if covariance is None else covariance
    return FreeStretch(motion, tuple(seen), START_S, coefficients, spread, 1.0, RADIUS_M)


def lying(x_m: float, y_m: float, time_s: float) -> FreeStretch:
    """A ball that lies so far before the line."""
    seen = [Detection(time_s + t, 0.0, 0.0, 30.0, 0.4, 0.8) for t in (0.0, 1.0)]
    coefficients = np.zeros((3, 3))
    coefficients[0] = [x_m, LINE_Y_M - y_m, RADIUS_M]
    return FreeStretch(
        Motion.LIES, tuple(seen), time_s, coefficients, np.zeros((9, 9)), 1.0, RADIUS_M
    )


def run_of(*stretches: FreeStretch, met: tuple[bool, ...] = ()) -> Run:
    segments = tuple(
        Segment(s, s.start_s, s.end_s, s.start_s, s.end_s, 0, 9.0, s.end_s) for s in stretches
    )
    joints = tuple(s.start_s for s in segments[1:])
    chances = (1.0,) * len(joints)
    numbers = tuple(range(len(segments)))
    return Run(
        numbers, segments, chances, joints, met or (False,) * len(joints), None, START_S, 1.0, 0.0
    )


def measured(*stretches: FreeStretch, met: tuple[bool, ...] = ()) -> Crossing:
    return measure_crossing(run_of(*stretches, met=met), CAMERA, GOAL, ())


def only(sigma: dict[tuple[int, int], float]) -> F64:
    """Covariance of coefficients named by power of time and axis."""
    spread = np.zeros(9)
    for (power, axis), value in sigma.items():
        spread[3 * power + axis] = value**2
    return np.diag(spread)


@pytest.mark.parametrize("x_m", [0.0, 0.8, ROOM_M, HALF_M, HALF_M + RADIUS_M, 2.2])
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("sigma_m", [0.0, 0.05, 0.3])
def test_p_inside_is_a_normal_integral(x_m: float, side: int, sigma_m: float) -> None:
    found = measured(stretch(side * x_m, covariance=only({(0, 0): sigma_m})))
    spread = np.hypot(sigma_m, SIDE_FLOOR_M)
    expected = norm.cdf(ROOM_M, side * x_m, spread) - norm.cdf(-ROOM_M, side * x_m, spread)
    assert found.p_inside == pytest.approx(expected, abs=1e-6)
    assert found.x_m is not None
    assert found.x_m.value == pytest.approx(side * x_m, abs=1e-9)
    assert found.x_m.sigma == pytest.approx(spread, rel=1e-4)


def test_a_ball_whose_side_meets_the_marker_is_a_toss_up_and_one_on_it_is_no_make() -> None:
    assert measured(stretch(ROOM_M)).p_inside == pytest.approx(0.5, abs=1e-6)
    assert measured(stretch(HALF_M)).p_make < 0.01  # centre over the base: a quarter outside
    assert measured(stretch(HALF_M + RADIUS_M)).p_make < 1e-6  # touching it from outside
    assert measured(stretch(HALF_M - 2 * RADIUS_M)).p_make > 0.99


@pytest.mark.parametrize("velocity", [(0.0, 7.0), (1.4, 6.0), (-1.2, 4.0)])
@pytest.mark.parametrize("loss", [0.4, 1.2])
def test_time_and_place_follow_from_constant_deceleration(
    velocity: tuple[float, float], loss: float
) -> None:
    """s = v t - a t^2 / 2 solved for t; sideways by similar triangles."""
    found = measured(stretch(0.0, velocity, loss, seen_s=1.8))
    speed = float(np.hypot(*velocity))
    way = WAY_M * speed / velocity[1]
    time = (speed - np.sqrt(speed**2 - 2 * loss * way)) / loss
    assert found.time_s is not None and found.x_m is not None and found.z_m is not None
    assert found.time_s == pytest.approx(START_S + time, abs=1e-3)
    side = WAY_M * velocity[0] / velocity[1]
    assert found.x_m.value == pytest.approx(side, abs=2e-3)
    assert found.z_m.value == pytest.approx(RADIUS_M)


@pytest.mark.parametrize(
    ("y_m", "where"),
    [
        (1.0, "short"),
        (RADIUS_M, "touching the line"),
        (0.0, "half over"),
        (-RADIUS_M, "just wholly over"),
        (-0.6, "clearly over"),
    ],
)
def test_the_whole_ball_has_to_cross(y_m: float, where: str) -> None:
    """A ball seen to come to rest there: v^2 = 2 a s."""
    speed = float(np.sqrt(2 * 2.0 * (WAY_M - y_m)))
    stop_s = speed / 2.0
    found = measured(
        stretch(0.0, (0.0, speed), 2.0, seen_s=stop_s), lying(0.0, y_m, START_S + stop_s + 0.03)
    )
    assert found.stopped
    assert found.p_reached == pytest.approx(norm.cdf((-RADIUS_M - y_m) / 0.03), abs=0.01)
    assert found.p_make == pytest.approx(found.p_reached, abs=1e-6)
    assert found.nearest_m == pytest.approx(y_m, abs=0.01)
    if where == "short":
        assert found.time_s is None and found.x_m is None
        assert found.p_make < 0.01
    if where == "clearly over":
        assert found.p_make > 0.99


def test_a_ball_lost_on_its_way_is_weighed_by_how_it_rolls_on() -> None:
    fast = measured(stretch(velocity=(0.0, 9.0), seen_s=0.3))
    assert fast.p_reached > 0.99
    # Something may stop it out of sight: the longer, the likelier.
    unseen_s = WAY_M / 9.0 - 0.3
    assert fast.unseen_s == pytest.approx(unseen_s, abs=0.05)
    assert fast.p_make == pytest.approx(np.exp(-0.3 * unseen_s), abs=0.02)
    weak = measured(
        stretch(velocity=(0.0, float(np.sqrt(4 * (WAY_M - 1.5)))), loss=2.0, seen_s=0.4)
    )
    assert weak.p_reached < 0.01
    just = float(np.sqrt(4 * (WAY_M + RADIUS_M)))
    doubtful = stretch(velocity=(0.0, just), loss=2.0, seen_s=0.3, covariance=only({(2, 1): 0.25}))
    # It would just get there: half of the losses that the fit allows let it.
    assert measured(doubtful).p_reached == pytest.approx(0.5, abs=0.12)


def test_a_ball_turned_at_the_line_has_reached_it_and_one_turned_before_it_has_not() -> None:
    def turned(y_m: float) -> Crossing:
        gone_s = float(7.0 - np.sqrt(49.0 - 2 * (WAY_M - y_m)))
        there = stretch(seen_s=gone_s)
        back = replace(
            stretch(velocity=(0.3, -2.0), seen_s=0.5),
            sightings=tuple(
                replace(s, time_s=START_S + gone_s + t)
                for s, t in zip(there.sightings, (0.02, 0.5), strict=True)
            ),
            reference_s=START_S + gone_s,
        )
        coefficients = back.coefficients.copy()
        coefficients[0, 1] = LINE_Y_M - y_m
        return measured(there, replace(back, coefficients=coefficients), met=(True,))

    for y_m in (0.1, 0.05, 0.0, -0.05):  # met what stands on the line
        assert turned(y_m).p_reached > 0.9
    early = turned(1.5)
    assert early.p_reached < 0.01
    assert early.met_before_m == pytest.approx(1.5, abs=0.15)
    behind = turned(-1.0)  # a wall behind the goal
    assert behind.p_make > 0.99


def test_a_ball_over_the_markers_meets_none() -> None:
    """Lofted to the line at 2 m height: it is in by its side alone."""
    time_s = WAY_M / 8.0
    up = (1.9 + 0.5 * GRAVITY_MPS2 * time_s**2) / time_s
    found = measured(stretch(HALF_M + 0.1, (0.0, 8.0), motion=Motion.FLIES, up_mps=up, seen_s=0.9))
    assert found.z_m is not None
    assert found.z_m.value == pytest.approx(1.9 + RADIUS_M, abs=0.1)
    assert found.p_hit == 0.0
    assert found.p_make < 0.01


@pytest.mark.parametrize(
    ("velocity", "x_m"), [((0.0, 6.0), 1.2), ((0.9, 6.0), 0.55), ((-1.0, 4.5), -0.2)]
)
def test_p_make_agrees_with_simulation(velocity: tuple[float, float], x_m: float) -> None:
    """20 000 balls drawn from the fit's covariance, rolled by s = v t - a t^2 / 2."""
    rng = np.random.default_rng(3)
    # Sideways place and speed go together, as they do in a fit.
    covariance = only({(0, 0): 0.06, (0, 1): 0.06, (1, 0): 0.08, (1, 1): 0.15})
    covariance[0, 3] = covariance[3, 0] = -0.5 * 0.06 * 0.08
    one = stretch(x_m, velocity, covariance=covariance, seen_s=1.6)
    drawn = rng.multivariate_normal(one.coefficients.ravel(), covariance, 20_000)
    x0, y0, vx, vy = drawn[:, 0], drawn[:, 1], drawn[:, 3], drawn[:, 4]
    # All roll over the line well within what was seen; sideways along each one's own way.
    speed, half_loss = np.hypot(vx, vy), 0.5
    way = (LINE_Y_M - y0) * speed / vy
    time = (speed - np.sqrt(speed**2 - 4 * half_loss * way)) / (2 * half_loss)
    gone = speed * time - half_loss * time**2
    sides = x0 + vx / speed * gone + rng.normal(0, 0.02, len(drawn))
    inside = np.abs(sides) <= ROOM_M
    found = measured(one)
    assert found.p_inside == pytest.approx(inside.mean(), abs=0.04)
    meets = ~inside & (np.abs(sides) <= HALF_M + 0.3 + RADIUS_M)
    assert found.p_hit <= meets.mean() + 0.04
    assert found.p_make == pytest.approx(inside.mean() + 0.5 * found.p_hit, abs=0.05)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("x_m", [HALF_M, HALF_M + 0.25, HALF_M + RADIUS_M + MARKER_M - 0.05])
def test_a_ball_at_a_marker_is_asked_about_until_it_was_seen_past_it(x_m: float, side: int) -> None:
    lost_at_line = measured(stretch(side * x_m, covariance=only({(0, 0): 0.01}), seen_s=0.7))
    assert lost_at_line.p_hit > 0.6
    assert 0.05 < lost_at_line.p_make < 0.95
    past = measured(stretch(side * x_m, covariance=only({(0, 0): 0.01}), seen_s=0.95))
    assert past.p_hit < 0.01
    assert past.p_make == pytest.approx(past.p_inside * past.p_reached, abs=0.01)
