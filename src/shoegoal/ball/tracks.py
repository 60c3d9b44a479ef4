"""Linking moving things over time: a track is one thing's smooth way through the picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot, log
from statistics import median

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from shoegoal.ball.moving import Blob, Motion
from shoegoal.ball.portraits import Portrait, take_portrait
from shoegoal.clip.reader import Frame

MAX_GAP_S = 0.25  # a ball hidden for longer starts a new track
FIRST_REACH = 3.2  # in diameters per 1/30 s: about 20 m/s for a size-5 ball
REACH = 0.7  # in diameters, round the predicted place
MAX_CHANGE = 0.25  # of the speed, between two frames
MAX_ROUGHNESS = 0.35  # in diameters: median bend of the path over three neighbouring blobs
PORTRAIT_AT = (4, 8, 13, 20)  # blobs in a track when its picture is taken
MIN_BLOBS = 4
MIN_TRAVEL = 1.2  # in diameters
NO_MATCH = 1e6


@dataclass(slots=True)
class Track:
    """One moving thing, oldest blob first, with a few portraits in its surroundings."""

    blobs: list[Blob] = field(default_factory=list)
    portraits: list[Portrait] = field(default_factory=list)

    @property
    def start_s(self) -> float:
        """Time of the first blob."""
        return self.blobs[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last blob."""
        return self.blobs[-1].time_s

    def predict(self, time_s: float) -> tuple[float, float, float, float]:
        """x, y, size and speed (px, px, px, px/s) expected at a later time."""
        last = self.blobs[-1]
        if len(self.blobs) < 2:
            return last.x_px, last.y_px, last.size_px, 0.0
        recent = self.blobs[-4:]
        first = recent[0]
        span = last.time_s - first.time_s
        vx, vy = (last.x_px - first.x_px) / span, (last.y_px - first.y_px) / span
        ahead = time_s - last.time_s
        size = median(b.size_px for b in recent)
        return last.x_px + vx * ahead, last.y_px + vy * ahead, size, hypot(vx, vy)

    def travel(self) -> float:
        """Diagonal of the box that the path fills, in median diameters."""
        xs = np.array([b.x_px for b in self.blobs])
        ys = np.array([b.y_px for b in self.blobs])
        size = float(np.median([b.size_px for b in self.blobs]))
        return float(np.hypot(np.ptp(xs), np.ptp(ys)) / max(1.0, size))


class TrackLinker:
    """Links blobs frame by frame with the assignment of least cost.

    Memory is bounded: a track that has ended is handed out once and forgotten.
    """

    def __init__(self) -> None:
        self._open: list[Track] = []

    def update(self, motion: Motion, frame: Frame) -> list[Track]:
        """Take one frame and its motion in; return the tracks that ended and are worth a look."""
        blobs = motion.blobs
        free = set(range(len(blobs)))
        if self._open and blobs:
            cost = np.array([_costs(t, blobs) for t in self._open])
            for row, column in zip(*linear_sum_assignment(cost), strict=True):
                if cost[row, column] < NO_MATCH:
                    self._open[row].blobs.append(blobs[column])
                    free.discard(int(column))
        self._open.extend(Track([blobs[i]]) for i in sorted(free))
        for track in self._open:
            is_due = track.end_s == motion.time_s and len(track.blobs) in PORTRAIT_AT
            if is_due and worth_a_look(track):
                last = track.blobs[-1]
                track.portraits.append(take_portrait(frame, last.x_px, last.y_px, last.size_px))
        ended = [t for t in self._open if motion.time_s - t.end_s > MAX_GAP_S]
        if ended:
            self._open = [t for t in self._open if motion.time_s - t.end_s <= MAX_GAP_S]
        return [t for t in ended if worth_a_look(t)]

    def finish(self) -> list[Track]:
        """Close what is still open at the end of the clip."""
        ended, self._open = self._open, []
        return [t for t in ended if worth_a_look(t)]


def worth_a_look(track: Track) -> bool:
    """Whether a track is long and far enough to be more than a flicker."""
    return (
        len(track.blobs) >= MIN_BLOBS
        and track.travel() >= MIN_TRAVEL
        and roughness(track) <= MAX_ROUGHNESS
    )


def roughness(track: Track) -> float:
    """Median distance of a blob from the straight way between its neighbours, in diameters."""
    rows = as_array(track)
    before, here, after = rows[:-2], rows[1:-1], rows[2:]
    share = ((here[:, 0] - before[:, 0]) / (after[:, 0] - before[:, 0]))[:, None]
    off = here[:, 1:3] - before[:, 1:3] - share * (after[:, 1:3] - before[:, 1:3])
    return float(np.median(np.hypot(off[:, 0], off[:, 1])) / max(1.0, float(np.median(rows[:, 3]))))


def _costs(track: Track, blobs: Sequence[Blob]) -> list[float]:
    """How badly each blob of one frame would go on a track; ``NO_MATCH`` where it can't."""
    time_s = blobs[0].time_s
    waited_s = time_s - track.end_s
    if waited_s <= 0:
        return [NO_MATCH] * len(blobs)
    x, y, size, speed = track.predict(time_s)
    is_new = len(track.blobs) == 1
    costs = []
    for blob in blobs:
        ratio = blob.size_px / max(1.0, size)
        diameter = max(size, blob.size_px)
        if is_new:
            reach = FIRST_REACH * diameter * max(1.0, waited_s * 30)
        else:
            reach = REACH * diameter + MAX_CHANGE * speed * waited_s
        away = hypot(blob.x_px - x, blob.y_px - y)
        is_near = away <= reach and 0.45 <= ratio <= 2.2
        costs.append(away / diameter + 1.5 * abs(log(ratio)) if is_near else NO_MATCH)
    return costs


def as_array(track: Track) -> npt.NDArray[np.float64]:
    """(N, 4) array of time_s, x_px, y_px, size_px."""
    return np.array([[b.time_s, b.x_px, b.y_px, b.size_px] for b in track.blobs])
