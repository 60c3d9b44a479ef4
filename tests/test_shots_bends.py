"""Bends of a way, against motion worked out by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from shoegoal.ball.free_motion import GRAVITY_MPS2
from shoegoal.shots.bends import bends_between, find_legs, without_strays
from touch_simulation import BALL_M, RATE_HZ, SIZE_PX, sightings_of, to_and_fro

TIMES = np.arange(60) / RATE_HZ


def bends_of(places: np.ndarray, **how: float) -> list[float]:
    legs = find_legs(sightings_of(places, **how), BALL_M)  # type: ignore[arg-type]
    return [b.time_s for b in bends_between(legs, SIZE_PX) if b.significance > 5]


def test_every_turn_is_found_when_it_happened() -> None:
    touches = [0.5, 0.95, 1.31, 1.8, 2.3, 2.66]
    found = bends_of(to_and_fro(touches))
    assert found == pytest.approx(touches, abs=0.5 / RATE_HZ)


def test_velocities_are_those_of_the_motion() -> None:
    (before, after) = find_legs(sightings_of(to_and_fro([-2.0, 1.0, 1.5])), BALL_M)[:2]
    assert before.end_velocity == pytest.approx([1.2 / 3.0, 0.0], abs=0.1)
    assert after.start_velocity == pytest.approx([-1.2 / 0.5, 0.0], abs=0.15)


@pytest.mark.parametrize("loss_mps2", [0.0, 0.35, 0.91, 1.9])
def test_a_ball_that_rolls_out_does_not_bend(loss_mps2: float) -> None:
    # Constant deceleration, as the FIFA ball roll test supposes (from memory): s = v t - a t^2 / 2.
    stop_s = 1.6 / max(loss_mps2, 1e-9)
    t = np.minimum(TIMES, stop_s)
    way_m = 1.6 * t - 0.5 * loss_mps2 * t**2
    places = np.column_stack([300 + way_m / BALL_M * SIZE_PX, np.full(len(t), 400.0)])
    legs = find_legs(sightings_of(places), BALL_M)
    assert all(b.change < 0.6 for b in bends_between(legs, SIZE_PX))


def test_a_ball_in_the_air_does_not_bend_at_its_top() -> None:
    # A throw straight up and down: z = v t - g t^2 / 2, g by ISO 80000-3.
    height_m = 3.0 * TIMES[:18] - 0.5 * GRAVITY_MPS2 * TIMES[:18] ** 2
    places = np.column_stack([300 + 0 * height_m, 400 - height_m / BALL_M * SIZE_PX])
    (leg,) = find_legs(sightings_of(places), BALL_M)
    assert leg.flying
    assert leg.start_velocity[1] == pytest.approx(-3.0 / BALL_M, rel=0.03)


def test_noise_alone_bends_nothing() -> None:
    for seed in range(20):
        places = np.column_stack([300 + 80 * TIMES, np.full(60, 400.0)])
        legs = find_legs(sightings_of(places, seed=seed), BALL_M)
        assert len(legs) == 1


def test_a_sighting_of_another_thing_is_left_out() -> None:
    seen = sightings_of(np.column_stack([300 + 80 * TIMES, np.full(60, 400.0)]))
    stray = seen[20]
    seen[20] = type(stray)(stray.time_s, stray.x_px + SIZE_PX, stray.y_px, SIZE_PX, 0.5, 0.5)
    kept = without_strays(seen)
    assert seen[20] not in kept
    assert len(kept) == 59
    assert len(without_strays(seen[:2])) == 2


def test_too_few_sightings_make_no_leg() -> None:
    assert find_legs(sightings_of(to_and_fro([0.5]))[:2], BALL_M) == []
