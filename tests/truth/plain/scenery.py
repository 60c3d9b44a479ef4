"""The still part of a scene, painted once: ground, uprights and sky in sun and sky light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Field, Floats, Picture
from truth.backdrop import Light
from truth.camera import Camera
from truth.plain.cladding import Cladding, clad
from truth.plain.ground import Ground, lay_ground
from truth.plain.heavens import Heavens
from truth.stage import Stage
from truth.surfaces import WALLS

BAND_ROWS = 40
FAR_M = 1e6
SKY = -1.0
GROUND = 0.0
NET = WALLS["net"]
MESH_M, CORD_M = 0.11, 0.004


@dataclass(frozen=True, slots=True)
class Scenery:
    """Linear light of the still scene and the surface behind each pixel's centre.

    Attributes
    ----------
    sun, sky : (h, w, 3) what the sun and everything else give.
    depth_m : (h, w) length of the central ray.
    spot_m : (h, w, 3) the surface point, inner frame.
    surface : (h, w) -1 sky, 0 ground, 1 + i the i-th wall.
    """

    sun: Picture
    sky: Picture
    depth_m: Picture
    spot_m: Picture
    surface: Picture


def pixel_rays(camera: Camera, u: Field, v: Field) -> Field:
    """Unit inner-frame rays (h, w, 3) through image points (h, w)."""
    sx = (u - camera.cx_px) / camera.focal_px
    sy = (v - camera.cy_px) / camera.focal_px
    x, y = sx, sy
    if camera.k1:
        for _ in range(8):
            curve = 1.0 + camera.k1 * (x * x + y * y)
            x, y = sx / curve, sy / curve
    flat = np.stack([x, y, np.ones_like(x)], axis=-1).astype(np.float32)
    rays = flat @ camera.rotation().astype(np.float32)
    out: Field = rays / np.sqrt((flat * flat).sum(axis=-1, keepdims=True))
    return out


def sun_over_walls(walls: Floats, skip: int, x: Field, y: Field, z: Field, light: Light) -> Field:
    """Share of the sun's disc (h, w) that upright planes leave at points."""
    left = np.ones(np.shape(x), np.float32)
    for i, (axis, place, height, kind) in enumerate(walls):
        if i == skip or kind == NET:
            continue
        toward = light.to_sun[0] if axis < 0.5 else light.to_sun[1]
        if abs(toward) < 1e-6:
            continue
        way = (place - (x if axis < 0.5 else y)) / toward
        over = z + way * light.to_sun[2] - height
        soft = np.maximum(way, 0.0) * light.half_width + 0.004
        left *= np.where(way > 1e-3, np.clip(0.5 + 0.5 * over / soft, 0.0, 1.0), 1.0).astype(
            np.float32
        )
    return left


def open_sky(walls: Floats, skip: int, x: Field, y: Field, z: Field) -> Field:
    """Share of the sky (h, w) that upright planes leave at points.

    A long wall takes (1 - cos) / 2 of it (view factor of a half plane, standard radiative heat
    transfer).
    """
    left = np.ones(np.shape(x), np.float32)
    for i, (axis, place, height, kind) in enumerate(walls):
        if i == skip or kind == NET:
            continue
        gap = np.abs((x if axis < 0.5 else y) - place)
        hidden = 0.5 * (1.0 - gap / np.hypot(gap, height)) * np.maximum(0.0, 1.0 - z / height)
        left *= (1.0 - 0.8 * hidden).astype(np.float32)
    return left


