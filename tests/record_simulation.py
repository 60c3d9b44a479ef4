"""What the watcher would note of balls in a yard: moved by closed forms, seen by OpenCV's camera.

Sightings carry the noise that the network showed on drawn balls (training/RESULTS.md): a centre off
by 0.3 px and 1% of the diameter, a size by 0.3 px and 2%, and 2% more that all of a ball share.
The kick spot lies at (0.3, 3.0) of the ground frame, the goal 5.4 m further on, 2.4 m wide.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from math import inf

import numpy as np

from ball_pictures import F64, uneven_times
from scene_simulation import IMAGE_SIZE_PX, ball_disc, opencv_pixels
from shoegoal.ball.tracks import MAX_GAP_S, MIN_SEEN, STOPPED_S, BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.shots.ground import find_ground
from shoegoal.shots.judge import Judged, judge
from shoegoal.types import Detection, ImagePoint

DIAMETER_M = 0.22  # size 5: 68-70 cm round (IFAB Laws of the Game, Law 2)
RADIUS_M = DIAMETER_M / 2
CAMERA = Camera(1000.0, 639.5, 359.5, 1.4, 9.0, 1.0)
SPOT = (0.3, 3.0)
LINE_Y_M, HALF_M = 8.4, 1.2
WAY_M = LINE_Y_M - SPOT[1]
GRAVITY_MPS2 = 9.80665  # ISO 80000-3
BOUNCE, KEEP = 0.55, 0.8  # share of the speed up, and along, after a bounce on grass
SETTLES_S = 1.2  # that a ball has to lie before the background tells of it

Leg = Callable[[F64], F64]  # seconds since its start to places


def bases_px() -> tuple[ImagePoint, ImagePoint]:
    """The markers' inner bases as they are seen."""
    bases = np.array([[SPOT[0] - HALF_M, LINE_Y_M, 0.0], [SPOT[0] + HALF_M, LINE_Y_M, 0.0]])
    left, right = opencv_pixels(CAMERA, bases)
    return ImagePoint(*left.tolist()), ImagePoint(*right.tolist())


def rolled(start: F64, velocity: F64, loss: float, t: F64) -> F64:
    """Constant deceleration: s = v t - a t^2 / 2 until v / a, then it lies."""
    speed = float(np.hypot(*velocity[:2]))
    along = velocity / max(speed, 1e-12)
    t = np.minimum(t, speed / loss)
    return np.asarray(start + np.outer(speed * t - 0.5 * loss * t**2, along), np.float64)


def flown(start: F64, velocity: F64, t: F64) -> F64:
    """A parabola: z = v t - g t^2 / 2."""
    fall = np.outer(0.5 * GRAVITY_MPS2 * t**2, [0.0, 0.0, 1.0])
    return np.asarray(start + np.outer(t, velocity) - fall, np.float64)


def discs(
    times_s: F64, centres_m: F64, seed: int, score: float = 0.95, noise: float = 1.0
) -> list[Detection]:
    """Sightings of a ball at these places."""
    rng = np.random.default_rng([seed, 9])
    bias = 1 + 0.02 * noise * rng.normal()
    found = []
    for time, centre in zip(times_s.tolist(), centres_m, strict=True):
        (x, y), size = ball_disc(CAMERA, centre, DIAMETER_M)
        place_px, size_px = 0.3 + 0.01 * size, 0.3 + 0.02 * size
        x, y = np.array([x, y]) + noise * rng.normal(0, place_px, 2)
        size = size * bias + noise * rng.normal(0, size_px)
        sure = float(1 / (1 + np.exp(-np.log(score / (1 - score)) - noise * rng.normal())))
        found.append(Detection(time, float(x), float(y), size, place_px, size_px, False, sure))
    return found


