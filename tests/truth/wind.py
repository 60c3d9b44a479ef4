"""Leaves that stir: patches of shade over the ground and the hedge's foliage, frame by frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Floats, Picture
from truth.backdrop import Backdrop
from truth.camera import Camera
from truth.scenes import Scene

CLOTH_M = 12.0  # the pattern of leaf shade repeats after this
CELLS = 512
LEAF_SWAY_M = 0.012
SHADE_SWAY_M = 0.16


@dataclass(frozen=True, slots=True)
class Wind:
    """Stirs a backdrop.

    Attributes
    ----------
    pattern : (CELLS, CELLS) share of the sun that leaves take.
    u, v : (h, w) where each pixel lies on the pattern, cells.
    leaves : (h, w) px by which foliage sways at full swing.
    """

    scene: Scene
    pattern: Picture
    u: Picture
    v: Picture
    leaves: Picture

    @classmethod
    def over(cls, scene: Scene, camera: Camera, base: Backdrop, to_sun: Floats) -> Wind | None:
        """Prepare for one camera; None on a still, open day."""
        weather = scene.weather
        if weather.wind <= 0.0 and weather.dapple <= 0.0:
            return None
        h, w = base.depth_m.shape
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float64)
        sx, sy = (xx - camera.cx_px) / camera.focal_px, (yy - camera.cy_px) / camera.focal_px
        rays = np.stack([sx, sy, np.ones_like(sx)], axis=-1)
        rays = rays / np.linalg.norm(rays, axis=-1, keepdims=True) @ camera.rotation()
        depth = np.minimum(base.depth_m, 60.0)[..., None]
        there = np.asarray(camera.position_m) + rays * depth
        # Along the sun's ray down to the ground: shade falls on walls as well.
        flat = there - to_sun * (there[..., 2:3] / max(0.15, float(to_sun[2])))
        scale = CELLS / CLOTH_M
        hedge = np.zeros((h, w), bool)
        for wall in scene.walls:
            if wall.kind == "hedge":
                axis, place = (1, -wall.y_m) if wall.y_m is not None else (0, wall.x_m or 0.0)
                hedge |= (np.abs(there[..., axis] - place) < 0.02) & (there[..., 2] > 0.05)
        sway = LEAF_SWAY_M * camera.focal_px / np.maximum(0.5, base.depth_m) * hedge
        return cls(
            scene,
            _leaf_shade(scene.seed, weather.dapple),
            np.asarray(flat[..., 0] * scale, np.float32),
            np.asarray(flat[..., 1] * scale, np.float32),
            np.asarray(sway, np.float32),
        )

    def stirred(self, base: Backdrop, at_s: float) -> Backdrop:
        """The backdrop at a moment."""
        wind = self.scene.weather.wind
        gust = 0.6 + 0.4 * np.sin(2 * np.pi * 0.23 * at_s) * np.sin(2 * np.pi * 0.11 * at_s + 1.0)
        sun, sky = base.sun, base.sky
        if wind > 0.0 and self.leaves.max() > 0.0:
            h, w = self.leaves.shape
            yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
            phase = np.float32(2 * np.pi * 1.7 * at_s) + xx / 23.0 + yy / 31.0
            u = xx + self.leaves * np.float32(wind * gust) * np.sin(phase)
            v = yy + self.leaves * np.float32(0.6 * wind * gust) * np.cos(1.3 * phase)
            sun, sky = (
                np.asarray(cv2.remap(plane, u, v, cv2.INTER_LINEAR), np.float32)
                for plane in (sun, sky)
            )
        if self.scene.weather.dapple > 0.0:
            reach = SHADE_SWAY_M * CELLS / CLOTH_M * wind * gust
            du = reach * np.sin(2 * np.pi * 0.55 * at_s)
            dv = 0.6 * reach * np.sin(2 * np.pi * 0.83 * at_s + 0.7)
            taken = cv2.remap(
                self.pattern,
                np.mod(self.u + np.float32(du), CELLS - 1),
                np.mod(self.v + np.float32(dv), CELLS - 1),
                cv2.INTER_LINEAR,
            )
            sun = sun * np.asarray(1.0 - taken, np.float32)[..., None]
        return Backdrop(sun, sky, base.depth_m)


def _leaf_shade(seed: int, dapple: float) -> Picture:
    """A repeating pattern of soft patches of shade, up to the share `dapple`."""
    rng = np.random.default_rng([seed, 13])
    total = np.zeros((CELLS, CELLS))
    for sigma, weight in ((22.0, 1.0), (9.0, 0.8), (4.0, 0.5)):
        raw = rng.standard_normal((CELLS, CELLS))
        wide = np.pad(raw, CELLS // 4, mode="wrap")
        soft = cv2.GaussianBlur(wide, (0, 0), sigma)[
            CELLS // 4 : -CELLS // 4, CELLS // 4 : -CELLS // 4
        ]
        total += weight * soft / soft.std()
    share = dapple / (1.0 + np.exp(-3.0 * total))
    return np.asarray(share, np.float32)
