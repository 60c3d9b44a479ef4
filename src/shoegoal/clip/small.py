"""The small copy of a frame on which motion is looked for: 640 px on its long side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.reader import Frame

SMALL_LONG_SIDE_PX = 640

U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class SmallFrame:
    """A frame reduced for motion.

    Attributes
    ----------
    time_s : presentation time of the frame it was made from.
    luma : (h, w) uint8.
    chroma_u, chroma_v : (h/2, w/2) uint8.
    scale : small pixels per native pixel.
    half : the frame at exactly half its size, where that was a step on the way; else None.
    """

    time_s: float
    luma: U8
    chroma_u: U8
    chroma_v: U8
    scale: float
    half: Frame | None = None

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
    half = None
    if _halves_evenly(frame.luma, size) and _halves_evenly(frame.chroma_u, chroma_size):
        luma, chroma_u, chroma_v = (_halved(plane) for plane in frame.planes)
        half = replace(frame, luma=luma, chroma_u=chroma_u, chroma_v=chroma_v)
    start = half or frame
    return SmallFrame(
        frame.time_s,
        _reduce(start.luma, size),
        _reduce(start.chroma_u, chroma_size),
        _reduce(start.chroma_v, chroma_size),
        size[0] / width,
        half,
    )


def _halved(plane: U8) -> U8:
    return _resize(plane, (plane.shape[1] // 2, plane.shape[0] // 2), cv2.INTER_AREA)


def _reduce(plane: U8, size: tuple[int, int]) -> U8:
    """Halve as often as it goes, then go the rest of the way by interpolation.

    Averaging blocks of two by two is some seven times as fast as any other averaging (OpenCV
    4.14, 1080p), and what is left is less than a half and needs no averaging.
    """
    while _halves_evenly(plane, size):
        plane = _halved(plane)
    height, width = plane.shape
    if (width, height) == size:
        return plane
    near = width < 2 * size[0] and height < 2 * size[1]
    return _resize(plane, size, cv2.INTER_LINEAR if near else cv2.INTER_AREA)


def _halves_evenly(plane: U8, size: tuple[int, int]) -> bool:
    height, width = plane.shape
    is_even = width % 2 == 0 and height % 2 == 0
    return bool(is_even and width >= 2 * size[0] and height >= 2 * size[1])


def _resize(plane: U8, size: tuple[int, int], how: int) -> U8:
    return np.asarray(cv2.resize(plane, size, interpolation=how), dtype=np.uint8)
