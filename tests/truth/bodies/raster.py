"""Draws shaded triangles into a crop of a picture, with a depth for every point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.camera import Camera
from truth.jit import kernel

Box = tuple[int, int, int, int]
NEAREST_M = 0.2


@kernel
def fill(
    points: Floats,
    faces: Whole,
    colours: Floats,
    scale: int,
    x0: int,
    y0: int,
    depth: Picture,
    light: Picture,
) -> None:
    """Draw triangles in place, the nearest winning.

    Parameters
    ----------
    points : (n, 3) px x, y and depth m; faces (m, 3); colours (n, 3) linear light.
    scale, x0, y0 : points to a pixel side, and the crop's upper left pixel.
    depth, light : (h, w), (h, w, 3) of the crop, `scale` points to a pixel.
    """
    h, w = depth.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if min(points[a, 2], points[b, 2], points[c, 2]) < NEAREST_M:
            continue
        # Point (i, j) of the crop lies at px x0 - 0.5 + (j + 0.5) / scale.
        ax = (points[a, 0] - x0 + 0.5) * scale - 0.5
        ay = (points[a, 1] - y0 + 0.5) * scale - 0.5
        bx = (points[b, 0] - x0 + 0.5) * scale - 0.5
        by = (points[b, 1] - y0 + 0.5) * scale - 0.5
        cx = (points[c, 0] - x0 + 0.5) * scale - 0.5
        cy = (points[c, 1] - y0 + 0.5) * scale - 0.5
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-9:
            continue
        left = max(0, math.ceil(min(ax, bx, cx)))
        right = min(w - 1, math.floor(max(ax, bx, cx)))
        top = max(0, math.ceil(min(ay, by, cy)))
        bottom = min(h - 1, math.floor(max(ay, by, cy)))
        for i in range(top, bottom + 1):
            for j in range(left, right + 1):
                u = ((bx - j) * (cy - i) - (by - i) * (cx - j)) / area
                v = ((cx - j) * (ay - i) - (cy - i) * (ax - j)) / area
                q = 1.0 - u - v
                if u < -1e-9 or v < -1e-9 or q < -1e-9:
                    continue
                z = u * points[a, 2] + v * points[b, 2] + q * points[c, 2]
                if z < depth[i, j]:
                    depth[i, j] = z
                    for k in range(3):
                        light[i, j, k] = u * colours[a, k] + v * colours[b, k] + q * colours[c, k]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles in the world: points (n, 3) m, faces (m, 3), albedo (n, 3)."""

    points_m: Floats
    faces: Whole
    albedo: Floats


def normals_of(points: Floats, faces: Whole) -> Floats:
    """Unit normals (n, 3) at vertices, by area; faces run counter-clockwise from outside."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    out = np.empty_like(points)
    for axis in range(3):
        out[:, axis] = np.bincount(
            faces.ravel(), np.repeat(flat[:, axis], 3), minlength=len(points)
        )
    out /= np.linalg.norm(out, axis=1, keepdims=True).clip(1e-12)
    return out


def lit(mesh: Mesh, to_sun: Floats, sun: Floats, sky: Floats) -> Floats:
    """Light (n, 3) that each vertex sends out: sun by its angle, sky by how open it lies."""
    normals = normals_of(mesh.points_m, mesh.faces)
    facing = np.clip(normals @ to_sun, 0.0, None)[:, None]
    # Half of the world above is sky; the ground sends about a fifth of its light back up.
    open_sky = (0.6 + 0.4 * normals[:, 2])[:, None]
    return mesh.albedo * (sun * facing + sky * open_sky)


@dataclass(slots=True)
class Layer:
    """What was drawn into a box of the picture: its light, and how much of each pixel it covers."""

    box: Box
    light: Picture
    cover: Picture


def draw(
    camera: Camera, takes: list[list[Mesh]], lamp: tuple[Floats, Floats, Floats], scale: int = 2
) -> Layer | None:
    """Draw the meshes of each sub-time of an exposure and average over them.

    Parameters
    ----------
    lamp : direction to the sun, sunlight, skylight, each (3,).

    Returns
    -------
    None where nothing is in the picture. The box has even corners.
    """
    seen = [
        [np.column_stack([camera.project(m.points_m), camera.view(m.points_m)[:, 2]]) for m in take]
        for take in takes
    ]
    every = np.concatenate([s[:, :2] for take in seen for s in take])
    low = np.floor(np.nanmin(every, axis=0)).astype(int) - 2
    high = np.ceil(np.nanmax(every, axis=0)).astype(int) + 3
    x0, y0 = (max(0, int(v)) // 2 * 2 for v in low)
    x1 = min(camera.width_px, (int(high[0]) + 1) // 2 * 2)
    y1 = min(camera.height_px, (int(high[1]) + 1) // 2 * 2)
    if x1 <= x0 or y1 <= y0:
        return None
    size = ((y1 - y0) * scale, (x1 - x0) * scale)
    light: Picture = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
    cover: Picture = np.zeros((y1 - y0, x1 - x0), np.float32)
    # How a surface is lit changes little within an exposure.
    colours = [lit(mesh, *lamp) for mesh in takes[len(takes) // 2]]
    for take, flat in zip(takes, seen, strict=True):
        depth = np.full(size, np.inf, np.float32)
        fine = np.zeros((*size, 3), np.float32)
        for mesh, points, shades in zip(take, flat, colours, strict=True):
            fill(points, mesh.faces, shades, scale, x0, y0, depth, fine)
        whole = (x1 - x0, y1 - y0)
        light += np.asarray(cv2.resize(fine, whole, interpolation=cv2.INTER_AREA), np.float32)
        hit = np.isfinite(depth).astype(np.float32)
        cover += np.asarray(cv2.resize(hit, whole, interpolation=cv2.INTER_AREA), np.float32)
    share = np.float32(1 / len(takes))
    return Layer((x0, y0, x1, y1), light * share, cover * share)
