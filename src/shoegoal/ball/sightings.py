"""What is kept of the ball: its ways through the picture, and the places where it lay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.ball.changes import Comparison, SettledChange
from shoegoal.ball.gauge import Place, Reading, apart_diameters, gauge_balls
from shoegoal.ball.tracks import Track, as_array
from shoegoal.types import BallSighting

MIN_SIGHTINGS = 4
MIN_STEADY_SHARE = 0.5  # of a track's sightings must be of one slowly changing size
MAX_SIZE_STEP = 0.25  # a sighting whose size is off its neighbours by more is dropped
LAY_S = 0.3  # a ball followed so long at one place lay there
LEFT_DIAMETERS = 0.15  # so far from where it was first seen, a ball has left,
LEFT_LOG_SIZE = 0.1  # or so much larger or smaller
MIN_NET_TRAVEL = 2.0  # in diameters
MIN_STRAIGHTNESS = 0.85  # net over total way
MIN_SPEED = 2.0  # in diameters per second
MOVING_SIZE_SIGMA = 0.04  # of the diameter: what motion blur and a turning shade add
LEAST_REST_SCORE = 0.9
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
    lay : the ball where it lay until it left, when that was followed.
    """

    sightings: tuple[BallSighting, ...]
    ball_score: float
    lay: BallSighting | None = None

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


def ball_track(track: Track) -> BallTrack | None:
    """Keep of a track what is of one slowly changing size; None when that is too little.

    A ball that a foot is about to meet is often found while it still lies: the way starts when it
    leaves.
    """
    rows = _from_leaving(track.sightings)
    if len(rows) < MIN_SIGHTINGS:
        return None
    keep = _steady(
        np.array([s.time_s for s in rows]),
        np.array([s.diameter_px for s in rows]),
        np.array([s.diameter_sigma_px for s in rows]),
    )
    if keep.sum() < max(MIN_SIGHTINGS, MIN_STEADY_SHARE * len(rows)):
        return None
    kept = (_on_its_way(s) for s, good in zip(rows, keep, strict=True) if good)
    return BallTrack(tuple(kept), track.ball_score, _where_it_lay(track.sightings, rows[0].time_s))


def _from_leaving(sightings: Sequence[BallSighting]) -> Sequence[BallSighting]:
    """Leave out the sightings at which the ball lay where it was first seen, but for the last."""
    first = sightings[0]
    for k, s in enumerate(sightings):
        away = np.hypot(s.x_px - first.x_px, s.y_px - first.y_px) / first.diameter_px
        grown = abs(np.log(s.diameter_px / first.diameter_px))
        if away > LEFT_DIAMETERS or grown > LEFT_LOG_SIZE:
            return sightings[max(0, k - 1) :]
    return ()


def _where_it_lay(sightings: Sequence[BallSighting], until_s: float) -> BallSighting | None:
    """Return the ball before it left, from the sightings at which it lay still."""
    lying = [s for s in sightings if s.time_s <= until_s]
    if len(lying) < MIN_SIGHTINGS or lying[-1].time_s - lying[0].time_s < LAY_S:
        return None
    return replace(lying[len(lying) // 2], time_s=lying[-1].time_s, at_rest=True)


def _on_its_way(sighting: BallSighting) -> BallSighting:
    sigma = np.hypot(sighting.diameter_sigma_px, MOVING_SIZE_SIGMA * sighting.diameter_px)
    return replace(sighting, diameter_sigma_px=float(sigma))


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
    least_px = LEAST_REST_SIZE * max(found.earlier[0].shape)
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


def _steady(
    times: npt.NDArray[np.float64],
    sizes: npt.NDArray[np.float64],
    sigmas: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Which sizes follow the track's own slow change, by medians over seven neighbours."""
    logs = np.log(sizes)
    keep = np.zeros(len(sizes), bool)
    for i in range(len(sizes)):
        near = np.argsort(np.abs(times - times[i]))[:7]
        slope = np.median(np.diff(logs[np.sort(near)]) / np.diff(times[np.sort(near)]))
        expected = np.median(logs[near] - slope * (times[near] - times[i]))
        keep[i] = abs(logs[i] - expected) <= MAX_SIZE_STEP + 2 * sigmas[i] / sizes[i]
    return keep
