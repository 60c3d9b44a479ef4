"""Patches of the yard that changed for good: where a ball was put down or has left."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.ball.settled import (
    MARKS_KEPT,
    SettledPicture,
    paint_difference,
    shadow_like,
)
from shoegoal.ball.things import things_in
from shoegoal.clip.halvings import Halvings, Planes

SNAPSHOT_EVERY_S = 1.0
SNAPSHOTS_KEPT = MARKS_KEPT  # compared over two: a patch may settle bit by bit behind a kicker
MIN_SIDE = 0.006  # of the long side
MAX_SIDE = 0.3
MAX_ASPECT = 4.0
MIN_FILL = 0.15
MAX_GUESSES = 8  # per comparison, reading and band of sizes
BANDS = (0.01, 0.02, 0.05)  # radii as shares of the long side
POOL_PX = 9  # small pixels over which a near ball's paint is taken together
POOLED_CONTRAST = 9.0
NEAR_RADIUS = 0.02  # of the long side: a ball at least this large is near

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class SettledChange:
    """A patch that went from one settled look to another.

    Attributes
    ----------
    before_s : last time at which the old look was seen there.
    after_s : time by which the new look had settled there.
    guess_px : native (x, y, diameter) of the disc that it may be.
    """

    before_s: float
    after_s: float
    guess_px: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two settled pictures, some time apart.

    Attributes
    ----------
    earlier, later : at their own size.
    changes : the patches in which they differ; they may overlap.
    """

    earlier: Halvings
    later: Halvings
    changes: tuple[SettledChange, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Snapshot:
    time_s: float
    small: Planes
    native: Halvings
    left_s: F32  # see `SettledPicture.mark`


class ChangeFinder:
    """Compares the settled picture with what it was a little earlier."""

    def __init__(self) -> None:
        self._snapshots: deque[_Snapshot] = deque(maxlen=SNAPSHOTS_KEPT)

    def update(
        self, settled: SettledPicture, time_s: float, *, now: bool = False
    ) -> Comparison | None:
        """Report what changed, at most once per ``SNAPSHOT_EVERY_S`` unless ``now`` is set."""
        due = not self._snapshots or time_s - self._snapshots[-1].time_s >= SNAPSHOT_EVERY_S
        if not due and not now:
            return None
        snapshot = _Snapshot(time_s, _copy(settled.small), settled.native, settled.mark())
        earlier = (
            self._snapshots[1 if len(self._snapshots) == SNAPSHOTS_KEPT else 0]
            if self._snapshots
            else None
        )
        self._snapshots.append(snapshot)
        if earlier is None:
            return None
        changes = _changes(earlier, snapshot, settled)
        return Comparison(earlier.native, snapshot.native, tuple(changes)) if changes else None


def _copy(planes: Planes) -> Planes:
    return planes[0].copy(), planes[1].copy(), planes[2].copy()


def _changes(earlier: _Snapshot, later: _Snapshot, settled: SettledPicture) -> list[SettledChange]:
    difference = paint_difference(later.small, earlier.small)
    changed = (difference >= settled.contrast).astype(np.uint8)
    if not changed.any():
        return []
    shaded = shadow_like(later.small, earlier.small) | shadow_like(earlier.small, later.small)
    solid = np.asarray(changed & (1 - shaded), np.uint8)
    patches: dict[Box, tuple[float, float, float]] = {}
    # A near ball's panels come close to the ground's paint here and there; taken together over
    # some pixels they still stand out from it, while the ground's own flicker averages away.
    pooled = cv2.blur(difference, (POOL_PX, POOL_PX))
    near = (pooled >= np.maximum(POOLED_CONTRAST, settled.contrast / 2)).astype(np.uint8)
    guesses = _disc_guesses(solid, MIN_SIDE / 2) + _disc_guesses(near, NEAR_RADIUS)
    for x, y, radius in guesses:
        box = (int(x - radius), int(y - radius), int(2 * radius) + 1, int(2 * radius) + 1)
        patches[box] = (x, y, 2 * radius)
    for mask in (changed, solid):
        patches.update((box, _disc_in(box)) for box in _ball_sized(mask))
    return [
        _change(earlier, later, settled.scale, changed, box, guess)
        for box, guess in patches.items()
    ]


def _disc_in(box: Box) -> tuple[float, float, float]:
    """Middle and diameter of the disc that a box suggests."""
    x, y, w, h = box
    return x + (w - 1) / 2, y + (h - 1) / 2, float(np.sqrt(w * h))


def _change(
    earlier: _Snapshot,
    later: _Snapshot,
    scale: float,
    changed: U8,
    box: Box,
    disc: tuple[float, float, float],
) -> SettledChange:
    x, y, w, h = box
    rows, columns = slice(max(0, y), y + h), slice(max(0, x), x + w)
    seen = earlier.left_s[rows, columns][changed[rows, columns] > 0]
    before_s = float(np.nanmedian(seen)) if np.isfinite(seen).any() else earlier.time_s
    at_x, at_y, diameter = disc
    guess_px = ((at_x + 0.5) / scale - 0.5, (at_y + 0.5) / scale - 0.5, diameter / scale)
    return SettledChange(before_s, later.time_s, guess_px)


def _disc_guesses(mask: U8, least: float) -> list[tuple[float, float, float]]:
    """Centres and radii of the largest discs inside the mask's parts: a ball may touch a shoe.

    ``least`` is the smallest radius, as a share of the long side.
    """
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    depth = cv2.distanceTransform(closed, cv2.DIST_L2, 3)
    reach = 2 * int(MIN_SIDE * max(mask.shape)) + 1
    tops = (depth >= cv2.dilate(depth, np.ones((reach, reach), np.uint8))) & (
        depth >= least * max(mask.shape)
    )
    ys, xs = np.nonzero(tops)
    long_side = max(mask.shape)
    chosen: list[tuple[float, float, float]] = []
    counts = [0] * (len(BANDS) + 1)
    # Settled bodies are full of large discs: each band of sizes has its own share of guesses.
    for i in np.argsort(-depth[ys, xs]):
        x, y, radius = float(xs[i]), float(ys[i]), float(depth[ys[i], xs[i]])
        band = int(np.searchsorted(BANDS, radius / long_side))
        if 2 * radius > MAX_SIDE * long_side or counts[band] >= MAX_GUESSES:
            continue
        if all(np.hypot(x - a, y - b) > 0.7 * r for a, b, r in chosen):
            chosen.append((x, y, radius))
            counts[band] += 1
    return chosen


def _ball_sized(mask: U8) -> list[Box]:
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    long_side = max(mask.shape)

    def is_ball_sized(width: int, height: int) -> bool:
        longest, shortest = max(width, height), min(width, height)
        return (
            shortest >= MIN_SIDE * long_side
            and longest <= MAX_SIDE * long_side
            and longest <= MAX_ASPECT * shortest
        )

    return [
        (thing.left, thing.top, thing.width, thing.height)
        for thing in things_in(closed, is_ball_sized)
        if thing.area >= MIN_FILL * thing.width * thing.height
    ]
