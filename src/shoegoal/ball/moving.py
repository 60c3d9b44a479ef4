"""Compact things that move: the proposals among which the ball is looked for."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

from shoegoal.ball.settled import SettledPicture, paint_difference, shadow_like
from shoegoal.clip.halvings import Planes
from shoegoal.clip.small import SmallFrame

LOOK_BACK_S = 0.13  # long enough for a far ball to have left its own disc
MAX_BLOBS = 14  # per frame; leaves and limbs must not make a frame costly
MIN_SIZE_OF_LONG_SIDE = 0.0075  # a ball thinner than this share of the picture can't be judged
MAX_SIZE_OF_LONG_SIDE = 0.22
STIRRED_SHARE = 0.1  # of a thing must have moved for the whole of it to count as moving

U8 = npt.NDArray[np.uint8]
BOX_RIM_PX = 2  # closing reaches no further
_CLOSING = np.ones((3, 3), np.uint8)


@dataclass(frozen=True, slots=True)
class Blob:
    """A compact moving thing in one frame, native pixels.

    Attributes
    ----------
    x_px, y_px : centroid.
    size_px : diameter of the disc of the same area.
    """

    x_px: float
    y_px: float
    size_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What moves in one frame.

    Attributes
    ----------
    blobs : the compact things, at most ``MAX_BLOBS``, the most compact ones.
    stirred : (h, w) small pixels that stand out and were otherwise a moment ago, 255; None: none.
    scale : small pixels per native pixel.
    """

    blobs: tuple[Blob, ...] = ()
    stirred: U8 | None = None
    scale: float = 1.0

    def is_near(self, x_px: float, y_px: float, reach_px: float) -> bool:
        """Whether anything moved lately within a square round a native point."""
        if self.stirred is None:
            return False
        x, y, reach = (v * self.scale for v in (x_px, y_px, reach_px))
        rows = slice(max(0, int(y - reach)), max(0, int(y + reach) + 1))
        columns = slice(max(0, int(x - reach)), max(0, int(x + reach) + 1))
        return bool(self.stirred[rows, columns].any())


class MotionWatcher:
    """Finds what moves frame by frame."""

    def __init__(self) -> None:
        self._past: deque[tuple[float, Planes]] = deque()

    def update(self, small: SmallFrame, settled: SettledPicture) -> Motion:
        """Report what stands out from the settled picture and was not there a moment ago.

        Both conditions matter: the first drops the hole that a thing leaves behind, the second
        drops things at rest that have not settled yet.
        """
        while len(self._past) > 1 and small.time_s - self._past[1][0] >= LOOK_BACK_S:
            self._past.popleft()
        past = self._past[0][1] if self._past else None
        self._past.append((small.time_s, small.planes))
        if past is None:
            return Motion()
        lately = cv2.compare(paint_difference(small.planes, past), settled.levels, cv2.CMP_GE)
        if not cv2.hasNonZero(lately):
            return Motion()
        away = cv2.compare(settled.difference(small), settled.levels, cv2.CMP_GE)
        stirred = cv2.bitwise_and(away, lately)
        if not cv2.hasNonZero(stirred):
            return Motion()
        things = _all_things(small.planes, settled.small, away, stirred)
        if len(things.stats) > MAX_BLOBS:
            things = things.only(np.argsort(-_roundness(things.stats))[:MAX_BLOBS])
        areas = things.stats[:, cv2.CC_STAT_AREA]
        middles = (things.centres + 0.5) / small.scale - 0.5
        sizes = np.sqrt(4 * areas / np.pi) / small.scale
        blobs = map(Blob, *middles.T.tolist(), sizes.tolist())
        return Motion(tuple(blobs), np.asarray(stirred, np.uint8), small.scale)


