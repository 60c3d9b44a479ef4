"""The pinhole camera with its lens curve, in the inner frame (x right, y forward, z up)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from truth.arrays import Floats
from truth.jit import kernel

LENS_NUMBERS = 19


@lru_cache(maxsize=4096)
def rotation_of(yaw_deg: float, pitch_deg: float, roll_deg: float) -> Floats:
    """Axes of a camera as `Camera.rotation` tells them; not to be written to."""
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    axis = np.array(
        [math.sin(yaw) * math.cos(pitch), math.cos(yaw) * math.cos(pitch), -math.sin(pitch)]
    )
    right = np.array([math.cos(yaw), -math.sin(yaw), 0.0])
    down = np.cross(axis, right)
    turned = math.cos(roll) * right + math.sin(roll) * down
    out = np.stack([turned, np.cross(axis, turned), axis])
    out.setflags(write=False)
    return out


@dataclass(frozen=True, slots=True)
class Camera:
    """Where the camera stands and how it draws; image size is as displayed.

    Attributes
    ----------
    position_m : (x, y forward, z) of the lens.
    yaw_deg : turn to the right from looking straight at the goal line (clockwise from above).
    pitch_deg : downwards from level.
    roll_deg : the camera turned clockwise as its holder sees it.
    focal_px : focal length. cx_px, cy_px : principal point; pixel centres are whole numbers.
    k1 : radial lens curve, r_seen = r (1 + k1 r^2) in units of focal length.
    """

    width_px: int
    height_px: int
    position_m: tuple[float, float, float]
    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    focal_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0

    def rotation(self) -> Floats:
        """(3, 3): rows are the image's right, down and the optical axis, in the inner frame."""
        return rotation_of(self.yaw_deg, self.pitch_deg, self.roll_deg)

    def numbers(self) -> Floats:
        """The camera as one flat row for kernels: position, rotation, f, cx, cy, k1, w, h, -."""
        return np.concatenate(
            [
                np.asarray(self.position_m, float),
                self.rotation().ravel(),
                [self.focal_px, self.cx_px, self.cy_px, self.k1],
                [self.width_px, self.height_px, 0.0],
            ]
        )

    def view(self, points_m: Floats) -> Floats:
        """Inner-frame points (..., 3) in camera axes (right, down, depth), metres."""
        away: Floats = np.asarray(points_m, float) - np.asarray(self.position_m)
        return away @ self.rotation().T

    def project(self, points_m: Floats) -> Floats:
        """Image points (..., 2) px of inner-frame points (..., 3); nan behind the camera."""
        seen = self.view(points_m)
        depth = np.where(seen[..., 2:3] > 1e-6, seen[..., 2:3], np.nan)
        flat = seen[..., :2] / depth
        curve = 1.0 + self.k1 * np.sum(flat**2, axis=-1, keepdims=True)
        image: Floats = flat * curve * self.focal_px + np.array([self.cx_px, self.cy_px])
        return image

    def diameter_px(self, points_m: Floats, diameter_m: float) -> Floats:
        """f D / depth, the size that is linear over the image of the ground plane (no lens curve).

        The outline of a sphere is a little larger and elongated towards the corners; see
        `outline_px`.
        """
        size: Floats = self.focal_px * diameter_m / self.view(points_m)[..., 2]
        return size

    def outline_px(self, centre_m: Floats, radius_m: float) -> tuple[float, float, float, float]:
        """Ellipse that a sphere (3,) draws on a lens without curve.

        Returns
        -------
        tuple
            Centre x, y and the full long and short axes, px. The long axis points at (cx, cy).

        Notes
        -----
        The cone of tangent rays cut by the image plane: with depth Z and distance D, half axes
        f r sqrt(D^2 - r^2) / (Z^2 - r^2) and f r / sqrt(Z^2 - r^2); centre at f X Z / (Z^2 - r^2).
        """
        x, y, z = self.view(centre_m)
        far2 = x * x + y * y + z * z
        r2 = radius_m * radius_m
        base = z * z - r2
        if z <= radius_m:
            return math.nan, math.nan, math.nan, math.nan
        f = self.focal_px
        return (
            self.cx_px + f * x * z / base,
            self.cy_px + f * y * z / base,
            2.0 * f * radius_m * math.sqrt(far2 - r2) / base,
            2.0 * f * radius_m / math.sqrt(base),
        )


def look_from(
    position_m: tuple[float, float, float],
    width_px: int,
    height_px: int,
    hfov_deg: float,
    angles_deg: tuple[float, float, float],
    k1: float = 0.0,
) -> Camera:
    """A camera whose field of view is across the long side of the picture.

    Parameters
    ----------
    hfov_deg
        Angle across the long side, as a phone states it whichever way it is held.
    angles_deg
        Yaw, pitch, roll.
    """
    focal = 0.5 * max(width_px, height_px) / math.tan(math.radians(hfov_deg) / 2.0)
    return Camera(
        width_px,
        height_px,
        position_m,
        *angles_deg,
        focal_px=focal,
        cx_px=(width_px - 1) / 2.0,
        cy_px=(height_px - 1) / 2.0,
        k1=k1,
    )


@kernel
def pixel_ray(lens: Floats, u: float, v: float) -> tuple[float, float, float]:
    """Unit inner-frame direction of the ray through an image point."""
    sx = (u - lens[13]) / lens[12]
    sy = (v - lens[14]) / lens[12]
    x = sx
    y = sy
    k1 = lens[15]
    if k1 != 0.0:
        for _ in range(6):
            c = 1.0 + k1 * (x * x + y * y)
            x = sx / c
            y = sy / c
    q = 1.0 / math.sqrt(x * x + y * y + 1.0)
    dx = (lens[3] * x + lens[6] * y + lens[9]) * q
    dy = (lens[4] * x + lens[7] * y + lens[10]) * q
    dz = (lens[5] * x + lens[8] * y + lens[11]) * q
    return dx, dy, dz


@kernel
def sphere_box(
    lens: Floats, px: float, py: float, pz: float, radius: float
) -> tuple[float, float, float, float]:
    """Image box (x0, y0, x1, y1) that surely holds a sphere; the whole picture when very near."""
    wx = px - lens[0]
    wy = py - lens[1]
    wz = pz - lens[2]
    x = lens[3] * wx + lens[4] * wy + lens[5] * wz
    y = lens[6] * wx + lens[7] * wy + lens[8] * wz
    z = lens[9] * wx + lens[10] * wy + lens[11] * wz
    if z < -radius:
        return 1e9, 1e9, -1e9, -1e9
    if z < radius + 0.12:
        return -1e9, -1e9, 1e9, 1e9
    far = math.sqrt(x * x + y * y + z * z)
    # The ellipse's long half axis bounds it all round, with room for the lens curve.
    base = z * z - radius * radius
    room = 1.01 if lens[15] == 0.0 else 1.25
    half = room * lens[12] * radius * far / base + 1.0
    c = 1.0 + lens[15] * (x * x + y * y) / (z * z)
    u = lens[13] + lens[12] * c * x * z / base
    v = lens[14] + lens[12] * c * y * z / base
    return u - half, v - half, u + half, v + half
