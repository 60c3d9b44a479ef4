"""The settled picture: what the yard looks like once everything that moves has gone.

A pixel settles when it has kept its value over three samples, ``SETTLE_STEP_S`` apart. The
settled picture serves twice: moving things stand out against it, and a round patch of it that
changes from one settled value to another is a ball that was put down or has left.
"""

from __future__ import annotations

from collections import deque

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

from shoegoal.clip.frame import Frame
from shoegoal.clip.halvings import Halvings, Planes
from shoegoal.clip.small import SmallFrame

SETTLE_STEP_S = 0.2
REFRESH_S = 1.0  # the native picture takes in slow changes of the light this often
MARKS_KEPT = 3
NEW_MARGIN_PX = 4  # small pixels round what has newly settled that the native picture takes in
MIN_CONTRAST = 10.0  # grey levels; below this, H.264 blocks flicker on textured ground
NOISE_MULTIPLE = 5.0  # times the grain that a place shows from frame to frame
GRAIN_STEP = 1.0  # levels per sample by which the grain estimate follows
GRAIN_QUANTILE = 0.75
GRAIN_REACH_PX = 9  # small pixels over which the grain is pooled
SHADOW_DARKEST = 0.4  # of the unshaded light: sky and bounce light fill even hard shadows
SHADOW_TINT = 6  # chroma levels that a blue sky's fill light may shift
CHROMA_GAIN = 2.0  # chroma swings are about half as large as luma swings for the same paint

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]


def paint_difference(a: tuple[U8, U8, U8], b: tuple[U8, U8, U8]) -> U8:
    """How much two pictures differ per pixel, in luma levels, chroma weighed in.

    Parameters
    ----------
    a, b : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2) or (H, W).

    Returns
    -------
    (H, W) uint8, saturating at 255.
    """
    luma = cv2.absdiff(a[0], b[0])
    chroma = cv2.max(cv2.absdiff(a[1], b[1]), cv2.absdiff(a[2], b[2]))
    chroma = cv2.convertScaleAbs(chroma, alpha=CHROMA_GAIN)
    if chroma.shape != luma.shape:
        chroma = _doubled(chroma, luma.shape)
    return np.asarray(cv2.max(luma, chroma), dtype=np.uint8)


def _doubled(plane: MatLike, shape: tuple[int, ...]) -> U8:
    """Repeat every pixel two by two, as far as ``shape`` goes.

    What ``cv2.INTER_NEAREST`` does, in a quarter of its time (OpenCV 4.14).
    """
    height, width = plane.shape
    wide = cv2.merge([plane, plane]).reshape(height, 2 * width)
    return np.asarray(np.repeat(wide, 2, axis=0)[: shape[0], : shape[1]], np.uint8)


def shadow_like(now: tuple[U8, U8, U8], before: tuple[U8, U8, U8]) -> U8:
    """Where a picture may merely be shaded: darker than before, of the same colour.

    A shadow scales the light that a surface sends back (Cucchiara et al. 2003, there in HSV), so
    chroma keeps its sign and shrinks with the luma. A dark ball may pass this test too, so callers
    keep both readings.

    Parameters
    ----------
    now, before : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2) or (H, W).

    Returns
    -------
    (H, W) uint8, 1 where shadow-like.
    """
    darkest = cv2.convertScaleAbs(before[0], alpha=SHADOW_DARKEST)
    darker = cv2.bitwise_and(
        cv2.compare(now[0], before[0], cv2.CMP_LT), cv2.compare(now[0], darkest, cv2.CMP_GE)
    )
    same_hue = cv2.bitwise_and(_paler(now[1], before[1]), _paler(now[2], before[2]))
    if same_hue.shape != darker.shape:
        same_hue = _doubled(same_hue, darker.shape)
    both: U8 = np.asarray(cv2.bitwise_and(darker, same_hue), np.uint8)
    return np.asarray(both >> 7, np.uint8)


