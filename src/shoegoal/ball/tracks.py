"""Tracks: detections linked over time, what is kept of them, and where balls lay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import takewhile
from math import hypot, log
from statistics import fmean, median

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from shoegoal.ball.background import BackgroundChange, Comparison
from shoegoal.ball.ball_net import apart_diameters, measure_balls
from shoegoal.types import Detection

MAX_GAP_S = 0.25  # a ball hidden for longer starts a new track
FIRST_REACH = 3.2  # in diameters per 1/30 s: about 20 m/s for a size-5 ball
REACH = 0.7  # in diameters, round the predicted place
MAX_CHANGE = 0.25  # of the speed, between two frames
MAX_RATIO = 1.8  # between the sizes of one ball in two neighbouring frames
MAX_ROUGHNESS = 0.35  # in diameters: median bend of the path over three neighbouring sightings
MIN_SEEN = 4
MIN_TRAVEL = 1.2  # in diameters
STOPPED_S, STOPPED_TRAVEL = 0.6, 0.2  # in diameters: a ball that rests is not followed further
TOLD_EVERY_S = 1.5
LEAVES = 0.15  # in diameters, from one sighting to the next
NO_MATCH = 1e6
MIN_SIGHTINGS = 4
LAY_S = 0.3  # a ball followed for this long at one place lay there
LEFT_DIAMETERS = 0.15  # a ball this far from where it was first seen has left,
LEFT_LOG_SIZE = 0.1  # and so has one this much larger or smaller
MIN_NET_TRAVEL = 2.0  # in diameters
MIN_STRAIGHTNESS = 0.85  # net over total way
MIN_SPEED = 2.0  # in diameters per second
LEAST_REST_SCORE = 0.9
LIKE_A_BALL = 0.85  # least score of a whole track that is probably a ball's
SURELY_A_BALL = 0.98  # where there is nothing else to go by
LEAST_REST_SIZE = 0.006  # of the picture's long side: smaller things cannot be recognised
SAME_EVENT_DIAMETERS = 0.5
SAME_BALL_DIAMETERS = 0.35  # a ball found in both pictures, no further apart, has not moved


@dataclass(slots=True)
class Track:
    """One ball-like thing on its way, oldest first.

    Attributes
    ----------
    told_s : time up to which it has been handed out while still under way.
    """

    seen: list[Detection] = field(default_factory=list)
    told_s: float = float("-inf")

    @property
    def start_s(self) -> float:
        """Time of the first sighting."""
        return self.seen[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last sighting."""
        return self.seen[-1].time_s

    @property
    def ball_score(self) -> float:
        """How surely it is a ball, 0..1, all sightings together."""
        return fmean(s.ball_score for s in self.seen)

    def predict(self, time_s: float) -> tuple[float, float, float, float]:
        """x, y, diameter and speed (px, px, px, px/s) expected at a later time."""
        recent = self.seen[-4:]
        first, last = recent[0], recent[-1]
        if first is last:
            return last.x_px, last.y_px, last.diameter_px, 0.0
        span = last.time_s - first.time_s
        vx, vy = (last.x_px - first.x_px) / span, (last.y_px - first.y_px) / span
        ahead = time_s - last.time_s
        size = median(s.diameter_px for s in recent)
        return last.x_px + vx * ahead, last.y_px + vy * ahead, size, hypot(vx, vy)

    def has_stopped(self) -> bool:
        """Whether it has hardly moved for a while."""
        if self.start_s > self.end_s - STOPPED_S:
            return False
        return _travel(self.lately()) <= STOPPED_TRAVEL

    def lately(self) -> list[Detection]:
        """Return what was seen in the last ``STOPPED_S``; from the end, as tracks may be long."""
        since_s = self.end_s - STOPPED_S
        late = takewhile(lambda s: s.time_s >= since_s, reversed(self.seen))
        return list(late)[::-1]


class TrackLinker:
    """Links sightings frame by frame with the assignment of least cost.

    Memory is bounded: a track that has ended is handed out once and forgotten.

    Parameters
    ----------
    least_travel : in diameters; shorter tracks are not handed out.
    """

    def __init__(self, least_travel: float = MIN_TRAVEL) -> None:
        self._least_travel = least_travel
        self._open: list[Track] = []
        self._done: list[Track] = []

    def expected(self, time_s: float) -> list[tuple[float, float, float]]:
        """x, y, diameter (px) at which the balls now on their way should be seen."""
        return [
            track.predict(time_s)[:3]
            for track in self._open
            if len(track.seen) >= MIN_SEEN and not track.has_stopped()
        ]

    def under_way(self) -> list[Track]:
        """Return tracks that have run ``TOLD_EVERY_S`` since they were last handed out."""
        due = []
        for track in self._open:
            if len(track.seen) >= MIN_SEEN and (
                track.end_s - max(track.told_s, track.start_s) >= TOLD_EVERY_S
            ):
                track.told_s = track.end_s
                due.append(track)
        return due

    def update(self, seen: Sequence[Detection], time_s: float) -> list[Track]:
        """Take one frame's sightings; return the tracks that ended and are worth a look."""
        free = set(range(len(seen)))
        if self._open and seen:
            cost = np.array([_costs(t, seen, time_s) for t in self._open])
            rows, columns = linear_sum_assignment(cost)
            for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
                if cost[row, column] < NO_MATCH:
                    self._go_on(row, seen[column])
                    free.discard(column)
        self._open.extend(Track([seen[i]]) for i in sorted(free))
        ended = self._done + [t for t in self._open if time_s - t.end_s > MAX_GAP_S]
        if ended:
            self._done = []
            self._open = [t for t in self._open if time_s - t.end_s <= MAX_GAP_S]
        return [t for t in ended if worth_a_look(t, self._least_travel)]

    def _go_on(self, row: int, seen: Detection) -> None:
        """Take a sighting in; a ball that had stopped and leaves again begins a new track."""
        track = self._open[row]
        last = track.seen[-1]
        away = hypot(seen.x_px - last.x_px, seen.y_px - last.y_px)
        if track.has_stopped() and away > LEAVES * last.diameter_px:
            self._done.append(track)
            self._open[row] = track = Track(track.lately())
        track.seen.append(seen)

    def finish(self) -> list[Track]:
        """Close what is still open at the end of the clip."""
        ended, self._done, self._open = self._done + self._open, [], []
        return [t for t in ended if worth_a_look(t, self._least_travel)]