def _all_things(now: Planes, settled: Planes, away: MatLike, stirred: MatLike) -> _Things:
    """Find the compact things in what stands out."""
    # Every step costs by area, so all go by the box in which anything stands out.
    long_side = max(away.shape)
    x, y, w, h = cv2.boundingRect(away)
    x0, y0 = max(0, x - BOX_RIM_PX) & ~1, max(0, y - BOX_RIM_PX) & ~1
    box = (slice(y0, y + h + BOX_RIM_PX), slice(x0, x + w + BOX_RIM_PX))
    away, stirred = away[box], stirred[box]
    solid = cv2.copyTo(away, 1 - shadow_like(_within(now, box), _within(settled, box)))
    # A ball may be one thing with its shadow left out, one thing with it, or the part of a
    # larger thing that moved. Earlier readings win where they overlap.
    readings = (
        _things(solid, stirred, long_side),
        _things(away, stirred, long_side),
        _things(cv2.bitwise_and(solid, stirred), None, long_side),
    )
    things = readings[0].compact()
    for reading in readings[1:]:
        more = reading.compact()
        things = things.joined(more.only(~more.inside(things)))
    return things.moved(x0, y0)


def _within(planes: Planes, box: tuple[slice, slice]) -> Planes:
    """Cut a box that starts at even pixels out of luma and half-size chroma."""
    luma, chroma_u, chroma_v = planes
    half = tuple(slice(s.start // 2, (s.stop + 1) // 2) for s in box)
    return luma[box], chroma_u[half], chroma_v[half]


@dataclass(frozen=True, slots=True)
class _Things:
    """Connected things of a mask: OpenCV's stats rows, centroids, and the mask's longer side."""

    stats: npt.NDArray[np.int32]
    centres: npt.NDArray[np.float64]
    long_side: int

    def only(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> _Things:
        return _Things(self.stats[which], self.centres[which], self.long_side)

    def joined(self, other: _Things) -> _Things:
        return _Things(
            np.concatenate([self.stats, other.stats]),
            np.concatenate([self.centres, other.centres]),
            self.long_side,
        )

    def moved(self, x: int, y: int) -> _Things:
        stats = self.stats.copy()
        stats[:, :2] += (x, y)
        return _Things(stats, np.add(self.centres, (x, y)), self.long_side)

    def compact(self) -> _Things:
        """Those whose outline could be a ball's or its streak's."""
        w, h, area = self.stats[:, 2], self.stats[:, 3], self.stats[:, 4]
        longest, shortest = np.maximum(w, h), np.minimum(w, h)
        return self.only(
            (longest >= MIN_SIZE_OF_LONG_SIDE * self.long_side)
            & (shortest >= 3)
            & (longest <= MAX_SIZE_OF_LONG_SIDE * self.long_side)
            & (longest <= 4.5 * shortest)
            & (area >= 0.25 * w * h)
        )

    def inside(self, others: _Things) -> npt.NDArray[np.bool_]:
        """Which have their middle inside the box of one of the others, (N,)."""
        x, y = self.centres[:, :1], self.centres[:, 1:]
        left, top, w, h = (others.stats[:, k][None, :] for k in range(4))
        hit = (x >= left) & (x <= left + w) & (y >= top) & (y <= top + h)
        return np.asarray(hit.any(axis=1), bool)


def _things(mask: MatLike, stirred: MatLike | None, long_side: int) -> _Things:
    """Find the connected things of a mask (0 or 255).

    Where ``stirred`` is given, only those of which a part moved lately: a slow or large ball has
    moved only at its rim.
    """
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, _CLOSING)
    _, labels, rows, middles = cv2.connectedComponentsWithStats(
        closed, connectivity=8, ltype=cv2.CV_16U
    )
    stats = np.asarray(rows[1:], np.int32)
    things = _Things(stats, np.asarray(middles[1:]), long_side)
    if stirred is None:
        return things
    moved = cv2.calcHist([labels], [0], stirred, [len(rows)], [0, len(rows)])[1:, 0]
    return things.only(moved >= STIRRED_SHARE * stats[:, cv2.CC_STAT_AREA])


def _roundness(stats: npt.NDArray[np.int32]) -> npt.NDArray[np.float64]:
    w, h, area = (stats[:, k].astype(float) for k in (2, 3, 4))
    squareness = np.minimum(w, h) / np.maximum(w, h)
    return np.asarray(squareness * area / (w * h) * np.sqrt(np.sqrt(area)))
