"""The rendered ball obeys mechanics: closed forms of any textbook, and the laws of the game."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from truth.arrays import Floats
from truth.motion import (
    CIRCUMFERENCE_M,
    GOINGS,
    GRAVITY_MPS2,
    MASS_KG,
    RATE_HZ,
    SHELL,
    BallBody,
    Going,
    roll_along,
    roll_deceleration_mps2,
    run_ball,
)

NOTHING = np.zeros((0, 4))


def march(
    start: list[float],
    velocity: list[float],
    going: list[float],
    radius: float = 0.11,
    drag: float = 0.0,
    walls: Floats = NOTHING,
    steps: int = 6000,
) -> tuple[Floats, Floats, Floats]:
    path, turns, speeds = np.zeros((steps, 3)), np.zeros((steps, 3, 3)), np.zeros((steps, 3))
    n, *_ = run_ball(
        np.array(start, float),
        np.array(velocity, float),
        np.zeros(3),
        np.eye(3),
        radius,
        drag,
        np.array(going, float),
        False,
        walls,
        NOTHING,
        np.zeros(4),
        steps,
        path,
        turns,
        speeds,
    )
    return path[:n], turns[:n], speeds[:n]


def body(going: Going, walls: Floats = NOTHING) -> BallBody:
    return BallBody(5, going, False, walls, NOTHING)


def test_size_5_lies_in_law_2_of_the_game() -> None:
    # IFAB Laws of the Game, Law 2: circumference 68-70 cm, mass 410-450 g.
    assert 0.68 <= CIRCUMFERENCE_M[5] <= 0.70
    assert 0.410 <= MASS_KG[5] <= 0.450
    assert_allclose(2 * math.pi * body(GOINGS["grass"]).radius_m, CIRCUMFERENCE_M[5])


@pytest.mark.parametrize("roll_m", [4.0, 6.5, 10.0])
def test_ball_off_the_standard_ramp_rolls_the_band_of_the_turf_handbook(roll_m: float) -> None:
    # FIFA Quality Programme ball roll: 45 degree ramp, 1 m, 4-10 m (from memory). A rolling shell
    # leaves the ramp at v^2 = 2 g h / (1 + 2/3).
    speed = math.sqrt(2.0 * GRAVITY_MPS2 * 1.0 / (1.0 + SHELL))
    going = Going(roll_deceleration_mps2(roll_m), 0.5, 0.5)
    b = body(going)
    run = b.launch(np.array([0.0, 0.0, b.radius_m]), np.array([0.0, speed, 0.0]), 1.0)
    assert_allclose(run.path_m[-1, 1], roll_m, rtol=1e-3)


def test_grass_lies_in_the_turf_band() -> None:
    band = roll_deceleration_mps2(10.0), roll_deceleration_mps2(4.0)
    assert band[0] <= GOINGS["grass"].roll_mps2 <= band[1]


def test_rolling_stops_after_v_squared_over_2a() -> None:
    b = body(Going(0.8, 0.5, 0.5))
    run = b.launch(np.array([0.0, 0.0, b.radius_m]), np.array([3.0, 4.0, 0.0]), 1.0)
    assert_allclose(np.linalg.norm(run.path_m[-1, :2]), 25.0 / (2 * 0.8), rtol=1e-3)
    assert_allclose(run.duration_s, 5.0 / 0.8, rtol=1e-2)


def test_flight_without_air_has_the_ballistic_range() -> None:
    v, angle, r = 12.0, math.radians(35.0), 0.11
    path, _, _ = march([0, 0, r], [0, v * math.cos(angle), v * math.sin(angle)], [0.5, 0.4, 0.3], r)
    down = np.flatnonzero(np.diff(path[:, 2]) > 0)
    first = int(down[down > 50][np.flatnonzero(np.diff(down[down > 50]) > 1)[0] + 1])
    # Between the lowest samples the touch lies within one step of travel.
    reach = v * v * math.sin(2 * angle) / GRAVITY_MPS2
    assert abs(path[first, 1] - reach) < v * math.cos(angle) / RATE_HZ * 1.01
    top = path[: first // 1, 2].max()
    assert_allclose(top - r, (v * math.sin(angle)) ** 2 / (2 * GRAVITY_MPS2), rtol=1e-4)


def test_bounce_height_is_restitution_squared() -> None:
    e, r = 0.62, 0.11
    path, _, _ = march([0, 0, r + 1.0], [0, 0, 0], [0.5, e, 0.3], r)
    height = path[:, 2] - r
    lows = np.flatnonzero((height[1:-1] < height[:-2]) & (height[1:-1] <= height[2:])) + 1
    first, second = height[lows[0] : lows[1]].max(), height[lows[1] : lows[2]].max()
    assert_allclose(first, e**2, rtol=2e-3)
    assert_allclose(second, e**4, rtol=4e-3)


def test_a_sliding_shell_ends_rolling_at_three_fifths_of_its_speed() -> None:
    # Angular momentum about the contact line: v' = v / (1 + 2/3), any mechanics text.
    r = 0.11
    path, turns, speeds = march([0, 0, r], [0, 5.0, 0], [0.0, 0.5, 0.5], r, steps=1500)
    assert_allclose(speeds[-1, 1], 3.0, rtol=5e-3)
    moved = path[-1, 1] - path[-96, 1]
    step = turns[-1] @ turns[-96].T
    angle = math.acos(float(np.clip((np.trace(step) - 1) / 2, -1, 1)))
    turned = moved / r
    assert_allclose(math.cos(angle), math.cos(turned), atol=2e-2)


def test_fall_through_air_follows_the_tanh_law() -> None:
    # v = vt tanh(g t / vt) for quadratic drag with a constant coefficient (0.43 below 12 m/s).
    r = CIRCUMFERENCE_M[5] / (2 * math.pi)
    k = 0.5 * 1.2 * math.pi * r * r / MASS_KG[5]
    _, _, speeds = march([0, 0, 50.0], [0, 0, 0], [0.5, 0.5, 0.5], r, k, steps=769)
    end = math.sqrt(GRAVITY_MPS2 / (k * 0.43))
    assert_allclose(-speeds[768, 2], end * math.tanh(GRAVITY_MPS2 * 0.8 / end), rtol=1e-3)


def test_wall_gives_back_its_share_and_ball_stays_in_front() -> None:
    r, wall_y, e = 0.11, 3.0, 0.58
    walls = np.array([[1.0, wall_y, 2.0, e]])
    path, _, speeds = march([0, 0, r], [0, 4.0, 0], [0.0, 0.5, 0.0], r, walls=walls, steps=1500)
    assert path[:, 1].max() <= wall_y - r + 4.0 / RATE_HZ
    assert_allclose(speeds[-1, 1], -e * 4.0, rtol=1e-9)


def test_a_led_ball_turns_by_distance_over_radius() -> None:
    r = 0.1
    line = np.stack([np.linspace(0, 0.25 * math.pi * r * 2, 50), np.zeros(50), np.full(50, r)], 1)
    # A quarter of the circumference along +x takes the top of the ball to the front.
    turned = roll_along(line, np.eye(3), r)[-1] @ np.array([0.0, 0.0, 1.0])
    assert_allclose(turned, [1.0, 0.0, 0.0], atol=1e-9)
