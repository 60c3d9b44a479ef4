"""Touches, losses and doubts from made-up ways of the ball; rows against plain enumeration."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from shoegoal.ball.watch import BallRecord
from shoegoal.scene.camera import Camera
from shoegoal.shots.dribble import dribbled_trajectories
from shoegoal.shots.touches import Dribbled, FootSeen, find_touches
from shoegoal.types import Call, EventKind, Shot
from touch_simulation import BALL_M, RATE_HZ, SIZE_PX, record_of, sightings_of, to_and_fro

PICTURE_PX = (1280, 720)
EVENLY_S = [0.5 + 0.45 * i for i in range(12)]


def dribbled(record: BallRecord, end_s: float = 10.0, apart: float | None = 0.8) -> Dribbled:
    def foot(*_: object) -> FootSeen | None:
        return None if apart is None else FootSeen("right", apart)

    return find_touches(dribbled_trajectories(record, PICTURE_PX), foot, (0.0, end_s))


def touches_of(found: Dribbled) -> list[Shot]:
    return [e for e in found.events if e.kind is EventKind.TOUCH]


def losses_of(found: Dribbled) -> list[Shot]:
    return [e for e in found.events if e.kind is EventKind.LOSS]


def moving(places: np.ndarray) -> int:
    """Number of the first frame in which the ball has left its place."""
    return int(np.argmax(np.abs(places[:, 0] - places[0, 0]) > 0.1 * SIZE_PX)) - 1


def dribble(touches_s: Sequence[float], **how: float) -> BallRecord:
    places = to_and_fro(touches_s, **how)
    first = moving(places) - 1  # a ball is followed from when it still lay
    return record_of(sightings_of(places[first:], first / RATE_HZ))


def test_clear_touches_are_all_counted_and_surely() -> None:
    found = dribbled(dribble(EVENLY_S))
    events = touches_of(found)
    assert [e.kick_time_s for e in events] == pytest.approx(EVENLY_S, abs=0.06)
    assert all(e.call is Call.MAKE and e.p_make > 0.999 for e in events)
    assert [e.number for e in found.events] == list(range(1, 13))
    assert not losses_of(found)
    assert found.doubts == ()


def test_a_bend_without_a_foot_is_no_touch_and_is_said_so() -> None:
    found = dribbled(dribble(EVENLY_S), apart=3.0)
    assert not touches_of(found)
    assert len(found.left_out) == 12
    assert "no foot was near" in found.left_out[0].why


@pytest.mark.parametrize("apart", [1.7, None])
def test_a_foot_that_is_not_at_the_ball_or_not_seen_makes_unsure(apart: float | None) -> None:
    events = touches_of(dribbled(dribble(EVENLY_S), apart=apart))
    assert len(events) == 12
    assert all(e.call is Call.UNSURE and "touched?" in e.reason for e in events)


def test_a_ball_that_gets_away_is_lost_once_and_a_near_one_is_not() -> None:
    places = to_and_fro(EVENLY_S[:6])
    t = np.arange(60) / RATE_HZ
    away = places[-1, 0] + np.minimum(8.0, 6.0 * t) * SIZE_PX
    places = np.vstack([places, np.column_stack([away, np.full(60, 400.0)])])
    back = to_and_fro([0.3, 0.8, 1.2, 1.7], swing=1.2)
    places = np.vstack([places, back - back[0] + places[-1]])
    first = moving(places)
    found = dribbled(record_of(sightings_of(places[first:], first / RATE_HZ)))
    (loss,) = losses_of(found)
    assert loss.p_make > 0.99
    assert loss.call is Call.MAKE
    assert "balls away" in loss.reason
    assert not losses_of(dribbled(dribble(EVENLY_S, swing=1.6)))


def test_a_pause_of_four_seconds_ends_the_row() -> None:
    times = [0.5, 0.95, 1.4, 5.6, 6.05, 6.5]
    places = to_and_fro(times)
    at_s = np.arange(len(places)) / RATE_HZ
    places[(at_s > 1.4) & (at_s < 5.6)] = places[42]  # it lies where the third touch stopped it
    first = moving(places)
    (loss,) = losses_of(dribbled(record_of(sightings_of(places[first:], first / RATE_HZ))))
    assert "no touch for" in loss.reason


def test_a_gap_in_the_beat_is_asked_about() -> None:
    found = dribbled(dribble([0.5, 0.95, 1.4, 1.85, 2.75, 3.2, 3.65]))
    (asked,) = [e for e in touches_of(found) if e.call is Call.UNSURE]
    assert 1.85 < asked.kick_time_s < 2.75
    assert "longer gap" in asked.reason


def test_a_start_that_was_not_seen_is_asked_about() -> None:
    places = to_and_fro(EVENLY_S)[20:]
    found = dribbled(record_of(sightings_of(places, 20 / RATE_HZ), lay=False))
    first = touches_of(found)[0]
    assert first.call is Call.UNSURE
    assert "touched just before" in first.reason


def test_a_ball_that_rolls_out_of_sight_leaves_a_doubt() -> None:
    t = np.arange(30) / RATE_HZ
    places = np.vstack(
        [to_and_fro(EVENLY_S[:5])[:75], np.column_stack([700 + 300 * t, np.full(30, 400.0)])]
    )
    first = moving(places)
    (doubt,) = dribbled(record_of(sightings_of(places[first:], first / RATE_HZ))).doubts
    assert doubt.until_s == 10.0
    assert "out of sight" in doubt.why


def test_a_ball_that_hardly_swings_is_no_dribble_at_all() -> None:
    places = to_and_fro(EVENLY_S, swing=0.3)
    record = record_of(sightings_of(places[moving(places) :], 0.5, noise=0.06))
    assert dribbled_trajectories(record, PICTURE_PX) == []


def test_a_swing_towards_the_camera_is_measured_over_the_ground() -> None:
    """Half a metre to and fro in depth, seen by a phone 0.9 m up that looks 14 degrees down."""
    camera = Camera(970.0, 639.5, 359.5, 0.9, 14.0)
    swing = to_and_fro(EVENLY_S)[:, 0] - 600.0
    away = 3.0 + 0.5 * swing / swing.max()
    way = np.column_stack([np.zeros_like(away), away, np.full_like(away, BALL_M / 2)])
    centres, sizes = camera.ball_image(way, BALL_M)
    first = moving(to_and_fro(EVENLY_S)) - 1
    seen = sightings_of(centres[first:], first / RATE_HZ, sizes_px=sizes[first:])
    events = touches_of(dribbled(record_of(seen)))
    assert [e.kick_time_s for e in events] == pytest.approx(EVENLY_S, abs=0.1)


def test_another_ball_beside_does_not_add_touches() -> None:
    record = dribble(EVENLY_S)
    other = to_and_fro([0.5, 1.0, 1.5]) + np.array([200.0, 0.0])
    beside = record_of(sightings_of(other[16:], 16 / RATE_HZ))
    both = BallRecord(record.tracks + beside.tracks, record.resting + beside.resting)
    assert len(touches_of(dribbled(both))) == 12
