"""Where and whether a ball crosses the goal line: against normal integrals and plain simulation.

IFAB Laws of the Game, Law 10 (from memory): a goal is scored when the whole of the ball passes over
the goal line, between the goalposts. So the centre has to be a radius past the line's far edge, and
a radius clear of either marker's inner base.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from ball_pictures import F64
from kick_simulation import CAMERA, RADIUS_M, Kicked
from shoegoal.ball.flight import Flight
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.crossing import (
    GRID_S,
    HIT_IN,
    LINE_NOISE_M,
    MARKER_M,
    SIDE_NOISE_DIAMETERS,
    SURE,
    Crossing,
    measure_crossing,
)
from shoegoal.types import BallSighting

HALF_M = 1.5
LINE_Y_M = 9.0
START_Y_M = 4.0
WAY_M = LINE_Y_M - START_Y_M
GOAL = GoalFrame((-HALF_M, LINE_Y_M), (HALF_M, LINE_Y_M))
SIDE_NOISE_M = SIDE_NOISE_DIAMETERS * 2 * RADIUS_M


def flight(
    *,
    x_m: float = 0.0,
    velocity: tuple[float, float] = (0.0, 7.0),
    loss: float = 1.0,
    covariance: F64 | None = None,
    seen_s: float = 0.7,
) -> Flight:
    return Flight(
        kick_time_s=5.0,
        start_m=(x_m, START_Y_M),
        velocity_mps=(*velocity, 0.0),
        loss_mps2=loss,
        radius_m=RADIUS_M,
        covariance=np.zeros((7, 7)) if covariance is None else covariance,
        sightings=(),
        end_s=5.0 + seen_s,
        rms_sigmas=1.0,
        start_seen=True,
    )


def measured(one: Flight, later: tuple[BallSighting, ...] = ()) -> Crossing:
    return measure_crossing(one, CAMERA, GOAL, (), later)


def only(sigma: dict[int, float]) -> F64:
    return np.diag([sigma.get(k, 0.0) ** 2 for k in range(7)])


@pytest.mark.parametrize("x_m", [0.0, 0.8, HALF_M - RADIUS_M, HALF_M, HALF_M + RADIUS_M, 2.2])
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("sigma_m", [0.0, 0.05, 0.3])
def test_p_inside_is_a_normal_integral(x_m: float, side: int, sigma_m: float) -> None:
    found = measured(flight(x_m=side * x_m, covariance=only({1: sigma_m})))
    spread = np.hypot(sigma_m, SIDE_NOISE_M)
    room = HALF_M - RADIUS_M
    expected = norm.cdf(room, side * x_m, spread) - norm.cdf(-room, side * x_m, spread)
    assert found.p_inside == pytest.approx(expected, abs=1e-6)
    assert found.x_m is not None
    assert found.x_m.value == pytest.approx(side * x_m, abs=1e-9)
    assert found.x_m.sigma == pytest.approx(spread, rel=1e-4)


def test_a_ball_whose_side_meets_the_marker_is_a_toss_up_and_one_on_it_is_no_make() -> None:
    assert measured(flight(x_m=HALF_M - RADIUS_M)).p_inside == pytest.approx(0.5, abs=1e-6)
    assert measured(flight(x_m=HALF_M)).p_inside < 0.01  # centre over the base: a quarter outside
    assert measured(flight(x_m=HALF_M + RADIUS_M)).p_inside < 1e-6  # touching it from outside
    assert measured(flight(x_m=HALF_M - 2 * RADIUS_M)).p_inside > 0.99


@pytest.mark.parametrize("velocity", [(0.0, 7.0), (1.4, 6.0), (-1.2, 4.0)])
@pytest.mark.parametrize("loss", [0.4, 1.2])
def test_time_and_place_follow_from_constant_deceleration(
    velocity: tuple[float, float], loss: float
) -> None:
    """s = v t - a t^2 / 2 solved for t; sideways by similar triangles. Within one time step."""
    found = measured(flight(velocity=velocity, loss=loss))
    speed = float(np.hypot(*velocity))
    way = WAY_M * speed / velocity[1]
    time = (speed - np.sqrt(speed**2 - 2 * loss * way)) / loss
    assert found.time_s is not None and found.x_m is not None and found.z_m is not None
    assert found.time_s == pytest.approx(5.0 + time, abs=GRID_S)
    side = WAY_M * velocity[0] / velocity[1]
    assert found.x_m.value == pytest.approx(side, abs=abs(velocity[0]) * GRID_S + 1e-9)
    assert found.z_m.value == pytest.approx(RADIUS_M)


def stopping_at(y_m: float, seen_s: float = 6.0) -> Flight:
    """A ball whose centre comes to rest this far before the line: v^2 = 2 a s."""
    return flight(velocity=(0.0, float(np.sqrt(2 * 2.0 * (WAY_M - y_m)))), loss=2.0, seen_s=seen_s)


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
    found = measured(stopping_at(y_m))
    assert found.p_reached == pytest.approx(norm.cdf((-RADIUS_M - y_m) / LINE_NOISE_M), abs=0.01)
    assert found.last_y_m == pytest.approx(y_m, abs=0.01)
    if where == "short":
        assert found.time_s is None and found.x_m is None and not found.seen_beyond
        assert found.p_make <= 1 - SURE + 1e-9
    if where in ("touching the line", "half over"):
        assert found.p_make < 0.5
    if where == "clearly over":
        assert found.seen_beyond and found.p_make > 0.99


def test_a_ball_lost_on_its_way_is_weighed_by_how_it_rolls_on() -> None:
    fast = measured(flight(velocity=(0.0, 9.0), loss=1.0, seen_s=0.3))
    assert fast.p_reached > 0.99 and not fast.seen_beyond
    weak = measured(stopping_at(1.5, seen_s=0.4))
    assert weak.p_reached < 0.01
    spread = np.zeros((7, 7))
    spread[6, 6] = 0.5**2
    doubtful = flight(
        velocity=(0.0, float(np.sqrt(2 * 2.0 * (WAY_M + RADIUS_M)))), loss=2.0, seen_s=0.3,
        covariance=spread,
    )  # fmt: skip
    # It would just get there: half of the losses that the fit allows let it.
    assert measured(doubtful).p_reached == pytest.approx(0.5, abs=0.12)


def test_a_ball_seen_to_turn_at_the_line_has_reached_it_and_one_turned_before_is_asked_about() -> (
    None
):
    def seen(y_m: float) -> tuple[BallSighting, ...]:
        found = []
        for k in range(4):
            place = np.array([[0.1, LINE_Y_M - y_m - 0.05 * k, RADIUS_M]])
            centre, size = CAMERA.ball_image(place, 2 * RADIUS_M)
            x, y = centre[0].tolist()
            found.append(BallSighting(6.0 + k / 30, x, y, float(size[0]), 0.4, 0.8))
        return tuple(found)

    at_line = flight(seen_s=0.745)  # 4.94 m: the centre 6 cm before the line
    assert measured(at_line, seen(-0.1)).p_reached > 0.9
    early = flight(seen_s=0.4)
    # Stopped by something, or another thing taken for it: neither a make nor a miss is told.
    assert 0.05 < measured(early, seen(2.2)).p_make < 0.95


def test_p_make_is_never_surer_than_the_tracking() -> None:
    assert measured(flight()).p_make == pytest.approx(SURE)
    assert measured(flight(x_m=5.0)).p_make == pytest.approx(1 - SURE)


@pytest.mark.parametrize(
    ("velocity", "x_m"), [((0.0, 6.0), 1.2), ((0.9, 6.0), 0.55), ((-1.0, 4.5), -0.2)]
)
def test_p_make_agrees_with_simulation(velocity: tuple[float, float], x_m: float) -> None:
    """20 000 balls drawn from the fit's covariance, rolled by s = v t - a t^2 / 2."""
    rng = np.random.default_rng(3)
    # Sideways place and speed go together, as they do in a fit.
    covariance = only({0: 0.01, 1: 0.06, 2: 0.06, 3: 0.08, 4: 0.15, 6: 0.3})
    covariance[1, 3] = covariance[3, 1] = -0.5 * 0.06 * 0.08
    one = flight(x_m=x_m, velocity=velocity, covariance=covariance, seen_s=1.0)
    drawn = rng.multivariate_normal(one.parameters, covariance, 20_000)
    _, x0, y0, vx, vy, _, loss = drawn.T
    speed = np.hypot(vx, vy)
    sides = x0 + vx / vy * (LINE_Y_M - y0) + rng.normal(0, SIDE_NOISE_M, len(drawn))
    whole = speed**2 / (2 * np.maximum(loss, 1e-6)) * vy / speed >= LINE_Y_M - y0 + RADIUS_M
    inside = np.abs(sides) <= HALF_M - RADIUS_M
    found = measured(one)
    assert found.p_inside == pytest.approx(inside.mean(), abs=0.04)
    # Balls that meet a marker may go in or out: they count for HIT_IN of a make.
    meets = ~inside & (np.abs(sides) <= HALF_M + MARKER_M + RADIUS_M)
    assert found.p_hit <= meets.mean() + 0.04
    expected = ((inside + HIT_IN * (found.p_hit / max(1e-9, meets.mean())) * meets) * whole).mean()
    assert found.p_make == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("x_m", [HALF_M, HALF_M + 0.25, HALF_M + RADIUS_M + MARKER_M - 0.05])
