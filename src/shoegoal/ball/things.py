"""Connected things of a mask, by their outlines: only those of a wanted size are measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Thing:
    """Pixels that touch each other, corners included.

    Attributes
    ----------
    left, top, width, height : of its box, px.
    area : pixels, those of holes left out.
    outline : (n, 1, 2) int32, its outermost pixels.
    """

    left: int
    top: int
    width: int
    height: int
    area: int
    outline: MatLike

    @property
    def middle(self) -> tuple[float, float]:
        """Centroid of what its outline holds, px."""
        m = cv2.moments(self.outline)
        if m["m00"] > 0:
            return m["m10"] / m["m00"], m["m01"] / m["m00"]
        x, y = np.mean(self.outline, axis=(0, 1))
        return float(x), float(y)

    def covers(self, x: float, y: float) -> bool:
        """Whether a point lies in its box."""
        return self.left <= x <= self.left + self.width and self.top <= y <= self.top + self.height

    def share_in(self, mask: MatLike) -> float:
        """Share of what its outline holds that is set in a mask."""
        own: U8 = np.zeros((self.height, self.width), np.uint8)
        cv2.drawContours(own, [self.outline], 0, 255, cv2.FILLED, offset=(-self.left, -self.top))
        box = mask[self.top : self.top + self.height, self.left : self.left + self.width]
        return cv2.countNonZero(cv2.bitwise_and(own, box)) / max(1, self.area)


def things_in(mask: MatLike, is_wanted: Callable[[int, int], bool]) -> Iterator[Thing]:
    """Find the things of a mask.

    Parameters
    ----------
    mask : (h, w) uint8, 0 where there is nothing.
    is_wanted : told a box's width and height, px, whether its thing is wanted.
    """
    outlines, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    for k, outline in enumerate(outlines):
        _, _, hole, around = tree[0, k].tolist()
        if around >= 0:
            continue
        left, top, width, height = cv2.boundingRect(outline)
        if not is_wanted(width, height):
            continue
        # Pixels within a closed chain of pixels: Pick 1899, area + half the boundary's + 1.
        edge = len(outline) if len(outline) > 1 else 0
        area = cv2.contourArea(outline) + edge / 2 + 1
        while hole >= 0:
            area -= cv2.contourArea(outlines[hole]) - len(outlines[hole]) / 2 + 1
            hole = int(tree[0, hole, 0])
        yield Thing(left, top, width, height, round(area), outline)