@dataclass(frozen=True, slots=True)
class Site:
    """What rays meet: the ground, the uprights and the heavens of a stage."""

    stage: Stage
    eye: Floats
    focal_px: float
    ground: Ground
    walls: list[Cladding]
    heavens: Heavens

    @classmethod
    def of(cls, stage: Stage, camera: Camera) -> Site:
        """Draw the tiles of a stage as a camera will see them."""
        scene = stage.scene
        aim = camera.rotation()[2]
        half = scene.width_m / 2.0
        worn = [(0.0, 0.3, 0.45 * half + 0.4), (0.0, -scene.back_m, 0.7)]
        return cls(
            stage,
            np.asarray(camera.position_m, np.float32),
            camera.focal_px,
            lay_ground(scene.ground, scene.seed, math.atan2(aim[0], aim[1]), worn),
            [clad(w.kind, scene.seed + 31 * i) for i, w in enumerate(scene.walls)],
            Heavens.of(stage.light.cloud, scene.seed),
        )

    def meet(self, rays: Field) -> tuple[Field, Field]:
        """Length of rays (h, w, 3) to the still scene, and which surface they meet."""
        ox, oy, oz = (float(v) for v in self.eye)
        dz = rays[..., 2]
        reach = np.where(dz < -1e-5, -oz / np.minimum(dz, -1e-5), FAR_M).astype(np.float32)
        surface = np.where(reach < 400.0, GROUND, SKY).astype(np.float32)
        for i, (axis, place, height, kind) in enumerate(self.stage.still.walls):
            if kind == NET:
                continue
            toward = rays[..., 0] if axis < 0.5 else rays[..., 1]
            start = ox if axis < 0.5 else oy
            way = (place - start) / np.where(np.abs(toward) > 1e-6, toward, 1e-6)
            z = oz + way * dz
            along = (oy + way * rays[..., 1]) if axis < 0.5 else (ox + way * rays[..., 0])
            top = height + self.walls[i].top_m(along)
            hit = (way > 0) & (way < reach) & (z >= 0) & (z < top)
            reach = np.where(hit, way, reach).astype(np.float32)
            surface = np.where(hit, 1.0 + i, surface).astype(np.float32)
        return reach, surface

    def light(
        self, rays: Field, reach: Field, surface: Field, pixel_rad: float
    ) -> tuple[Field, Field]:
        """Sunlight and other light (h, w, 3) that come back along rays."""
        lamp = self.stage.light
        sun = np.zeros_like(rays)
        sky = np.zeros_like(rays)
        glow = float(lamp.sky.mean() * 0.75 + 0.26 * lamp.sun.mean())
        for kind in np.unique(surface):
            here = surface == kind
            # A rectangle round the surface keeps the arrays two-dimensional for the tiles.
            rows, cols = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
            box = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
            inside = here[box][..., None]
            ray = rays[box]
            if kind == SKY:
                far = self.heavens.light(ray[..., 0], ray[..., 1], ray[..., 2], pixel_rad) * glow
                sky[box] = np.where(inside, far, sky[box])
                continue
            length = np.minimum(reach[box], 400.0)
            at = self.eye + ray * length[..., None]
            lit, fill = self._surface(int(kind), ray, at, length, pixel_rad)
            sun[box] = np.where(inside, lit, sun[box])
            sky[box] = np.where(inside, fill, sky[box])
        return sun, sky

    def hang_nets(
        self, rays: Field, reach: Field, sun: Field, sky: Field, pixel_rad: float
    ) -> None:
        """Draw the cords of nets over light that comes back along rays, in place."""
        lamp = self.stage.light
        for axis, place, height, kind in self.stage.still.walls:
            if kind != NET:
                continue
            a = int(axis)
            toward = rays[..., a]
            way = (place - self.eye[a]) / np.where(np.abs(toward) > 1e-6, toward, 1e-6)
            z = self.eye[2] + way * rays[..., 2]
            along = self.eye[1 - a] + way * rays[..., 1 - a]
            spread = np.maximum(way * pixel_rad, 1e-4)
            gap = np.minimum(
                np.abs(along - np.round(along / MESH_M) * MESH_M),
                np.abs(z - np.round(z / MESH_M) * MESH_M),
            )
            # A cord finer than a point covers only its share of it.
            cord = np.clip(0.5 + (0.5 * CORD_M - gap) / spread, 0, 1) * np.minimum(
                1, CORD_M / spread
            )
            tape = np.clip(0.5 + (0.025 - np.abs(z - height + 0.025)) / spread, 0, 1)
            cover = np.maximum(cord, tape) * ((way > 0) & (way < reach) & (z > 0) & (z < height))
            cover = cover[..., None].astype(np.float32)
            facing = 0.35 + 0.5 * abs(float(lamp.to_sun[a]))
            sun += (0.55 * facing * lamp.sun.astype(np.float32) - sun) * cover
            sky += (0.40 * lamp.sky.astype(np.float32) - sky) * cover

    def _surface(
        self, kind: int, ray: Field, at: Field, length: Field, pixel_rad: float
    ) -> tuple[Field, Field]:
        """Light from the ground (0) or a wall (1 + i) at points `at` (h, w, 3)."""
        lamp, rows = self.stage.light, self.stage.still.walls
        x, y, z = at[..., 0], at[..., 1], at[..., 2]
        spread = length * pixel_rad
        if kind == 0:
            cosine = np.maximum(-ray[..., 2], 0.02)
            # Seen flat, a pixel's patch is long one way only: the mean of both sides blurs less.
            albedo = self.ground.read(x, y, spread / cosine**0.5)
            facing, dome = float(lamp.to_sun[2]), 1.0
        else:
            axis = int(rows[kind - 1, 0])
            cosine = np.maximum(np.abs(ray[..., axis]), 0.02)
            albedo = self.walls[kind - 1].read(y if axis == 0 else x, z, spread / cosine**0.5)
            side = -1.0 if float(np.median(ray[..., axis])) > 0 else 1.0
            facing, dome = max(0.0, side * float(lamp.to_sun[axis])), 0.5
        left = sun_over_walls(rows, kind - 1, x, y, z, lamp)
        view = dome * open_sky(rows, kind - 1, x, y, z)
        if kind:
            view *= 0.75 + 0.25 * np.minimum(1.0, z / 0.5)
        fill = (view + 0.22 * (1.0 - dome))[..., None] * lamp.sky.astype(np.float32)
        lit = albedo * (left * facing)[..., None] * lamp.sun.astype(np.float32)
        shine = albedo * fill
        if kind == 0 and self.ground.gloss:
            # Schlick's reflection, towards whatever pale stands behind.
            mirror = self.ground.gloss * (0.05 + 0.95 * (1.0 - cosine) ** 5) * view
            shine = shine + mirror[..., None] * lamp.sky.astype(np.float32) * 0.8
        return lit.astype(np.float32), shine.astype(np.float32)


