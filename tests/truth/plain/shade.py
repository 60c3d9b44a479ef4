"""Shadows as polygons: outlines of solids thrown along the sun onto the ground and the walls."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from truth.arrays import Bytes, Floats, Picture
from truth.backdrop import Light
from truth.camera import Camera, sphere_box
from truth.jit import kernel
from truth.plain.scenery import Scenery
from truth.shapes import sky_left, sun_left

Bools = NDArray[np.bool_]
RING = 12
Box = tuple[int, int, int, int]
# Surface number as in `Scenery`, hull points (n, p, 2) px, softness (n,) px.
Outline = tuple[float, Floats, Floats]


@dataclass(frozen=True, slots=True)
class Caster:
    """Where shadows fall: the planes, how to see them, and the lamp."""

    camera: Camera
    light: Light
    walls: Floats

    def rims(self, casters: Floats) -> tuple[Floats, Floats]:
        """Points (n, 2 RING, 3) round both ends of casters, square to the sun, and middles."""
        sun = self.light.to_sun
        aside = np.array([sun[1], -sun[0], 0.0]) / max(1e-9, math.hypot(sun[0], sun[1]))
        across = np.cross(aside, sun)
        angle = np.linspace(0.0, 2.0 * np.pi, RING, endpoint=False)
        ring = np.cos(angle)[:, None] * aside + np.sin(angle)[:, None] * across
        ends = casters.reshape(-1, 2, 4)
        rim = ends[:, :, None, :3] + ends[:, :, None, 3:4] * ring
        return rim.reshape(len(casters), 2 * RING, 3), ends[:, :, :3].mean(axis=1)

    def outlines(self, casters: Floats) -> list[Outline]:
        """Points round the shadows that casters (n, 8) throw, surface by surface."""
        sun = self.light.to_sun
        rim, middle = self.rims(casters)
        turn = self.camera.rotation()
        f, k1 = self.camera.focal_px, self.camera.k1
        out = []
        planes = [(0.0, 2, 0.0)]
        for i, (axis, place, _, _) in enumerate(self.walls):
            planes.append((1.0 + i, int(axis), float(place)))
        for surface, axis, place in planes:
            if abs(sun[axis]) < 1e-3:
                continue
            way = (rim[..., axis] - place) / sun[axis]
            if surface and not (way > 0).any():
                continue
            spots = rim - way[..., None] * sun
            seen = (spots - self.camera.position_m) @ turn.T
            depth = seen[..., 2]
            good = (depth.min(axis=1) > 0.15) & (way.min(axis=1) >= -0.02)
            flat = seen[good, :, :2] / depth[good][..., None]
            curve = 1.0 + k1 * (flat**2).sum(axis=-1, keepdims=True)
            image = flat * curve * f + (self.camera.cx_px, self.camera.cy_px)
            reach = np.linalg.norm(spots[good].mean(axis=1) - middle[good], axis=1)
            soft = (reach * self.light.half_width + 0.002) * f / depth[good].mean(axis=1)
            near = _in_picture(image, soft, self.camera)
            out.append((surface, image[near], soft[near]))
        return out


def _in_picture(image: Floats, soft: Floats, camera: Camera) -> Bools:
    """Which hulls (n, p, 2) with soft rims (n,) reach into the picture."""
    low, high = image.min(axis=1) - 1.5 * soft[:, None], image.max(axis=1) + 1.5 * soft[:, None]
    size = (camera.width_px, camera.height_px)
    out: Bools = (high > 0).all(axis=1) & (low < size).all(axis=1)
    return out


@dataclass(frozen=True, slots=True)
class Shade:
    """What casters take from a box of the picture: shares of the sun, and of the sky left."""

    box: Box
    sun_taken: Picture
    sky_left: Picture


def shade_of(caster: Caster, scenery: Scenery, rows: Floats) -> Shade | None:
    """Shade on the still scene.

    Parameters
    ----------
    rows
        (k, n, 8) casters at sub-times, over which the sun's shadows are averaged.
    """
    if rows.shape[1] == 0:
        return None
    height, width = scenery.surface.shape
    moments = [caster.outlines(r) for r in rows]
    crowd = crowd_boxes(caster.camera.numbers(), rows[len(rows) // 2])
    low = [crowd[:, :2].min(axis=0)]
    high = [crowd[:, 2:].max(axis=0)]
    for outlines in moments:
        for _, hulls, soft in outlines:
            room = np.minimum(60.0, 1.5 * soft)[:, None] + 2.0
            if len(hulls):
                low.append((hulls.min(axis=1) - room).min(axis=0))
                high.append((hulls.max(axis=1) + room).max(axis=0))
    x0, y0 = (int(v) & ~1 for v in np.clip(np.min(low, axis=0), 0, (width, height)))
    x1, y1 = (int(v + 2) & ~1 for v in np.clip(np.max(high, axis=0), -2, (width - 2, height - 2)))
    if x1 <= x0 or y1 <= y0:
        return None
    box = (x0, y0, x1, y1)
    taken: Picture = np.zeros((y1 - y0, x1 - x0), np.float32)
    for outlines in moments:
        taken += _fill(outlines, scenery.surface[y0:y1, x0:x1], x0, y0) / np.float32(len(moments))
    left: Picture = np.ones_like(taken)
    dim_sky(left, x0, y0, scenery.spot_m, scenery.surface, rows[len(rows) // 2], crowd)
    return Shade(box, taken, left)


def _fill(outlines: list[Outline], surface: Picture, x0: int, y0: int) -> Picture:
    """Share (h, w) of the sun that outlines take in a box at (x0, y0)."""
    total: Picture = np.zeros(surface.shape, np.float32)
    shape = np.array(surface.shape[::-1])
    for kind, hulls, soft in outlines:
        if not len(hulls):
            continue
        # Rims of like softness are blurred together: feet sharp, heads less so.
        step = np.round(np.log2(np.clip(soft, 0.5, 90.0)))
        for level in np.unique(step):
            group = hulls[step == level] - (x0, y0)
            sigma = 0.45 * 2.0**level
            # A wide blur is made on a coarser grid: it cannot be told apart, and is quick.
            shrink = 2 ** max(0, int(np.log2(sigma / 1.5)))
            room = 3.0 * sigma + 2.0
            c0, r0 = np.clip(group.min(axis=(0, 1)) - room, 0, shape).astype(int)
            c1, r1 = np.clip(group.max(axis=(0, 1)) + room + 1, 0, shape).astype(int)
            if c1 <= c0 or r1 <= r0:
                continue
            mask: Bytes = np.zeros((-(-(r1 - r0) // shrink), -(-(c1 - c0) // shrink)), np.uint8)
            place = ((group - (c0, r0) + 0.5) / shrink - 0.5) * 16.0
            for points in np.clip(place, -2e6, 2e6).round().astype(np.int32):
                cv2.fillConvexPoly(mask, cv2.convexHull(points), 255, cv2.LINE_AA, 4)
            if sigma > 0.35:
                mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma / shrink), np.uint8)
            if shrink > 1:
                size = (mask.shape[1] * shrink, mask.shape[0] * shrink)
                mask = np.asarray(cv2.resize(mask, size), np.uint8)[: r1 - r0, : c1 - c0]
            area = np.s_[r0:r1, c0:c1]
            part = np.where(surface[area] == kind, mask, 0) * np.float32(1 / 255)
            np.maximum(total[area], part, out=total[area])
    return total


@kernel
def dim_sky(
    left: Picture,
    x0: int,
    y0: int,
    spot: Picture,
    surface: Picture,
    casters: Floats,
    boxes: Floats,
) -> None:
    """Lower the share of open sky, in a box at (x0, y0), where casters crowd the ground."""
    h, w = left.shape
    for i in range(casters.shape[0]):
        c0 = max(0, int(boxes[i, 0]) - x0)
        r0 = max(0, int(boxes[i, 1]) - y0)
        c1 = min(w, int(boxes[i, 2]) - x0 + 1)
        r1 = min(h, int(boxes[i, 3]) - y0 + 1)
        for row in range(r0, r1):
            for col in range(c0, c1):
                if surface[row + y0, col + x0] != 0.0:
                    continue
                left[row, col] *= sky_left(
                    casters[i],
                    spot[row + y0, col + x0, 0],
                    spot[row + y0, col + x0, 1],
                    0.0,
                    0.0,
                    0.0,
                    1.0,
                )


@kernel
def darken(
    canvas: Picture,
    x0: int,
    y0: int,
    sun: Picture,
    sky: Picture,
    bare: Picture,
    taken: Picture,
    left: Picture,
) -> None:
    """Take shade (h, w) in a box at (x0, y0) from a canvas, not from bodies that stand on it."""
    for row in range(taken.shape[0]):
        for col in range(taken.shape[1]):
            t = taken[row, col]
            q = 1.0 - left[row, col]
            if t == 0.0 and q == 0.0:
                continue
            i = row + y0
            j = col + x0
            b = bare[i, j]
            for c in range(3):
                canvas[i, j, c] -= b * (t * sun[i, j, c] + q * sky[i, j, c])


@kernel
def crowd_boxes(lens: Floats, casters: Floats) -> Floats:
    """Image boxes (n, 4) of the ground that low casters darken; empty for high ones."""
    out = np.empty((casters.shape[0], 4))
    for i in range(casters.shape[0]):
        out[i, 0] = 1e6
        out[i, 1] = 1e6
        out[i, 2] = -1e6
        out[i, 3] = -1e6
        for end in range(2):
            r = casters[i, 4 * end + 3]
            if casters[i, 4 * end + 2] > 4.0 * r:
                continue
            a, b, c, d = sphere_box(
                lens, casters[i, 4 * end], casters[i, 4 * end + 1], 0.0, 3.0 * r
            )
            out[i, 0] = max(-1e6, min(out[i, 0], a))
            out[i, 1] = max(-1e6, min(out[i, 1], b))
            out[i, 2] = min(1e6, max(out[i, 2], c))
            out[i, 3] = min(1e6, max(out[i, 3], d))
    return out


@kernel
def sun_on(points: Floats, casters: Floats, own: int, to_sun: Floats, half_width: float) -> float:
    """Mean share of the sun that casters other than number `own` leave at points (n, 3)."""
    total: float = 0.0
    for k in range(points.shape[0]):
        left = 1.0
        for i in range(casters.shape[0]):
            if i != own:
                left = min(
                    left,
                    sun_left(
                        casters[i],
                        points[k, 0],
                        points[k, 1],
                        points[k, 2],
                        to_sun[0],
                        to_sun[1],
                        to_sun[2],
                        half_width,
                    ),
                )
        total += left
    mean: float = total / points.shape[0]
    return mean
