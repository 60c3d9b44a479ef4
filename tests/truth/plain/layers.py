"""What is in front of the lens over an exposure: as solids, and laid flat for the brush."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from truth.arrays import Floats, Picture, Whole
from truth.backdrop import Light
from truth.plain.brush import paint_patch

GRID_PX = 32
Box = tuple[int, int, int, int]
Bools = NDArray[np.bool_]


def lamp_row(light: Light) -> Floats:
    """Direction to the sun, sunlight and skylight as one row for the brush."""
    return np.concatenate([light.to_sun, light.sun, light.sky])


@dataclass(frozen=True, slots=True)
class Cast:
    """Bodies and balls over the k sub-times of an exposure.

    Attributes
    ----------
    solids, casters, coats : (k, n, 16), (k, n, 8), (n, 5) of bodies.
    balls, turns : (k, m, 3), (k, m, 3, 3).
    """

    solids: Floats
    casters: Floats
    coats: Floats
    balls: Floats
    turns: Floats

    def at(self, k: slice) -> Cast:
        """Some of the sub-times."""
        return Cast(self.solids[k], self.casters[k], self.coats, self.balls[k], self.turns[k])

    def all_casters(self, moment: int, radius_m: float) -> Floats:
        """(n + m, 8) caster rows of bodies, then of balls, at a sub-time."""
        balls = self.balls[moment]
        ends = np.concatenate([balls, np.full((len(balls), 1), radius_m)], axis=1)
        return np.concatenate([self.casters[moment], np.concatenate([ends, ends], axis=1)])


@dataclass(frozen=True, slots=True)
class Brush:
    """What every patch is painted with."""

    lens: Floats
    lamp: Floats
    radius_m: float
    skins: Picture
    weave: Picture


@dataclass(frozen=True, slots=True)
class Layers:
    """A cast laid flat for the brush; `order` (k, n + m) is far first."""

    stamps: Floats
    coats: Floats
    sunlit: Floats
    balls: Floats
    turns: Floats
    ball_boxes: Floats
    ball_px: Floats
    ball_sunlit: Floats
    order: Whole

    def at(self, k: slice) -> Layers:
        """Some of the sub-times."""
        return replace(
            self,
            stamps=self.stamps[k],
            balls=self.balls[k],
            turns=self.turns[k],
            ball_boxes=self.ball_boxes[k],
            order=self.order[k],
        )

    def touching(self, box: Box) -> tuple[Bools, Bools]:
        """Which stamps and which balls may touch a box at any sub-time."""
        x0, y0, x1, y1 = box
        touch: list[Bools] = []
        for b in (self.stamps[..., 15:19], self.ball_boxes):
            over = (b[..., 0] < x1) & (b[..., 2] > x0) & (b[..., 1] < y1) & (b[..., 3] > y0)
            touch.append(np.asarray(over.any(axis=0), bool))
        return touch[0], touch[1]

    def look(self, box: Box) -> bytes:
        """What a box will show, as bytes that are equal when it looks the same."""
        bodies, balls = self.touching(box)
        seen = (
            self.stamps[:, bodies],
            self.sunlit[bodies],
            self.balls[:, balls],
            self.turns[:, balls],
            self.ball_sunlit[balls],
        )
        return b"".join(np.round(part, 5).tobytes() for part in seen)

    def patch(
        self, under: Picture, wall_depth: Picture, box: Box, brush: Brush, side: int
    ) -> Picture:
        """A box painted over `under`, which with wall_depth is of the whole picture."""
        x0, y0, x1, y1 = box
        wanted = np.concatenate(self.touching(box))
        order = np.where(wanted[self.order], self.order, -1)
        order = order[:, (order >= 0).any(axis=0)]
        area = np.s_[y0:y1, x0:x1]
        painted = np.empty((y1 - y0, x1 - x0, 3), np.float32)
        paint_patch(
            painted,
            np.ascontiguousarray(under[area]),
            np.ascontiguousarray(wall_depth[area]),
            x0,
            y0,
            brush.lens,
            brush.lamp,
            self.stamps,
            self.coats,
            self.sunlit,
            self.balls,
            self.turns,
            self.ball_boxes,
            self.ball_sunlit,
            brush.radius_m,
            brush.skins,
            order,
            side,
            brush.weave,
        )
        return painted


def merge_boxes(boxes: Floats, shape: tuple[int, ...]) -> list[Box]:
    """Few even-numbered boxes that hold all of (n, 4) boxes: touching ones become one."""
    height, width = shape
    rows, cols = -(-height // GRID_PX), -(-width // GRID_PX)
    grid = np.zeros((rows, cols), np.uint8)
    clipped = np.clip(boxes, [0, 0, -1, -1], [width, height, width - 1, height - 1])
    good = clipped[(clipped[:, 2] >= clipped[:, 0]) & (clipped[:, 3] >= clipped[:, 1])]
    for x0, y0, x1, y1 in (good / GRID_PX).astype(int):
        grid[y0 : y1 + 1, x0 : x1 + 1] = 1
    count, _, stats, _ = cv2.connectedComponentsWithStats(grid, connectivity=8)
    out: list[Box] = []
    for i in range(1, count):
        c, r, w, h = (int(v) * GRID_PX for v in stats[i, :4])
        own = good[
            (good[:, 0] >= c) & (good[:, 0] < c + w) & (good[:, 1] >= r) & (good[:, 1] < r + h)
        ]
        x0, y0 = (int(v) & ~1 for v in own[:, :2].min(axis=0))
        x1, y1 = (int(v + 2) & ~1 for v in own[:, 2:].max(axis=0))
        out.append((x0, y0, min(x1, width), min(y1, height)))
    return out
