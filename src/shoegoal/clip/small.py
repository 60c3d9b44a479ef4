"""The small copy of a frame on which motion is looked for: 640 px on its long side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import Frame
from shoegoal.clip.halvings import Halvings

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