@dataclass
class Ball:
    """One ball's life in the yard, told leg by leg from where it lay first.

    Attributes
    ----------
    place : (x, y) of the ground where it lies at the start, metres.
    """

    place: tuple[float, float] = SPOT
    _legs: list[tuple[float, bool, Leg]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._put((*self.place, RADIUS_M), -np.inf)

    def kick(
        self,
        time_s: float,
        velocity: tuple[float, float, float],
        loss: float = 1.0,
        wall_y_m: float = np.inf,
    ) -> Ball:
        """Kick it; it flies, bounces, rolls on, comes back from a wall at half its speed."""
        start, way, now = self.at(np.array([time_s]))[0], np.array(velocity), time_s
        while way[2] > 0.4:
            self._move(now, partial(flown, start, way))
            up = start[2] - RADIUS_M
            air_s = (way[2] + np.sqrt(way[2] ** 2 + 2 * GRAVITY_MPS2 * up)) / GRAVITY_MPS2
            start = np.array([*(start + way * air_s)[:2], RADIUS_M])
            down = GRAVITY_MPS2 * air_s - way[2]
            now, way = now + float(air_s), np.array([*KEEP * way[:2], BOUNCE * down])
        way[2] = 0.0
        self._move(now, partial(rolled, start, way, loss))
        speed = float(np.hypot(way[0], way[1]))
        t = np.arange(0.0, speed / loss, 0.001)
        at_wall = rolled(start, way, loss, t)[:, 1] + RADIUS_M >= wall_y_m
        if at_wall.any():
            met_s = float(t[np.argmax(at_wall)])
            place = rolled(start, way, loss, np.array([met_s]))[0]
            way = way * (speed - loss * met_s) / speed * [1.0, -0.5, 0.0]
            now, speed = now + met_s, float(np.hypot(way[0], way[1]))
            self._move(now, partial(rolled, place, way, loss))
        return self.stop(now + speed / loss)

    def stop(self, time_s: float) -> Ball:
        """Somebody stops it."""
        self._put(self.at(np.array([time_s]))[0], time_s)
        return self

    def fetch(self, time_s: float, place: tuple[float, float] = SPOT) -> Ball:
        """Somebody has carried it elsewhere, unseen, and lays it down."""
        self._put((*place, RADIUS_M), time_s)
        return self

    def at(self, times_s: F64) -> F64:
        """Its centre, (N, 3) metres."""
        out = np.empty((len(times_s), 3))
        for begin_s, _, leg in self._legs:
            now = times_s >= begin_s
            out[now] = leg(times_s[now] - max(begin_s, 0.0))
        return out

    def moves(self, times_s: F64) -> F64:
        """Whether it moves, (N,)."""
        out = np.zeros(len(times_s), bool)
        for begin_s, moving, _ in self._legs:
            out[times_s >= begin_s] = moving
        return out

    def stays(self) -> list[tuple[float, float]]:
        """From when to when it lay, infinite where that is not seen."""
        kinds = [(begin_s, moving) for begin_s, moving, _ in self._legs]
        ends = [begin_s for begin_s, _ in kinds[1:]] + [np.inf]
        return [(b, e) for (b, moving), e in zip(kinds, ends, strict=True) if not moving]

    def _put(self, place: Sequence[float] | F64, time_s: float) -> None:
        lies = np.array(place)
        self._legs = [leg for leg in self._legs if leg[0] < time_s]
        self._legs.append((time_s, False, lambda t: np.tile(lies, (len(t), 1))))

    def _move(self, time_s: float, leg: Leg) -> None:
        self._legs = [old for old in self._legs if old[0] < time_s]
        self._legs.append((time_s, True, leg))


def record_of(
    *balls: Ball,
    seconds: float,
    hidden_s: Sequence[tuple[float, float]] = (),
    clutter: int = 0,
    seed: int = 1,
) -> BallRecord:
    """What would be noted of these balls.

    Parameters
    ----------
    balls : in the yard.
    seconds : length of the clip.
    hidden_s : times at which somebody hides every ball that moves.
    clutter : feet and leaves that are followed for a while beside them.
    seed : everything comes from it.
    """
    tracks: list[BallTrack] = []
    resting: list[RestingBall] = []
    for number, ball in enumerate(balls):
        times = uneven_times(seconds, 0.0, seed + number)
        followed = ball.moves(times)
        # It is followed from when it still lay until it has lain for a while.
        late = np.array([followed[(times > t - STOPPED_S) & (times <= t)].any() for t in times])
        followed = late | np.append(followed[2:], [False, False])
        for a, b in hidden_s:
            followed &= (times < a) | (times > b)
        seen = discs(times[followed], ball.at(times[followed]), 100 * seed + number)
        tracks += [track_of(piece) for piece in _pieces(seen)]
        for k, (from_s, until_s) in enumerate(ball.stays()):
            if min(until_s, seconds) - max(from_s, 0.0) >= SETTLES_S:
                if from_s > 0:
                    resting.append(_rest(ball, from_s, from_s + SETTLES_S, True, 10 * seed + k))
                if until_s < seconds - SETTLES_S:
                    resting.append(_rest(ball, until_s, until_s + SETTLES_S, False, 10 * seed + k))
    rng = np.random.default_rng([seed, 11])
    for k in range(clutter):
        times = uneven_times(rng.uniform(0.3, 1.5), rng.uniform(0.0, seconds - 2.0), seed + k)
        tracks.append(track_of(_stray(times, rng)))
    tracks.sort(key=lambda t: t.end_s)
    resting.sort(key=lambda r: r.after_s)
    return BallRecord(tuple(tracks), tuple(resting))


def track_of(sightings: Sequence[Detection]) -> BallTrack:
    """A track of these sightings."""
    return BallTrack(tuple(sightings), float(np.mean([s.ball_score for s in sightings])))


def judged(record: BallRecord, *, start_s: float = -inf, **markers: ImagePoint) -> Judged:
    """Judge a record as a count would, with the true markers by default."""
    ground = find_ground(record, IMAGE_SIZE_PX, ball=BallSize.FIVE)
    left, right = bases_px()
    return judge(
        record,
        ground,
        IMAGE_SIZE_PX,
        markers.get("left", left),
        markers.get("right", right),
        ball=BallSize.FIVE,
        width_steps=4,
        back_steps=9.0,
        start_s=start_s,
    )


def shot_velocity(side_m: float, forward_mps: float = 6.5) -> tuple[float, float, float]:
    """Velocity of a kick from the spot whose way meets the line ``side_m`` right of its middle."""
    return side_m / WAY_M * forward_mps, forward_mps, 0.0


def _pieces(seen: list[Detection]) -> list[list[Detection]]:
    cuts = [k for k in range(1, len(seen)) if seen[k].time_s - seen[k - 1].time_s > MAX_GAP_S]
    ends = [0, *cuts, len(seen)]
    whole = [seen[a:b] for a, b in pairwise(ends)]
    return [piece for piece in whole if len(piece) >= MIN_SEEN]


def _rest(ball: Ball, before_s: float, after_s: float, arrived: bool, seed: int) -> RestingBall:
    at_s = after_s if arrived else before_s - 0.1
    (seen,) = discs(np.array([at_s]), ball.at(np.array([at_s])), seed, 0.98)
    lies = Detection(
        at_s, seen.x_px, seen.y_px, seen.diameter_px, seen.sigma_px, seen.diameter_sigma_px, True
    )
    return RestingBall(lies, before_s - 0.1, after_s, arrived, seen.ball_score)


def _stray(times_s: F64, rng: np.random.Generator) -> list[Detection]:
    """A foot or a leaf: of some ball's size, on no way that a ball takes."""
    start, size = rng.uniform([100, 250], [1100, 650]), rng.uniform(15, 60)
    swing = rng.uniform(30, 120, 2) * np.sin(np.outer(times_s, rng.uniform(3, 9, 2)))
    found = []
    for t, (x, y) in zip(times_s.tolist(), start + swing, strict=True):
        found.append(
            Detection(
                t, float(x), float(y), float(size * np.exp(rng.normal(0, 0.1))), 1.0, 2.0, False,
                float(rng.uniform(0.3, 0.6)),
            )
        )  # fmt: skip
    return found
