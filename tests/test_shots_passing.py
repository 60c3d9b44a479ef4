"""Crossings and stops that were seen: on ways laid out by hand, seen through OpenCV's camera."""

from __future__ import annotations

import numpy as np
import pytest

from ball_pictures import F64
from kick_simulation import CAMERA, RADIUS_M
from scene_simulation import ball_disc
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.passing import first_stop, seen_behind, seen_passing, seen_stop
from shoegoal.types import BallSighting

LINE_Y_M = 9.0
GOAL = GoalFrame((-1.5, LINE_Y_M), (1.5, LINE_Y_M))


def seen(way_m: F64, rate_hz: float = 30.0, lift_m: float = 0.0) -> tuple[BallSighting, ...]:
    """A ball on goal-frame ground points (N, 2), one picture each."""
    found = []
    for k, (x, y) in enumerate(way_m):
        place = np.array([x, LINE_Y_M - y, RADIUS_M + lift_m])
        (u, v), size = ball_disc(CAMERA, place, 2 * RADIUS_M)
        found.append(BallSighting(1.0 + k / rate_hz, float(u), float(v), float(size), 0.3, 0.6))
    return tuple(found)


def straight(start: tuple[float, float], end: tuple[float, float], n: int = 40) -> F64:
    return np.linspace(start, end, n)


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize("at_line_m", [0.0, 0.7, 1.6])
def test_a_straight_way_is_read_off_where_it_meets_the_line(side: float, at_line_m: float) -> None:
    way = straight((0.0, 3.0), (2 * side * at_line_m, -3.0))
    passing = seen_passing(seen(way), RADIUS_M, CAMERA, GOAL, ())
    assert passing is not None and passing.seen_after
    assert passing.x_m == pytest.approx(side * at_line_m, abs=0.02)
    assert passing.time_s == pytest.approx(1.0 + 19.5 / 30, abs=0.02)
    assert passing.depths_m[0] > 2.0


@pytest.mark.parametrize(("turned_to_m", "is_inside"), [(0.9, True), (2.3, False)])
def test_a_ball_that_a_marker_turns_aside_is_read_off_past_it(
    turned_to_m: float, is_inside: bool
) -> None:
    way = np.concatenate(
        [straight((0.5, 3.0), (1.5, 0.05), 20), straight((1.5, 0.0), (turned_to_m, -1.0), 12)]
    )
    passing = seen_passing(seen(way), RADIUS_M, CAMERA, GOAL, ())
    assert passing is not None and passing.seen_after
    assert passing.x_m == pytest.approx(1.5, abs=0.06)
    assert passing.depths_m[0] > 0.5


@pytest.mark.parametrize("back_to_m", [0.8, 1.4])
@pytest.mark.parametrize("wall_m", [0.6, 1.3])
def test_a_ball_that_soon_comes_back_from_a_wall_crossed_on_its_way_there(
    wall_m: float, back_to_m: float
) -> None:
    """At 6 m/s to a wall and back at half of that, going on sideways: it crossed at 0.5 m."""
    there = straight((0.0, 3.0), (0.5 + wall_m / 6, -wall_m), round((3 + wall_m) / 6 * 30))
    way = np.concatenate([there, straight((0.5 + wall_m / 6, -wall_m), (back_to_m, 0.4), 12)[1:]])
    passing = seen_passing(seen(way), RADIUS_M, CAMERA, GOAL, ())
    assert passing is not None
    assert passing.x_m == pytest.approx(0.5, abs=0.05)


def test_a_ball_in_the_air_or_unseen_at_the_line_is_not_read_off() -> None:
    way = straight((0.0, 3.0), (0.0, -3.0))
    assert seen_passing(seen(way, lift_m=0.6), RADIUS_M, CAMERA, GOAL, ()) is None
    balls = seen(way)
    hidden = tuple(s for s in balls if not 1.4 < s.time_s < 1.9)
    assert seen_passing(hidden, RADIUS_M, CAMERA, GOAL, ()) is None
    assert seen_passing(balls[:15], RADIUS_M, CAMERA, GOAL, ()) is None


@pytest.mark.parametrize("short_m", [0.15, 1.0, -0.3])
def test_a_ball_that_stops_and_is_dribbled_on_has_stopped_where_it_did(short_m: float) -> None:
    """Rolled by s = v t - a t^2 / 2 to its stop, there for half a second, then taken along."""
    t = np.arange(0.0, 2.0, 1 / 30)
    gone = 3.0 * t - 0.75 * t**2  # stops after 2 s and 3 m
    rolled = np.column_stack([0 * gone, 3.0 + short_m - gone])
    lying = np.repeat([[0.0, short_m]], 15, axis=0)
    dribbled = straight((0.0, short_m), (0.3, -3.0), 40)
    balls = seen(np.concatenate([rolled, lying, dribbled]))
    if short_m > 0:
        assert seen_passing(balls, RADIUS_M, CAMERA, GOAL, ()) is None
    stop = seen_stop(balls, RADIUS_M, CAMERA, GOAL, ())
    assert stop is not None
    assert stop[0] == pytest.approx(short_m, abs=0.1)


def test_a_ball_that_came_back_is_not_said_to_have_stopped_short() -> None:
    way = np.concatenate(
        [straight((0, 3.0), (0, 0.2), 20), straight((0, 0.2), (0, 1.5), 20), [[0, 1.5]] * 20]
    )
    assert first_stop(1.0 + np.arange(len(way)) / 30, way) is not None
    assert seen_stop(seen(way), RADIUS_M, CAMERA, GOAL, ()) is None


@pytest.mark.parametrize(("y_m", "lift_m", "behind"), [(-1.0, 0, 1), (0.3, 0, 0), (-1.0, 0.7, 0)])
def test_a_ball_seen_behind_the_line_was_there(y_m: float, lift_m: float, behind: int) -> None:
    balls = seen(np.array([[0.2, y_m]] * 3), lift_m=lift_m)
    assert seen_behind(balls, RADIUS_M, CAMERA, GOAL, ()) is bool(behind)
