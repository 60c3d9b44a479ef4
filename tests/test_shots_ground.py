"""When balls left a place, by appearance alone."""

from __future__ import annotations

import pytest

from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.ground import departures_s
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
