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
        """(luma, u, v) in one go."""
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
    # What is left is less than a half and needs no averaging.
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


class Halvings:
    """The planes of a picture, halved as often as asked for; each halving is made once.

    A pixel of a halving is the mean of two by two, which is some seven times as fast as any other
    averaging (OpenCV 4.14, 1080p). Of an odd side the last column or row is left out.

    Parameters
    ----------
    planes : (luma, u, v); luma (H, W), chroma (H/2, W/2). Never written to from then on.
    """

    def __init__(self, planes: Planes) -> None:
        self._made = [planes]

    @property
    def planes(self) -> Planes:
        """(luma, u, v) at the picture's own size."""
        return self._made[0]

    def at(self, times: int) -> Planes:
        """(luma, u, v) halved so often."""
        while len(self._made) <= times:
            luma, chroma_u, chroma_v = self._made[-1]
            self._made.append((halved(luma), halved(chroma_u), halved(chroma_v)))
        return self._made[times]


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