def worth_a_look(track: Track, least_travel: float = MIN_TRAVEL) -> bool:
    """Whether a track is long, far and smooth enough to be more than a flicker."""
    return (
        len(track.seen) >= MIN_SEEN
        and _travel(track.seen) >= least_travel
        and roughness(track) <= MAX_ROUGHNESS
    )


def roughness(track: Track) -> float:
    """Median distance of a sighting from the straight way between its neighbours, in diameters."""
    rows = as_array(track.seen)
    before, here, after = rows[:-2], rows[1:-1], rows[2:]
    share = ((here[:, 0] - before[:, 0]) / (after[:, 0] - before[:, 0]))[:, None]
    off = here[:, 1:3] - before[:, 1:3] - share * (after[:, 1:3] - before[:, 1:3])
    return float(np.median(np.hypot(off[:, 0], off[:, 1])) / max(1.0, float(np.median(rows[:, 3]))))


def _travel(sightings: Sequence[Detection]) -> float:
    """Diagonal of the box that the path fills, in median diameters."""
    xs, ys = [s.x_px for s in sightings], [s.y_px for s in sightings]
    size_px = median(s.diameter_px for s in sightings)
    return hypot(max(xs) - min(xs), max(ys) - min(ys)) / max(1.0, size_px)


def _costs(track: Track, seen: Sequence[Detection], time_s: float) -> list[float]:
    """How badly each sighting of one frame would go on a track; ``NO_MATCH`` where it can't."""
    waited_s = time_s - track.end_s
    if waited_s <= 0:
        return [NO_MATCH] * len(seen)
    x, y, size, speed = track.predict(time_s)
    is_new = len(track.seen) == 1
    costs = []
    for sighting in seen:
        ratio = sighting.diameter_px / max(1.0, size)
        diameter = max(size, sighting.diameter_px)
        if is_new:
            reach = FIRST_REACH * diameter * max(1.0, waited_s * 30)
        else:
            reach = REACH * diameter + MAX_CHANGE * speed * waited_s
        away = hypot(sighting.x_px - x, sighting.y_px - y)
        is_near = away <= reach and 1 / MAX_RATIO <= ratio <= MAX_RATIO
        costs.append(away / diameter + 1.5 * abs(log(ratio)) if is_near else NO_MATCH)
    return costs


def as_array(sightings: Sequence[Detection]) -> npt.NDArray[np.float64]:
    """(N, 4) array of time_s, x_px, y_px, diameter_px."""
    return np.array([(s.time_s, s.x_px, s.y_px, s.diameter_px) for s in sightings])


@dataclass(frozen=True, slots=True)
class BallTrack:
    """The uninterrupted path of something ball-like.

    Attributes
    ----------
    sightings : in order of time, at least ``MIN_SIGHTINGS``.
    ball_score : how surely it is a ball, 0..1.
    """

    sightings: tuple[Detection, ...]
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

    sighting: Detection
    before_s: float
    after_s: float
    arrived: bool
    ball_score: float


def ball_track(track: Track) -> BallTrack:
    """Turn a linked track into its record."""
    return BallTrack(tuple(track.seen), track.ball_score)


def since_it_left(sightings: Sequence[Detection]) -> Sequence[Detection]:
    """Leave out the sightings at which the ball lay where it was first seen, but for the last."""
    first = sightings[0]
    for k, s in enumerate(sightings):
        away = np.hypot(s.x_px - first.x_px, s.y_px - first.y_px) / first.diameter_px
        grown = abs(np.log(s.diameter_px / first.diameter_px))
        if away > LEFT_DIAMETERS or grown > LEFT_LOG_SIZE:
            return sightings[max(0, k - 1) :]
    return ()


def runs_straight(sightings: Sequence[Detection]) -> bool:
    """Whether something moved straight, as balls do and limbs and heads seldom do.

    Judged up to the furthest point: after that, a ball may rebound, stop or be fetched.
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
    """Measure every settled change: which are balls that came or went."""
    guesses = [change.guess_px for change in found.changes]
    # Each change has its own times, filled in below.
    old = measure_balls(found.earlier, found.later, guesses, 0.0, at_rest=True)
    new = measure_balls(found.later, found.earlier, guesses, 0.0, at_rest=True)
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


def _resting(change: BackgroundChange, seen: Detection, *, arrived: bool) -> RestingBall:
    seen = replace(seen, time_s=change.after_s if arrived else change.before_s)
    return RestingBall(seen, change.before_s, change.after_s, arrived, seen.ball_score)


def same_event(a: RestingBall, b: RestingBall) -> bool:
    """Whether two changes are one ball coming or going."""
    apart = apart_diameters(a.sighting.place, b.sighting.place)
    return (
        a.arrived == b.arrived
        and apart <= SAME_EVENT_DIAMETERS
        and a.before_s <= b.after_s
        and b.before_s <= a.after_s
    )


def apart_px(a: Detection, b: Detection) -> float:
    """Distance between the middles of two discs, px."""
    return float(np.hypot(a.x_px - b.x_px, a.y_px - b.y_px))
