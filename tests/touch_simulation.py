"""Ball sightings of a dribble worked out by closed forms, for tests of contacts and touches."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.types import Detection

RATE_HZ = 30.0
SIZE_PX = 50.0
NOISE = 0.01  # of the diameter: what the network is off by in clear view
BALL_M = 0.22


def sightings_of(
    places: np.ndarray,
    start_s: float = 0.0,
    *,
    seed: int = 1,
    noise: float = NOISE,
    sizes_px: np.ndarray | None = None,
) -> list[Detection]:
    """Sightings of a ball at places (N, 2) px, one a frame, with measuring noise."""
    sizes = np.full(len(places), SIZE_PX) if sizes_px is None else sizes_px
    rng = np.random.default_rng(seed)
    seen = places + rng.normal(0.0, noise * SIZE_PX, places.shape)
    return [
        Detection(start_s + i / RATE_HZ, float(x), float(y), float(d), noise * float(d), 0.5)
        for i, ((x, y), d) in enumerate(zip(seen, sizes, strict=True))
    ]


def to_and_fro(touches_s: Sequence[float], swing: float = 1.2, until_s: float = 0.0) -> np.ndarray:
    """Places (N, 2) px of a ball that meets a foot at each time, ``swing`` diameters apart.

    It lies before the first touch and after the last one, until ``until_s``.
    """
    ends = [swing * SIZE_PX * (i % 2) for i in range(len(touches_s))]
    times = np.arange(0.0, max(until_s, touches_s[-1] + 1.0), 1 / RATE_HZ)
    return np.column_stack([600.0 + np.interp(times, touches_s, ends), np.full(len(times), 400.0)])


def record_of(
    sightings: Sequence[Detection], *, lay: bool = True, score: float = 0.99
) -> BallRecord:
    """A record with one track, whose ball lay before when ``lay``."""
    first = sightings[0]
    rest = RestingBall(first, first.time_s - 1, first.time_s, arrived=False, ball_score=score)
    return BallRecord((BallTrack(tuple(sightings), score),), (rest,) if lay else ())
