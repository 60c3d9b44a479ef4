"""Make planes smaller, fast."""

from __future__ import annotations

import cv2
import numpy as np

from shoegoal.clip.frame import U8


def reduce_plane(plane: U8, width_px: int, height_px: int) -> U8:
    """Reduce a plane without flicker on fine texture; the result owns its memory.

    Parameters
    ----------
    plane : (H, W) uint8.
    width_px, height_px : size of the result, no larger than the plane.

    Returns
    -------
    (height_px, width_px) uint8.

    Notes
    -----
    Averaging over whole blocks is some ten times as fast as averaging over fractions of pixels:
    so whole blocks first, and the rest of the way (less than a half) by interpolation. Up to a
    block of columns or rows at the right and lower edges is left out (`reduction_scale`).
    """
    blocks, cut_width, cut_height = _whole_blocks(plane.shape[1], plane.shape[0], width_px)
    if blocks > 1:
        size = (cut_width // blocks, cut_height // blocks)
        area = plane[:cut_height, :cut_width]
        plane = np.asarray(cv2.resize(area, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if plane.shape == (height_px, width_px):
        return plane if blocks > 1 else plane.copy()
    rest = cv2.resize(plane, (width_px, height_px), interpolation=cv2.INTER_LINEAR)
    return np.asarray(rest, dtype=np.uint8)


def reduction_scale(
    width_px: int, height_px: int, to_width_px: int, to_height_px: int
) -> tuple[float, float]:
    """Return what `reduce_plane` does to lengths: reduced pixels per pixel along x and y."""
    _, cut_width, cut_height = _whole_blocks(width_px, height_px, to_width_px)
    return to_width_px / cut_width, to_height_px / cut_height


def _whole_blocks(width_px: int, height_px: int, to_width_px: int) -> tuple[int, int, int]:
    blocks = max(1, width_px // to_width_px)
    return blocks, width_px // blocks * blocks, height_px // blocks * blocks
