"""Contacts of a dribbled ball, against motion worked out by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from shoegoal.shots.dribble import Contact, dribbled_trajectories
from touch_simulation import BALL_M, RATE_HZ, SIZE_PX, record_of, sightings_of, to_and_fro

TIMES = np.arange(60) / RATE_HZ
PICTURE_PX = (1280, 720)
PX_PER_M = SIZE_PX / BALL_M


def contacts_of(places: np.ndarray, **how: float) -> list[Contact]:
    record = record_of(sightings_of(places, **how), lay=False)  # type: ignore[arg-type]
    return [c for way in dribbled_trajectories(record, PICTURE_PX) for c in way.contacts]


def test_every_turn_is_found_when_it_happened() -> None:
    touches = [0.5, 0.95, 1.31, 1.8, 2.3, 2.66]
    found = [c.time_s for c in contacts_of(to_and_fro(touches)) if c.significance > 5]
    assert found == pytest.approx(touches, abs=1.5 / RATE_HZ)


def test_velocities_are_those_of_the_motion() -> None:
    swing_m = 1.2 * BALL_M
    found = contacts_of(to_and_fro([0.2, 1.0, 1.5]))
    turn = min(found, key=lambda c: abs(c.time_s - 1.0))
    # The ball's size is not known: its circumference is that of sizes 3 to 5.
    assert turn.before_mps[0] == pytest.approx(swing_m / 0.8, rel=0.15)
    assert turn.after_mps[0] == pytest.approx(-swing_m / 0.5, rel=0.15)


@pytest.mark.parametrize("loss_mps2", [0.0, 0.35, 0.91])
def test_a_ball_that_rolls_out_met_nothing(loss_mps2: float) -> None:
    # Constant deceleration, as the FIFA ball roll test supposes (from memory): s = v t - a t^2 / 2.
    stop_s = 1.6 / max(loss_mps2, 1e-9)
    t = np.minimum(TIMES, stop_s)
    way_m = 1.6 * t - 0.5 * loss_mps2 * t**2
    places = np.column_stack([300 + way_m * PX_PER_M, np.full(len(t), 400.0)])
    begins, *later = contacts_of(places)
    assert not np.isfinite(begins.unseen_s)
    assert all(c.change_mps < 0.6 * BALL_M for c in later)


def test_noise_alone_makes_no_contact() -> None:
    for seed in range(5):
        places = np.column_stack([300 + 80 * TIMES, np.full(60, 400.0)])
        assert len(contacts_of(places, seed=seed)) == 1


def test_a_sighting_of_another_thing_makes_no_contact() -> None:
    seen = sightings_of(np.column_stack([300 + 80 * TIMES, np.full(60, 400.0)]))
    stray = seen[20]
    seen[20] = type(stray)(stray.time_s, stray.x_px + SIZE_PX, stray.y_px, SIZE_PX, 0.5, 0.5)
    (way,) = dribbled_trajectories(record_of(seen, lay=False), PICTURE_PX)
    assert all(c.change_mps < 0.6 * BALL_M for c in way.contacts[1:])


def test_too_few_sightings_make_no_way() -> None:
    assert dribbled_trajectories(record_of(sightings_of(to_and_fro([0.5]))[:2]), PICTURE_PX) == []
