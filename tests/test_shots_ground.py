"""When balls left a place, by appearance alone; and which of them were kicked."""

from __future__ import annotations

import numpy as np
import pytest

from shoegoal.ball.free_motion import FreeStretch, Motion
from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.ground import _is_a_kick, departures_s
from shoegoal.shots.runs import Run
from shoegoal.shots.segments import Segment
from shoegoal.types import Detection


def seen(time_s: float, x_px: float = 100.0) -> Detection:
    return Detection(time_s, x_px, 200.0, 30.0, 0.4, 0.8)


def left(before_s: float, score: float = 0.99, *, arrived: bool = False) -> RestingBall:
    return RestingBall(seen(before_s), before_s, before_s + 1.0, arrived, score)


@pytest.mark.parametrize(
    ("resting", "found"),
    [
        ([left(2.0)], [2.0]),
        ([left(2.0, arrived=True)], []),  # it came
        ([left(2.0, 0.97), left(9.0, 0.985)], [9.0]),  # surely a ball from 0.98 on
        ([left(2.0), left(2.75)], [2.0]),  # two sightings of one departure
        ([left(2.0), left(2.85)], [2.0, 2.85]),
    ],
)
def test_balls_that_left(resting: list[RestingBall], found: list[float]) -> None:
    assert departures_s(BallRecord((), tuple(resting))) == found


@pytest.mark.parametrize(("lay_s", "counts"), [(0.2, False), (0.4, True)])
def test_a_ball_that_was_followed_as_it_left(lay_s: float, counts: bool) -> None:
    """It counts if it lay for three tenths of a second first."""
    lying = [seen(5.0 + k / 30) for k in range(round(lay_s * 30) + 1)]
    away = [seen(lying[-1].time_s + k / 30, 100.0 + 12.0 * k) for k in range(1, 12)]
    times = departures_s(BallRecord((BallTrack((*lying, *away), 0.99),), ()))
    assert [time_s == pytest.approx(5.0 + lay_s, abs=0.05) for time_s in times] == [True] * counts


@pytest.mark.parametrize(
    ("speed_mps", "log_odds", "kicked"),
    [(1.6, 3.0, True), (1.4, 3.0, False), (1.6, 1.9, False), (1.6, 2.1, True)],
)
def test_a_kick_sends_a_ball_off_at_a_metre_and_a_half_a_second(
    speed_mps: float, log_odds: float, kicked: bool
) -> None:
    """A slower thing that leaves may be a limb (common practice, no source)."""

    def segment(motion: Motion, start_s: float, mps: float) -> Segment:
        coefficients = np.zeros((3, 3))
        coefficients[1, 1] = mps
        both = (seen(start_s), seen(start_s + 1.0))
        way = FreeStretch(motion, both, start_s, coefficients, np.zeros((9, 9)), 1.0, 0.11)
        return Segment(way, start_s, start_s + 1, start_s, start_s + 1, 0, log_odds, start_s + 1)

    lay, left_it = segment(Motion.LIES, 0.0, 0.0), segment(Motion.ROLLS, 1.0, speed_mps)
    run = Run((1,), (left_it,), (), (), (), lay, 1.0, 1.0, 0.0)
    assert _is_a_kick(run) is kicked
