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


class MotionWatcher:
    """Finds compact moving things frame by frame."""

    def __init__(self) -> None:
        self._past: deque[tuple[float, Planes]] = deque()
        self._stirred: MatLike | None = None
        self._scale = 1.0

    def update(self, small: SmallFrame, settled: SettledPicture) -> list[Blob]:
        """Report what stands out from the settled picture and was not there a moment ago.

        At most ``MAX_BLOBS`` things are reported, the most compact ones.

        Both conditions matter: the first drops the hole that a thing leaves behind, the second
        drops things at rest that have not settled yet.
        """
        while len(self._past) > 1 and small.time_s - self._past[1][0] >= LOOK_BACK_S:
            self._past.popleft()
        past = self._past[0][1] if self._past else None
        self._past.append((small.time_s, small.planes))
        self._stirred, self._scale = None, small.scale
        if past is None:
            return []
        lately = cv2.compare(
            paint_difference(small.planes, past), settled.levels, cv2.CMP_GE
        )
        if not cv2.hasNonZero(lately):
            return []
        away = cv2.compare(settled.difference(small), settled.levels, cv2.CMP_GE)
        stirred = cv2.bitwise_and(away, lately)
        if not cv2.hasNonZero(stirred):
            return []
        self._stirred = stirred
        solid = cv2.copyTo(away, 1 - shadow_like(small.planes, settled.small))
        # A ball may be one thing with its shadow left out, one thing with it, or the part of a
        # larger thing that moved. Earlier readings win where they overlap.
        readings = (
            _things(solid, stirred),
            _things(away, stirred),
            _things(cv2.bitwise_and(solid, stirred)),
        )
        things = readings[0].compact()
        for reading in readings[1:]:
            more = reading.compact()
            things = things.joined(more.only(~more.inside(things)))
        if len(things.stats) > MAX_BLOBS:
            things = things.only(np.argsort(-_roundness(things.stats))[:MAX_BLOBS])
        areas = things.stats[:, cv2.CC_STAT_AREA]
        return [
            Blob(
                float((x + 0.5) / small.scale - 0.5),
                float((y + 0.5) / small.scale - 0.5),
                float(np.sqrt(4 * area / np.pi) / small.scale),
            )
            for (x, y), area in zip(things.centres, areas, strict=True)
        ]

    def stirs_near(self, x_px: float, y_px: float, reach_px: float) -> bool:
        """Whether anything moved lately within a square round a native point."""
        if self._stirred is None:
            return False
        x, y, reach = (v * self._scale for v in (x_px, y_px, reach_px))
        rows = slice(max(0, int(y - reach)), max(0, int(y + reach) + 1))
        columns = slice(max(0, int(x - reach)), max(0, int(x + reach) + 1))
        return bool(np.asarray(self._stirred)[rows, columns].any())


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


def _things(mask: MatLike, stirred: MatLike | None = None) -> _Things:
    """Find the connected things of a mask (0 or 255).

    Where ``stirred`` is given, only those of which a part moved lately: a slow or large ball has
    moved only at its rim.
    """
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, _CLOSING)
    x, y, w, h = cv2.boundingRect(closed)  # labelling costs by area, whatever is in it
    inside = (slice(y, y + max(1, h)), slice(x, x + max(1, w)))
    _, labels, rows, middles = cv2.connectedComponentsWithStats(
        closed[inside], connectivity=8, ltype=cv2.CV_16U
    )
    stats = np.asarray(rows[1:], np.int32)
    stats[:, :2] += (x, y)
    things = _Things(stats, np.add(middles[1:], (x, y)), max(mask.shape))
    if stirred is None:
        return things
    touched = np.bincount(labels[stirred[inside] > 0], minlength=len(rows))[1:]
    return things.only(touched >= STIRRED_SHARE * stats[:, cv2.CC_STAT_AREA])


def _roundness(stats: npt.NDArray[np.int32]) -> npt.NDArray[np.float64]:
    w, h, area = (stats[:, k].astype(float) for k in (2, 3, 4))
    squareness = np.minimum(w, h) / np.maximum(w, h)
    return np.asarray(squareness * area / (w * h) * np.sqrt(np.sqrt(area)))
