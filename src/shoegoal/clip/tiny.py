"""The tiny copy of a picture on which takes are compared: 80 px on its long side."""

from __future__ import annotations

import cv2
import numpy as np

from shoegoal.clip.frame import U8

TINY_LONG_SIDE_PX = 80


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
