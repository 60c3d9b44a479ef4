"""A moving thing with its surroundings, put by so that the detector may be asked about it later."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from shoegoal.ball.detector import CONTEXT_DIAMETERS, CROP_INPUT_PX, ball_score
from shoegoal.clip.frame import U8, planes_to_bgr
from shoegoal.clip.reader import Frame


@dataclass(frozen=True, slots=True, eq=False)
class Portrait:
    """A crop, at most as large as the detector takes in, and the thing's place in it.

    Attributes
    ----------
    bgr : (H, W, 3) uint8.
    x_px, y_px, size_px : centre and diameter of the thing in the crop.
    """

    bgr: U8
    x_px: float
    y_px: float
    size_px: float

    def ball_score(self) -> float:
        """How much the thing looks like a ball, 0..1."""
        return ball_score(self.bgr, self.x_px, self.y_px, self.size_px)


def take_portrait(frame: Frame, x_px: float, y_px: float, size_px: float) -> Portrait:
    """Cut a thing and its surroundings out of a frame; the result owns its memory."""
    height, width = frame.luma.shape
    half = CONTEXT_DIAMETERS / 2 * size_px
    x0, y0 = max(0, int(x_px - half)) // 2 * 2, max(0, int(y_px - half)) // 2 * 2
    x1, y1 = min(width, int(x_px + half) + 2) // 2 * 2, min(height, int(y_px + half) + 2) // 2 * 2
    luma = frame.luma[y0:y1, x0:x1]
    zoom = min(1.0, CROP_INPUT_PX / max(luma.shape))
    size = (max(1, round(luma.shape[1] * zoom)), max(1, round(luma.shape[0] * zoom)))
    chroma = (plane[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2] for plane in frame.planes[1:])
    # Reduced before it is coloured: the fewer pixels the better.
    planes = [_reduced(luma, size), *(_reduced(plane, size) for plane in chroma)]
    bgr = planes_to_bgr(
        planes[0], planes[1], planes[2], full_range=frame.full_range, matrix=frame.matrix
    )
    return Portrait(bgr, (x_px - x0) * zoom, (y_px - y0) * zoom, size_px * zoom)


def _reduced(plane: U8, size: tuple[int, int]) -> U8:
    """Bring a plane down to a size; one that is no larger stays as it is."""
    if plane.shape[1] <= size[0]:
        return plane
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.uint8)
