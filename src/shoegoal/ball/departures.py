"""Where a moving ball lay before it left: the strongest sign of a kick."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from shoegoal.ball.sightings import BallTrack, RestingBall, apart_px
from shoegoal.types import BallSighting

MAX_BACK_S = 0.6  # a ball hidden behind the kicker for longer is not linked to its place
KEPT_S = 0.7  # a place may look as if the ball still lay there, while legs hide it
SIDE_REACH = 1.3  # in diameters, off the line along which the ball comes
SIZE_RANGE = (0.55, 4.0)  # diameter at rest over first diameter in flight: it may come closer


def departure_of(track: BallTrack, resting: Iterable[RestingBall]) -> RestingBall | None:
    """Find the resting place that a track comes from.

    Parameters
    ----------
    track : a ball in flight.
    resting : resting balls of the same clip; those that left are considered.
    """
    candidates = [r for r in resting if not r.arrived and _fits(track, r)]
    return min(candidates, key=lambda r: _distance_off(track, r.sighting)[0], default=None)


def _fits(track: BallTrack, rest: RestingBall) -> bool:
    first = track.sightings[0]
    ratio = rest.sighting.diameter_px / first.diameter_px
    if not SIZE_RANGE[0] <= ratio <= SIZE_RANGE[1]:
        return False
    starts_there = _starts_there(first, rest.sighting)
    late_s = KEPT_S if starts_there else 0.05
    if rest.before_s > first.time_s + late_s or rest.after_s < first.time_s - MAX_BACK_S:
        return False
    if starts_there:
        return True
    off, back_s = _distance_off(track, rest.sighting)
    return off <= SIDE_REACH and -0.1 <= back_s <= MAX_BACK_S


def _starts_there(first: BallSighting, rest: BallSighting) -> bool:
    ratio = first.diameter_px / rest.diameter_px
    return apart_px(first, rest) <= 0.5 * rest.diameter_px and 0.8 <= ratio <= 1.25


def _distance_off(track: BallTrack, rest: BallSighting) -> tuple[float, float]:
    """Miss distance of the track's backward way, in rest diameters, and the seconds back."""
    few = track.sightings[: min(5, len(track.sightings))]
    times = np.array([s.time_s for s in few])
    points = np.array([(s.x_px, s.y_px) for s in few])
    slope, _ = np.polyfit(times - times[0], points, 1)
    back = np.array([rest.x_px, rest.y_px]) - points[0]
    speed = float(np.hypot(*slope))
    if speed < 1e-6:
        return float("inf"), 0.0
    direction = slope / speed
    along = float(back @ direction)
    off = float(abs(back[0] * direction[1] - back[1] * direction[0]))
    # Near the start the way is uncertain: forgive a tenth of the distance gone back.
    off = max(0.0, off - 0.1 * abs(along)) / rest.diameter_px
    return off, -along / speed
