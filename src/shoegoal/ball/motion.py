"""Compact moving things, found by their outlines: candidates for the ball."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from math import pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

from shoegoal.ball.background import (
    BackgroundModel,
    Thing,
    paint_difference,
    shadow_like,
    things_in,
)
from shoegoal.clip.reduced import Planes, SmallFrame

LOOK_BACK_S = 0.13  # long enough for a far ball to have left its own disc
MAX_BLOBS = 14  # per frame, so that leaves and limbs cannot make a frame costly
MIN_SIZE_OF_LONG_SIDE = 0.0075  # a ball thinner than this share of the picture can't be judged
MAX_SIZE_OF_LONG_SIDE = 0.22
STIRRED_SHARE = 0.1  # of a thing must have moved for the whole of it to count as moving

U8 = npt.NDArray[np.uint8]
MIN_SIDE_PX = 3
MAX_ASPECT = 4.5
MIN_FILL = 0.25  # of its box
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
    stirred : (h, w) small pixels that stand out and have just changed, 255; None for none.
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

    def update(self, small: SmallFrame, settled: BackgroundModel) -> Motion:
        """Report what stands out from the background model and was not there a moment ago.

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
        things = sorted(_compact_things(small.planes, settled.small, away, stirred), key=_roundness)
        blobs = []
        for thing in things[: -MAX_BLOBS - 1 : -1]:
            x, y = ((at + 0.5) / small.scale - 0.5 for at in thing.middle)
            blobs.append(Blob(x, y, sqrt(4 * thing.area / pi) / small.scale))
        return Motion(tuple(blobs), np.asarray(stirred, np.uint8), small.scale)


def _compact_things(now: Planes, settled: Planes, away: MatLike, stirred: MatLike) -> list[Thing]:
    """Find what of the things that stand out could be a ball or its streak."""
    # Every step costs by area, so all work within the box in which anything stands out.
    long_side = max(away.shape)
    x, y, w, h = cv2.boundingRect(away)
    x0, y0 = max(0, x - BOX_RIM_PX) & ~1, max(0, y - BOX_RIM_PX) & ~1
    box = (slice(y0, y + h + BOX_RIM_PX), slice(x0, x + w + BOX_RIM_PX))
    away, stirred = away[box], stirred[box]
    solid = cv2.copyTo(away, 1 - shadow_like(_within(now, box), _within(settled, box)))

    def is_ball_sized(width: int, height: int) -> bool:
        longest, shortest = max(width, height), min(width, height)
        return (
            MIN_SIZE_OF_LONG_SIDE * long_side <= longest <= MAX_SIZE_OF_LONG_SIDE * long_side
            and shortest >= MIN_SIDE_PX
            and longest <= MAX_ASPECT * shortest
        )

    # A ball may be one thing with its shadow left out, one thing with it, or the part of a
    # larger thing that moved. Earlier readings win where they overlap. A slow or large ball has
    # moved only at its rim.
    kept: list[Thing] = []
    for mask, least in (
        (solid, STIRRED_SHARE),
        (away, STIRRED_SHARE),
        (cv2.bitwise_and(solid, stirred), 0.0),
    ):
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, _CLOSING)
        more = [
            thing
            for thing in things_in(closed, is_ball_sized)
            if thing.area >= MIN_FILL * thing.width * thing.height
            and not any(other.covers(*thing.middle) for other in kept)
            and (not least or thing.share_in(stirred) >= least)
        ]
        kept += more
    return [
        replace(
            thing,
            left=thing.left + x0,
            top=thing.top + y0,
            middle=(thing.middle[0] + x0, thing.middle[1] + y0),
        )
        for thing in kept
    ]


def _within(planes: Planes, box: tuple[slice, slice]) -> Planes:
    """Cut a box that starts at even pixels out of luma and half-size chroma."""
    luma, chroma_u, chroma_v = planes
    half = tuple(slice(s.start // 2, (s.stop + 1) // 2) for s in box)
    return luma[box], chroma_u[half], chroma_v[half]


def _roundness(thing: Thing) -> float:
    w, h = thing.width, thing.height
    return min(w, h) / max(w, h) * thing.area / (w * h) * sqrt(sqrt(thing.area))
