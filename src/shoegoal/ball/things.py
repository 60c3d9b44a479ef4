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
    left, top : of its box, px.
    own : (height, width) uint8, the pixels of its box that are its own, 255.
    area : how many they are.
    middle : their centroid, px.
    """

    left: int
    top: int
    own: U8
    area: int
    middle: tuple[float, float]

    @property
    def width(self) -> int:
        """Of its box, px."""
        return int(self.own.shape[1])

    @property
    def height(self) -> int:
        """Of its box, px."""
        return int(self.own.shape[0])

    def covers(self, x: float, y: float) -> bool:
        """Whether a point lies in its box."""
        return self.left <= x <= self.left + self.width and self.top <= y <= self.top + self.height

    def share_in(self, mask: MatLike) -> float:
        """Share of its pixels that are set in a mask."""
        box = mask[self.top : self.top + self.height, self.left : self.left + self.width]
        return cv2.countNonZero(cv2.bitwise_and(self.own, box)) / self.area


def things_in(mask: MatLike, is_wanted: Callable[[int, int], bool]) -> Iterator[Thing]:
    """Find the things of a mask.

    Parameters
    ----------
    mask : (h, w) uint8, 0 where there is nothing.
    is_wanted : told a box's width and height, px, whether its thing is wanted.
    """
    outlines, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    for k, outline in enumerate(outlines):
        if tree[0, k, 3] >= 0:  # a hole
            continue
        left, top, width, height = cv2.boundingRect(outline)
        if not is_wanted(width, height):
            continue
        own: U8 = np.zeros((height, width), np.uint8)
        cv2.drawContours(
            own, outlines, k, 255, cv2.FILLED, hierarchy=tree, maxLevel=1, offset=(-left, -top)
        )
        m = cv2.moments(own, binaryImage=True)
        middle = (left + m["m10"] / m["m00"], top + m["m01"] / m["m00"])
        yield Thing(left, top, own, round(m["m00"]), middle)
