"""Bodies laid flat: each solid becomes the hull of two discs in a stretched image plane.

A stamp is a row of STAMP_COLUMNS numbers:
 0- 1  image point of the first end, px
 2- 5  2 x 2 matrix from image offsets to the plane in which the ends are discs
 6- 7  second end in that plane
 8- 9  radii of both ends there
10-11  depths of both ends, m
12-13  half thickness towards the eye at both ends, m
14     pixels per unit of the plane
15-18  image box x0, y0, x1, y1 with a pixel of room
"""

from __future__ import annotations

import numpy as np

from truth.arrays import Floats
from truth.camera import Camera

STAMP_COLUMNS = 19
# Nearer than this to the lens plane a flat picture of a body no longer holds.
NEAREST_M = 0.30


def _local_scale(camera: Camera, seen: Floats) -> tuple[Floats, Floats]:
    """Image points (..., 2) and Jacobians (..., 2, 3) of camera-axis points (..., 3)."""
    x, y = seen[..., 0], seen[..., 1]
    z = np.maximum(seen[..., 2], NEAREST_M)
    a, b = x / z, y / z
    r2 = a * a + b * b
    curve = 1.0 + camera.k1 * r2
    f = camera.focal_px
    image = np.stack([f * a * curve + camera.cx_px, f * b * curve + camera.cy_px], axis=-1)
    da = np.stack([1.0 / z, np.zeros_like(z), -a / z], axis=-1)
    db = np.stack([np.zeros_like(z), 1.0 / z, -b / z], axis=-1)
    slope = 2.0 * camera.k1 * (a[..., None] * da + b[..., None] * db)
    rows = [
        f * (curve[..., None] * da + a[..., None] * slope),
        f * (curve[..., None] * db + b[..., None] * slope),
    ]
    return image, np.stack(rows, axis=-2)


def flatten(camera: Camera, solids: Floats) -> Floats:
    """Stamps (..., STAMP_COLUMNS) of solids (..., 16); a hidden one has an empty box."""
    shape = solids.shape[:-1]
    rows = solids.reshape(-1, solids.shape[-1])
    kind = np.round(rows[:, 0]).astype(int)
    n = len(rows)
    turn = camera.rotation()
    first = rows[:, 1:4]
    second = first.copy()
    radii = np.ones((n, 2))
    stretch = np.tile(np.eye(3), (n, 1, 1))
    cone = kind == 0
    second[cone] = rows[cone, 5:8]
    radii[cone] = rows[cone][:, [4, 8]]
    shaped = ~cone
    if shaped.any():
        # Columns of the inverse: where the unit axes of the stretched space lie in the world.
        stretch[shaped] = np.linalg.inv(rows[shaped, 4:13].reshape(-1, 3, 3))
        oval = kind == 2
        second[oval] = first[oval] + stretch[oval][:, :, 1] * rows[oval, 13:14]
        radii[oval] = rows[oval, 14:16]
    eye = np.asarray(camera.position_m)
    seen_a, seen_b = (first - eye) @ turn.T, (second - eye) @ turn.T
    image_a, slope_a = _local_scale(camera, seen_a)
    image_b, _ = _local_scale(camera, seen_b)
    # Every point of the solid keeps to one flat picture taken at its first end.
    spread = slope_a @ turn @ stretch
    size = spread @ spread.transpose(0, 2, 1)
    root = _root(size)
    to_plane = np.linalg.inv(root)
    end = np.einsum("nij,nj->ni", to_plane, image_b - image_a)
    depth = np.stack([seen_a[:, 2], seen_b[:, 2]], axis=1)
    near = np.maximum(depth, NEAREST_M)
    flat_radii = radii * np.stack([np.ones(n), near[:, 0] / near[:, 1]], axis=1)
    thick = np.linalg.norm(np.einsum("j,njk->nk", turn[2], stretch), axis=1)[:, None] * radii
    px = np.sqrt(np.abs(root[:, 0, 0] * root[:, 1, 1] - root[:, 0, 1] * root[:, 1, 0]))
    reach = np.sqrt(np.stack([size[:, 0, 0], size[:, 1, 1]], axis=1))
    low = np.minimum(image_a - reach * flat_radii[:, :1], image_b - reach * flat_radii[:, 1:]) - 1
    high = np.maximum(image_a + reach * flat_radii[:, :1], image_b + reach * flat_radii[:, 1:]) + 1
    hidden = (depth - thick).min(axis=1) < NEAREST_M
    low[hidden], high[hidden] = 1e9, -1e9
    out = np.concatenate(
        [
            image_a,
            to_plane.reshape(n, 4),
            end,
            flat_radii,
            depth,
            thick,
            px[:, None],
            low,
            high,
        ],
        axis=1,
    )
    return out.reshape(*shape, STAMP_COLUMNS)


def _root(m: Floats) -> Floats:
    """Symmetric square roots of positive 2 x 2 matrices (n, 2, 2): (M + s I) / t, s^2 = det M."""
    s = np.sqrt(np.maximum(np.linalg.det(m), 1e-12))
    t = np.sqrt(m[:, 0, 0] + m[:, 1, 1] + 2.0 * s)
    out: Floats = (m + s[:, None, None] * np.eye(2)) / t[:, None, None]
    return out
