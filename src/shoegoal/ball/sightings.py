"""What is kept of the ball: its ways through the picture, and the places where it lay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shoegoal.ball.changes import Comparison, SettledChange
from shoegoal.ball.gauge import Place, Reading, apart_diameters, gauge_balls
from shoegoal.ball.tracks import Track, as_array
from shoegoal.types import BallSighting

MIN_SIGHTINGS = 4
LAY_S = 0.3  # followed so long at one place, a ball lay there
LEFT_DIAMETERS = 0.15  # so far from where it was first seen, a ball has left,
LEFT_LOG_SIZE = 0.1  # or so much larger or smaller
MIN_NET_TRAVEL = 2.0  # in diameters
MIN_STRAIGHTNESS = 0.85  # net over total way
MIN_SPEED = 2.0  # in diameters per second
LEAST_REST_SCORE = 0.9
LIKE_A_BALL = 0.85  # a whole track's score, from which on it is probably a ball's
SURELY_A_BALL = 0.98  # where nothing else tells
LEAST_REST_SIZE = 0.006  # of the picture's long side: smaller things cannot be told
SAME_EVENT_DIAMETERS = 0.5
SAME_BALL_DIAMETERS = 0.35  # a ball found in both pictures, no further apart, has not moved


@dataclass(frozen=True, slots=True)
class BallTrack:
    """One uninterrupted way of something ball-like.

    Attributes
    ----------
    sightings : in order of time, at least ``MIN_SIGHTINGS``.
    ball_score : how surely it is a ball, 0..1.
    """

    sightings: tuple[BallSighting, ...]
    ball_score: float

    @property
    def start_s(self) -> float:
        """Time of the first sighting."""
        return self.sightings[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last sighting."""
        return self.sightings[-1].time_s


@dataclass(frozen=True, slots=True)
class RestingBall:
    """Something ball-like that came to rest (``arrived``) or left its place.

    Attributes
    ----------
    sighting : its measured disc; ``time_s`` is ``before_s`` for one that left and ``after_s``
        for one that arrived.
    before_s, after_s : the change happened between these times.
    arrived : True when the later picture holds the ball, False when the earlier one does.
    ball_score : how surely it is a ball, 0..1.
    """

    sighting: BallSighting
    before_s: float
    after_s: float
    arrived: bool
    ball_score: float


def ball_track(track: Track) -> BallTrack:
    """Write a linked track down."""
    return BallTrack(
        tuple(replace(s.sighting, ball_score=s.ball_score) for s in track.seen), track.ball_score
    )


def since_it_left(sightings: Sequence[BallSighting]) -> Sequence[BallSighting]:
    """Leave out the sightings at which the ball lay where it was first seen, but for the last."""
    first = sightings[0]
    for k, s in enumerate(sightings):
        away = np.hypot(s.x_px - first.x_px, s.y_px - first.y_px) / first.diameter_px
        grown = abs(np.log(s.diameter_px / first.diameter_px))
        if away > LEFT_DIAMETERS or grown > LEFT_LOG_SIZE:
            return sightings[max(0, k - 1) :]
    return ()


def runs_straight(sightings: Sequence[BallSighting]) -> bool:
    """Whether something moved straight on, as a ball does and a limb or head seldom does.

    Judged on the way to the farthest point: a ball may then rebound, stop or be fetched.
    """
    rows = as_array(sightings)
    away = np.hypot(rows[:, 1] - rows[0, 1], rows[:, 2] - rows[0, 2])
    end = int(np.argmax(away)) + 1
    if end < MIN_SIGHTINGS:
        return False
    size = float(np.median(rows[:end, 3]))
    few = rows[np.unique(np.linspace(0, end - 1, 8).astype(int)), 1:3]
    way = float(np.hypot(*np.diff(few, axis=0).T).sum())
    seconds = float(rows[end - 1, 0] - rows[0, 0])
    net = float(away[end - 1])
    return (
        net >= MIN_NET_TRAVEL * size
        and net >= MIN_STRAIGHTNESS * way
        and net >= MIN_SPEED * size * seconds
    )


def resting_balls(found: Comparison) -> list[RestingBall]:
    """Read the gauge on every settled change: which are balls that came or went."""
    guesses = [change.guess_px for change in found.changes]
    old = gauge_balls(found.earlier, found.later, guesses)
    new = gauge_balls(found.later, found.earlier, guesses)
    least_px = LEAST_REST_SIZE * max(found.earlier.planes[0].shape)
    balls = []
    for change, before, after in zip(found.changes, old, new, strict=True):
        was, came = (
            r.ball_score >= LEAST_REST_SCORE and r.diameter_px >= least_px for r in (before, after)
        )
        if was and came and apart_diameters(before.place, after.place) <= SAME_BALL_DIAMETERS:
            continue
        if was:
            balls.append(_resting(change, before, arrived=False))
        if came:
            balls.append(_resting(change, after, arrived=True))
    return balls


def _resting(change: SettledChange, reading: Reading, *, arrived: bool) -> RestingBall:
    time_s = change.after_s if arrived else change.before_s
    sighting = reading.sighting(time_s, at_rest=True)
    return RestingBall(sighting, change.before_s, change.after_s, arrived, reading.ball_score)


def same_event(a: RestingBall, b: RestingBall) -> bool:
    """Whether two readings tell of one ball coming or going."""
    apart = apart_diameters(place_of(a.sighting), place_of(b.sighting))
    return (
        a.arrived == b.arrived
        and apart <= SAME_EVENT_DIAMETERS
        and a.before_s <= b.after_s
        and b.before_s <= a.after_s
    )


def apart_px(a: BallSighting, b: BallSighting) -> float:
    """Distance between the middles of two discs, px."""
    return float(np.hypot(a.x_px - b.x_px, a.y_px - b.y_px))


def place_of(sighting: BallSighting) -> Place:
    """Where a sighting is and how large, as a guess for the gauge."""
    return sighting.x_px, sighting.y_px, sighting.diameter_px
