"""What looks like a marker and is none: stains, lines and shade on the ground, things on walls."""

from __future__ import annotations

import cv2
import numpy as np

from training.markers.things import any_colour
from truth.arrays import Bytes, Floats, Picture
from truth.stage import Stage

CHANGED_LEVELS = 10
LEAST_Z_M = 0.15  # a thing on a wall that reaches lower might stand before it


def lay_decals(
    picture: Bytes, clear: Picture, stage: Stage, rng: np.random.Generator, still: Bytes | None
) -> Bytes:
    """Paint decals where no thing stands.

    Parameters
    ----------
    picture : (H, W, 3) BGR.
    clear : (H, W) 1 where no thing covers ground or wall.
    rng : the same state lays the same decals.
    still : the picture without people; where `picture` differs from it nothing is painted.
    """
    out = picture.astype(np.float32)
    free = cv2.erode((clear > 0.98).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    if still is not None:
        apart = cv2.absdiff(picture, still).max(axis=2)
        free *= (
            cv2.dilate((apart > CHANGED_LEVELS).astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
        )
    for _ in range(int(rng.integers(0, 14))):
        outline = _outline(stage, rng)
        level, alpha, soft = (
            _paint(rng),
            float(rng.uniform(0.25, 1.0)),
            float(rng.uniform(0.4, 3.0)),
        )
        shade = rng.random() < 0.35
        if outline is None:
            continue
        mask = np.zeros(picture.shape[:2], np.uint8)
        cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        if not mask.any():
            continue
        cover = cv2.GaussianBlur(mask, (0, 0), soft).astype(np.float32) / 255 * free * alpha
        target = out * (0.45 if shade else 0.0) + (0.0 if shade else 1.0) * level
        out += cover[..., None] * (target - out)
    return np.clip(np.round(out), 0, 255).astype(np.uint8)


def _paint(rng: np.random.Generator) -> Floats:
    r, g, b = any_colour(rng)
    return np.array([b, g, r]) ** (1 / 2.2) * 255 * float(rng.uniform(0.6, 1.1))


def _outline(stage: Stage, rng: np.random.Generator) -> Floats | None:
    """Corners (n, 2) px of something flat; None where it is not before the camera."""
    wide = stage.scene.width_m / 2 + 2.5
    near, far = -0.75 * stage.scene.back_m, min(stage.back_y_m, 6.0)
    kind = rng.random()
    x, y = float(rng.uniform(-wide, wide)), float(rng.uniform(near, far))
    turn = float(rng.uniform(0, 2 * np.pi))
    c, s = np.cos(turn), np.sin(turn)
    if kind < 0.35 and stage.back_y_m < 1e5:  # on the wall
        z, half, high = (
            LEAST_Z_M + float(rng.exponential(0.4)),
            float(rng.uniform(0.03, 0.5)),
            float(rng.uniform(0.04, 0.7)),
        )
        corners = np.array(
            [[x - half, 0, z], [x + half, 0, z], [x + half, 0, z + high], [x - half, 0, z + high]]
        )
        corners[:, 1] = stage.back_y_m - 0.01
    elif kind < 0.5:  # a line
        half, thin = float(rng.uniform(0.5, 4.0)), float(rng.uniform(0.02, 0.06))
        flat = np.array([[-half, -thin], [half, -thin], [half, thin], [-half, thin]])
        corners = np.column_stack([flat @ [[c, s], [-s, c]] + [x, y], np.zeros(4)])
    else:  # a stain, a leaf, a puddle
        angles = np.linspace(0, 2 * np.pi, int(rng.integers(3, 14)), endpoint=False)
        size = float(np.exp(rng.uniform(np.log(0.04), np.log(0.5))))
        radii = size * rng.uniform(0.5, 1.0, len(angles))
        flat = np.column_stack(
            [radii * np.cos(angles), rng.uniform(0.3, 1) * radii * np.sin(angles)]
        )
        corners = np.column_stack([flat @ [[c, s], [-s, c]] + [x, y], np.zeros(len(angles))])
    seen = stage.camera.project(corners)
    ahead = stage.camera.view(corners)[..., 2]
    return seen if (ahead > 0.3).all() and np.isfinite(seen).all() else None