def _paler(now: U8, before: U8) -> cv2.typing.MatLike:
    """255 where a chroma plane kept its sign and lost strength, within `SHADOW_TINT`."""
    return cv2.bitwise_and(
        cv2.compare(now, cv2.LUT(before, _PALEST), cv2.CMP_GE),
        cv2.compare(now, cv2.LUT(before, _FULLEST), cv2.CMP_LE),
    )


def _chroma_limits() -> tuple[U8, U8]:
    """Lower and upper chroma that a shaded surface may show, by its lit chroma, (256,) each."""
    lit = np.arange(256) - 128.0
    ends = np.stack([lit, SHADOW_DARKEST * lit])
    low = np.clip(ends.min(axis=0) - SHADOW_TINT + 128, 0, 255).astype(np.uint8)
    high = np.clip(ends.max(axis=0) + SHADOW_TINT + 128, 0, 255).astype(np.uint8)
    return low, high


_PALEST, _FULLEST = _chroma_limits()


class SettledPicture:
    """Keeps the settled picture small (for motion) and native (for measuring).

    Attributes
    ----------
    scale : small pixels per native pixel.
    small : (luma, u, v) of the settled picture, brought up to date in place.
    native : the same at its own size; a new one takes its place whenever it changes.
    contrast : (h, w) levels from which on a difference is paint rather than noise.
    levels : the same, rounded up to whole levels, for comparing with differences fast.
    last_match_s : (h, w) when the frame last looked like the settled picture there.
    """

    def __init__(self, first: Frame, first_small: SmallFrame) -> None:
        self.scale = first_small.scale
        self.small: Planes = _copied(first_small.planes)
        self.native = Halvings(_copied(first.planes))
        self.contrast: F32 = np.full(self.small[0].shape, MIN_CONTRAST, np.float32)
        self.levels: U8 = _whole_levels(self.contrast)
        self._grain: F32 | None = None
        self._samples: list[tuple[float, Planes]] = [(first.time_s, first_small.planes)]
        self._latest: tuple[Frame, SmallFrame] = (first, first_small)
        self._refreshed_s = first.time_s
        self.last_match_s: F32 = np.full(self.small[0].shape, first.time_s, np.float32)
        self._left_since: deque[F32] = deque(maxlen=MARKS_KEPT)

    def mark(self) -> F32:
        """Return (h, w) of when each look of this moment was last seen; NaN while it is there.

        It is filled in as the looks go, until so many later marks were set as are kept. What hides
        a place for a while may become a look of its own: a ball has left when its own look did.
        """
        left_s: F32 = np.full(self.small[0].shape, np.nan, np.float32)
        self._left_since.append(left_s)
        return left_s

    def difference(self, small: SmallFrame) -> U8:
        """(h, w) difference of a small frame from the settled picture, luma levels."""
        return paint_difference(small.planes, self.small)

    def _watch_grain(self, step: U8) -> None:
        """Follow how much each place flickers by itself (noise, grass, wind, a shaky tripod).

        The grain is a running upper quantile (Robbins & Monro 1951) of the difference between
        samples, so a kicker who crosses now and then does not raise it.
        """
        pooled = cv2.blur(step, (3, 3)).astype(np.float32)
        if self._grain is None:
            self._grain = np.minimum(pooled, 2 * float(np.median(pooled)) + 1)
        else:
            rises = cv2.compare(pooled, self._grain, cv2.CMP_GT)
            down = -GRAIN_STEP * (1 - GRAIN_QUANTILE)
            moved = cv2.addWeighted(
                self._grain, 1.0, rises, GRAIN_STEP / 255, down, dtype=cv2.CV_32F
            )
            self._grain = np.maximum(np.asarray(moved, np.float32), np.float32(0))
        local = cv2.blur(self._grain, (GRAIN_REACH_PX, GRAIN_REACH_PX))
        self.contrast = np.maximum(np.float32(NOISE_MULTIPLE) * local, np.float32(MIN_CONTRAST))
        self.levels = _whole_levels(self.contrast)

    def update(self, frame: Frame, small: SmallFrame) -> None:
        """Take one frame in; every ``SETTLE_STEP_S`` what has kept its look is absorbed."""
        self._latest = (frame, small)
        if frame.time_s - self._samples[-1][0] < SETTLE_STEP_S:
            return
        planes = small.planes
        step = paint_difference(planes, self._samples[-1][1])
        self._watch_grain(step)
        self._samples.append((frame.time_s, planes))
        if len(self._samples) < 3:
            return
        _, oldest = self._samples.pop(0)
        moved = cv2.max(step, paint_difference(planes, oldest))
        self._absorb(frame, small, cv2.compare(moved, self.levels, cv2.CMP_LT))

    def finish(self) -> None:
        """Absorb, at the clip's end, what has only just begun to settle."""
        frame, small = self._latest
        earlier = [planes for time_s, planes in self._samples if time_s < small.time_s]
        if earlier:
            self._refreshed_s = -np.inf
            step = paint_difference(small.planes, earlier[-1])
            self._absorb(frame, small, cv2.compare(step, self.levels, cv2.CMP_LT))

    def _absorb(self, frame: Frame, small: SmallFrame, stable: MatLike) -> None:
        """Take in what is ``stable`` (255, else 0).

        The native picture takes in what looks new at once, and the rest, where only the light has
        drifted, from time to time.
        """
        alike = cv2.compare(self.difference(small), self.levels, cv2.CMP_LT)
        new = cv2.bitwise_and(stable, cv2.bitwise_not(alike))
        changed = np.asarray(new) > 0
        for left_s in self._left_since:
            np.copyto(left_s, self.last_match_s, where=changed & np.isnan(left_s))
        seen = cv2.bitwise_or(stable, alike)
        np.copyto(self.last_match_s, np.float32(frame.time_s), where=np.asarray(seen) > 0)
        height, width = self.small[0].shape
        everywhere = (0, 0, width, height)
        _take_in(small.planes, self.small, stable, everywhere)
        if frame.time_s - self._refreshed_s >= REFRESH_S:
            self._refreshed_s = frame.time_s
            self._renew(frame, stable, everywhere)
        elif cv2.hasNonZero(new):
            x, y, w, h = cv2.boundingRect(new)
            x0, y0 = max(0, x - NEW_MARGIN_PX), max(0, y - NEW_MARGIN_PX)
            x1, y1 = min(width, x + w + NEW_MARGIN_PX), min(height, y + h + NEW_MARGIN_PX)
            self._renew(frame, stable, (x0, y0, x1 - x0, y1 - y0))

    def _renew(self, frame: Frame, stable: MatLike, box: Box) -> None:
        planes = _copied(self.native.planes)
        _take_in(frame.planes, planes, stable, box)
        self.native = Halvings(planes)


def _whole_levels(contrast: F32) -> U8:
    return np.ceil(np.minimum(contrast, 255)).astype(np.uint8)


def _copied(planes: Planes) -> Planes:
    return planes[0].copy(), planes[1].copy(), planes[2].copy()


def _take_in(now: Planes, settled: Planes, stable: MatLike, box: Box) -> None:
    """Copy planes of any size where ``stable`` is set, within a box of ``stable``."""
    x, y, w, h = box
    mask = stable[y : y + h, x : x + w]
    for source, target in zip(now, settled, strict=True):
        zoom_y, zoom_x = (n / m for n, m in zip(target.shape, stable.shape, strict=True))
        rows = slice(round(y * zoom_y), round((y + h) * zoom_y))
        columns = slice(round(x * zoom_x), round((x + w) * zoom_x))
        there = target[rows, columns]
        size = (there.shape[1], there.shape[0])
        fitted = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
        cv2.copyTo(source[rows, columns], fitted, there)