def paint_scenery(camera: Camera, stage: Stage, samples: int = 2) -> Scenery:
    """Paint a stage's ground, walls and sky with samples x samples points a pixel."""
    site = Site.of(stage, camera)
    h, w = camera.height_px, camera.width_px
    out = Scenery(
        np.zeros((h, w, 3), np.float32),
        np.zeros((h, w, 3), np.float32),
        np.zeros((h, w), np.float32),
        np.zeros((h, w, 3), np.float32),
        np.zeros((h, w), np.float32),
    )
    offsets = (np.arange(samples) + 0.5) / samples - 0.5
    columns = (np.arange(w)[:, None] + offsets).ravel().astype(np.float32)
    pixel_rad = 1.2 / samples / camera.focal_px
    for top in range(0, h, BAND_ROWS):
        rows = np.arange(top, min(top + BAND_ROWS, h))
        band = slice(rows[0], rows[-1] + 1)
        u, v = np.meshgrid(columns, (rows[:, None] + offsets).ravel().astype(np.float32))
        rays = pixel_rays(camera, u, v)
        reach, surface = site.meet(rays)
        sun, sky = site.light(rays, reach, surface, pixel_rad)
        site.hang_nets(rays, reach, sun, sky, pixel_rad)
        for plane, fine in ((out.sun, sun), (out.sky, sky)):
            plane[band] = cv2.resize(fine, (w, len(rows)), interpolation=cv2.INTER_AREA)
        rays = pixel_rays(camera, *np.meshgrid(np.arange(float(w)), rows.astype(float)))
        out.depth_m[band], out.surface[band] = site.meet(rays)
        near = np.minimum(out.depth_m[band], 300.0)[..., None]
        out.spot_m[band] = site.eye + rays * near
    return out
