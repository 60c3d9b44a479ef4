"""Where a moving ball lay before it left: the strongest sign of a kick."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.ball.changes import SettledChange
from shoegoal.ball.measure import rim_strength
from shoegoal.ball.settled import paint_difference
from shoegoal.ball.sightings import RIM_RATIO, BallTrack, RestingBall
from shoegoal.types import BallSighting

MAX_BACK_S = 0.6  # a ball hidden behind the kicker for longer is not linked to its place
SIDE_REACH = 1.3  # in diameters, off the line along which the ball comes
SIZE_RANGE = (0.55, 2.4)  # diameter at rest over first diameter in flight: it may come closer
MIN_MATCH = 0.35  # contrast inside the disc less that of the ring round it, as a share
CONTRAST = 14.0
SEARCH_DIAMETER_PX = 20.0  # a ball is looked for at this size; its place is good to a 12th

F32 = npt.NDArray[np.float32]


def departure_of(
    track: BallTrack, resting: Iterable[RestingBall], changes: Iterable[SettledChange]
) -> RestingBall | None:
    """Find the resting place that a track comes from.

    Parameters
    ----------
    track : a ball in flight.
    resting : measured resting balls of the same clip; those that left are considered.
    changes : settled changes round that time; searched for a ball of the right size where the
        change runs into a shoe or a shadow and did not measure as round by itself.
    """
    candidates = [r for r in resting if not r.arrived and _fits(track, r)]
    if candidates:
        return min(candidates, key=lambda r: _distance_off(track, r.sighting)[0])
    found = [r for c in changes for r in _search(track, c) if _fits(track, r)]
    return min(found, key=lambda r: _distance_off(track, r.sighting)[0], default=None)


def _fits(track: BallTrack, rest: RestingBall) -> bool:
    first = track.sightings[0]
    ratio = rest.sighting.diameter_px / first.diameter_px
    if not SIZE_RANGE[0] <= ratio <= SIZE_RANGE[1]:
        return False
    if rest.before_s > first.time_s + 0.05 or rest.after_s < first.time_s - MAX_BACK_S:
        return False
    off, back_s = _distance_off(track, rest.sighting)
    return off <= SIDE_REACH and -0.1 <= back_s <= MAX_BACK_S


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


def _search(track: BallTrack, change: SettledChange) -> list[RestingBall]:
    first = track.sightings[0]
    if change.before_s > first.time_s + 0.05 or change.after_s < first.time_s - MAX_BACK_S:
        return []
    difference = paint_difference(change.old, change.new)
    paint = np.clip(difference.astype(np.float32) / CONTRAST, 0, 1)
    found = []
    for grow in (0.85, 1.0, 1.2):
        diameter = first.diameter_px * grow / change.blocks
        if diameter > min(paint.shape) or diameter < 4:
            continue
        zoom = min(1.0, SEARCH_DIAMETER_PX / diameter)
        small = cv2.resize(paint, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
        match = cv2.filter2D(
            small, cv2.CV_32F, _disc_less_ring(diameter * zoom), borderType=cv2.BORDER_CONSTANT
        )
        _, score, _, place = cv2.minMaxLoc(match)
        x, y = ((n + 0.5) / zoom - 0.5 for n in place)
        if score < MIN_MATCH:
            continue
        old = rim_strength(change.old[0], x, y, diameter)
        new = rim_strength(change.new[0], x, y, diameter)
        if old < RIM_RATIO * new:
            continue
        sighting = BallSighting(
            change.before_s,
            *change.native_px(x, y),
            diameter * change.blocks,
            0.08 * diameter * change.blocks,
            0.12 * diameter * change.blocks,
            at_rest=True,
        )
        found.append(
            RestingBall(sighting, change.before_s, change.after_s, arrived=False, roundness=0.0)
        )
    return found


def _disc_less_ring(diameter: float) -> F32:
    radius = diameter / 2
    reach = int(np.ceil(radius * 1.5))
    ys, xs = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    distance = np.hypot(xs, ys)
    disc = (distance <= radius).astype(np.float32)
    ring = ((distance > radius * 1.1) & (distance <= radius * 1.5)).astype(np.float32)
    kernel = disc / disc.sum() - 0.5 * ring / max(1.0, float(ring.sum()))
    return np.asarray(kernel, np.float32)
