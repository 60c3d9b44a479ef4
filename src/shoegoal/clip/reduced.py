"""Smaller copies of a picture: for motion, for windows of any size, for comparing takes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from shoegoal.clip.frame import U8, Frame

SMALL_LONG_SIDE_PX = 640
Planes = tuple[U8, U8, U8]
TINY_LONG_SIDE_PX = 80


@dataclass(frozen=True, slots=True)
class SmallFrame:
    """A frame reduced for motion.

    Attributes
    ----------
    time_s : presentation time of the frame it was made from.
    luma : (h, w) uint8.
    chroma_u, chroma_v : (h/2, w/2) uint8.
    scale : small pixels per native pixel.
    halvings : the frame it was made from, at its own size and halved.
    """

    time_s: float
    luma: U8
    chroma_u: U8
    chroma_v: U8
    scale: float
    halvings: Halvings

    @property
    def planes(self) -> tuple[U8, U8, U8]:
        """(luma, u, v) together."""
        return self.luma, self.chroma_u, self.chroma_v


def small_frame(frame: Frame, long_side_px: int = SMALL_LONG_SIDE_PX) -> SmallFrame:
    """Reduce a frame; one that is already small keeps its size.

    Parameters
    ----------
    frame : Frame
    long_side_px : length of the longer side of the result.
    """
    height, width = frame.luma.shape
    scale = min(1.0, long_side_px / max(height, width))
    size = (max(2, round(width * scale / 2) * 2), max(2, round(height * scale / 2) * 2))
    chroma_size = (size[0] // 2, size[1] // 2)
    halvings = Halvings(frame.planes)
    times = 0
    # The rest is less than a halving and needs no averaging.
    while all(map(_halves_evenly, halvings.at(times), (size, chroma_size, chroma_size))):
        times += 1
    luma, chroma_u, chroma_v = halvings.at(times)
    return SmallFrame(
        frame.time_s,
        _reduced(luma, size),
        _reduced(chroma_u, chroma_size),
        _reduced(chroma_v, chroma_size),
        size[0] / width,
        halvings,
    )


def _reduced(plane: U8, size: tuple[int, int]) -> U8:
    height, width = plane.shape
    if (width, height) == size:
        return plane
    near = width < 2 * size[0] and height < 2 * size[1]
    how = cv2.INTER_LINEAR if near else cv2.INTER_AREA
    return np.asarray(cv2.resize(plane, size, interpolation=how), dtype=np.uint8)


def _halves_evenly(plane: U8, size: tuple[int, int]) -> bool:
    height, width = plane.shape
    is_even = width % 2 == 0 and height % 2 == 0
    return bool(is_even and width >= 2 * size[0] and height >= 2 * size[1])


@dataclass(frozen=True, slots=True)
class Window:
    """A square of native pixels, and how often they are halved before it is cut out.

    Its place and side are whole pixels of luma at that halving, and of chroma, which is half as
    large already and halved once less.
    """

    x0: int
    y0: int
    side: int
    halvings: int = 0


class Halvings:
    """A picture's planes at every halving, and windows of them; each is made once.

    A pixel of a halving is the mean of two by two, about seven times as fast as any other averaging
    (OpenCV 4.14, 1080p). If a side is odd, its last column or row is left out.

    Parameters
    ----------
    planes : (luma, u, v); luma (H, W), chroma (H/2, W/2). Never written to from then on.
    """

    def __init__(self, planes: Planes) -> None:
        self._made = [planes]
        self._windows: dict[tuple[Window, int], U8] = {}

    @property
    def planes(self) -> Planes:
        """(luma, u, v) at the picture's own size."""
        return self._made[0]

    def at(self, times: int) -> Planes:
        """(luma, u, v) halved this many times."""
        while len(self._made) <= times:
            luma, chroma_u, chroma_v = self._made[-1]
            self._made.append((halved(luma), halved(chroma_u), halved(chroma_v)))
        return self._made[times]

    def window(self, window: Window, side_px: int) -> U8:
        """Cut a window out and bring it to a size.

        Parameters
        ----------
        window : may reach over the edge, where the picture's border is repeated.
        side_px : of the result.

        Returns
        -------
        (3, side_px, side_px) uint8, luma, u and v, read-only: windows are kept,
        because the same ones are asked for again and again.
        """
        made = self._windows.get((window, side_px))
        if made is None:
            made = self._windows[window, side_px] = np.empty((3, side_px, side_px), np.uint8)
            for plane, target in enumerate(made):
                # Chroma is half as large as luma to begin with.
                times = max(0, window.halvings - (plane > 0))
                by = times + (plane > 0)
                x0, y0, side = window.x0 >> by, window.y0 >> by, window.side >> by
                _fit(self._cut(plane, times, x0, y0, side), target)
            made.flags.writeable = False
        return made

    def _cut(self, plane: int, times: int, x0: int, y0: int, side: int) -> U8:
        """Cut a square out of a plane halved so often; only the square is halved if need be."""
        made = min(times, len(self._made) - 1)
        source, left = self._made[made][plane], times - made
        height, width = source.shape[0] >> left, source.shape[1] >> left
        x1, y1 = x0 + side, y0 + side
        if x0 >= 0 and y0 >= 0 and x1 <= width and y1 <= height:
            square = source[y0 << left : y1 << left, x0 << left : x1 << left]
            for _ in range(left):
                square = halved(square)
            return square
        rows = np.clip(np.arange(y0, y1), 0, height - 1)
        columns = np.clip(np.arange(x0, x1), 0, width - 1)
        return self.at(times)[plane][np.ix_(rows, columns)]


def _fit(plane: U8, target: U8) -> None:
    side = target.shape[0]
    how = cv2.INTER_AREA if plane.shape[0] > side else cv2.INTER_LINEAR
    cv2.resize(plane, (side, side), dst=target, interpolation=how)


def halved(plane: U8) -> U8:
    """Average a plane over blocks of two by two."""
    height, width = (max(1, side // 2) for side in plane.shape)
    whole = plane[: 2 * height, : 2 * width]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def tiny_luma(luma: U8) -> U8:
    """Average a luma plane down to `TINY_LONG_SIDE_PX`, whatever its size was.

    Parameters
    ----------
    luma : (h, w) uint8.

    Returns
    -------
    (h', w') uint8 of the same shape, the longer side `TINY_LONG_SIDE_PX`; noise and coding
    flicker are averaged away, and a rescaled copy of a clip gives the same picture.
    """
    height, width = luma.shape
    scale = TINY_LONG_SIDE_PX / max(height, width)
    rows, columns = max(1, round(height * scale)), max(1, round(width * scale))
    # Averaging two by two is several times as fast as any other averaging.
    while not (luma.shape[0] % 2 or luma.shape[1] % 2) and luma.shape[1] >= 2 * columns:
        half = (luma.shape[1] // 2, luma.shape[0] // 2)
        luma = np.asarray(cv2.resize(luma, half, interpolation=cv2.INTER_AREA), np.uint8)
    if luma.shape == (rows, columns):
        return luma
    return np.asarray(cv2.resize(luma, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)