def test_a_ball_at_a_marker_is_asked_about_until_it_was_seen_past_it(x_m: float, side: int) -> None:
    spread = only({1: 0.01})
    lost_at_line = measured(flight(x_m=side * x_m, covariance=spread, seen_s=0.7))
    assert lost_at_line.p_hit > 0.6
    assert 0.05 < lost_at_line.p_make < 0.95
    past = measured(flight(x_m=side * x_m, covariance=spread, seen_s=0.95))  # 1 m past
    assert past.p_hit < 0.01
    assert past.p_make == pytest.approx(past.p_inside * past.p_reached, abs=0.01)


def test_the_spread_of_the_crossing_covers_what_fits_get_wrong() -> None:
    """Oblique kicks drawn through OpenCV's camera, fitted and carried to the line."""
    off_m, off_sigmas = [], []
    for seed in range(12):
        side = (-1.2, 0.4, 1.6)[seed % 3]
        kicked = Kicked((side * 1.3, 6.5, 0.0))
        fitted = kicked.fitted(seed, 1.0)
        found = measured(fitted)
        assert found.x_m is not None
        truth = 0.3 + (LINE_Y_M - 3.0) * side * 1.3 / 6.5
        off_m.append(found.x_m.value - truth)
        off_sigmas.append(off_m[-1] / found.x_m.sigma)
    assert np.abs(off_m).max() < 0.12  # about half a ball
    assert np.abs(off_sigmas).max() < 3.5
    assert np.sqrt(np.mean(np.square(off_sigmas))) < 1.5
