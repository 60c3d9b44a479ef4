"""Level pieces of a picture in which all that stands on the ground has about one scale.

A band shows a strip of ground between two distances from the camera and what stands on it, turned
level and brought to `PX_PER_M`: what the network of `markers_sight` looks at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

PX_PER_M = 80.0  # in the middle of a band, across the view
DEPTH_RATIO = 1.2  # of a band's far to its near end
NEAREST_M = 1.0  # nearer to the camera, no goal line is filmed
TALLEST_M = 0.7
BESIDE_M = 0.6  # beyond the patch, so that what stands on its rim is seen whole
BELOW_PX = 24
MOST_COLUMNS = 2400


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One piece.

    Attributes
    ----------
    bgr : (H, W, 3).
    to_native : (2, 3) affine map from (x, y) here to native (x, y).
    feet : first and last row at which a thing of this band can stand, px.
    """

    bgr: U8
    to_native: F64
    feet: tuple[float, float]

    def native(self, points: npt.ArrayLike) -> F64:
        """Native pixels (N, 2) of points (N, 2)."""
        xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        moved: F64 = xy @ self.to_native[:, :2].T + self.to_native[:, 2]
        return moved

    def here(self, native: npt.ArrayLike) -> F64:
        """Points (N, 2) of native pixels (N, 2)."""
        xy = np.asarray(native, dtype=np.float64).reshape(-1, 2) - self.to_native[:, 2]
        return np.asarray(np.linalg.solve(self.to_native[:, :2], xy.T).T, dtype=np.float64)


def bands_of(picture_bgr: U8, camera: Camera, patch_m: F64) -> Iterator[Band]:
    """Cut a picture into bands, nearest first.

    Parameters
    ----------
    picture_bgr : (H, W, 3) native picture.
    camera : the camera over its ground.
    patch_m : (N, 2) ground points all over the patch on which things are looked for.
    """
    ahead = patch_m[patch_m[:, 1] > NEAREST_M]
    if not len(ahead):
        return
    near_m, end_m = float(ahead[:, 1].min()), float(ahead[:, 1].max())
    while near_m < end_m:
        far_m = near_m * DEPTH_RATIO
        # Points lie apart: the ends of the patch at this depth are those of its surroundings.
        inside = ahead[(ahead[:, 1] > near_m / DEPTH_RATIO) & (ahead[:, 1] < far_m * DEPTH_RATIO)]
        if len(inside):
            across = float(inside[:, 0].min()) - BESIDE_M, float(inside[:, 0].max()) + BESIDE_M
            band = _band(picture_bgr, camera, (near_m, far_m), across)
            if band is not None:
                yield band
        near_m = far_m


def px_per_m(camera: Camera, ground_m: npt.ArrayLike) -> F64:
    """Native pixels for a metre across the view at ground points (N, 2), (N,)."""
    spots = np.asarray(ground_m, dtype=np.float64).reshape(-1, 2)
    flat = np.column_stack([spots, np.zeros(len(spots))])
    aside = flat + np.array([0.5, 0.0, 0.0])
    scale: F64 = 2 * np.hypot(*(camera.project(aside) - camera.project(flat)).T)
    return scale


def _band(
    picture_bgr: U8, camera: Camera, depths_m: tuple[float, float], across_m: tuple[float, float]
) -> Band | None:
    height, width = picture_bgr.shape[:2]
    middle_m = float(np.sqrt(depths_m[0] * depths_m[1]))
    scale = PX_PER_M / float(px_per_m(camera, [[0.0, middle_m]])[0])
    roll = np.deg2rad(camera.roll_deg)
    turn = scale * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    centre = np.array([camera.cx_px, camera.cy_px])
    ends = np.array([[x, y, z] for x in across_m for y in depths_m for z in (0.0, TALLEST_M)])
    seen = (camera.project(ends) - centre) @ turn.T
    if not np.isfinite(seen).all():
        return None
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
    frame = (corners - centre) @ turn.T
    low = np.maximum(seen.min(axis=0), frame.min(axis=0))
    high = np.minimum(seen.max(axis=0) + np.array([0.0, BELOW_PX]), frame.max(axis=0))
    start = np.floor(low)
    columns, rows = (int(n) for n in np.ceil(high) - start)
    if columns < 32 or rows < 32:
        return None
    columns = min(columns, MOST_COLUMNS)
    back = np.linalg.inv(turn)
    to_native = np.column_stack([back, back @ start + centre])
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    source, shift = _cut(picture_bgr, to_native, (columns, rows), scale)
    moved = to_native.copy()
    moved[:, 2] -= shift
    bgr = cv2.warpAffine(
        source, moved, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    on_ground = np.array([[0.0, depth, 0.0] for depth in depths_m])
    feet = (camera.project(on_ground) - centre) @ turn.T - start
    return Band(np.asarray(bgr, np.uint8), to_native, (float(feet[1, 1]), float(feet[0, 1])))


def _cut(picture: U8, to_native: F64, size: tuple[int, int], scale: float) -> tuple[U8, F64]:
    """Cut what a warp needs out of a picture, smoothed as a shrinking warp needs it."""
    corners = np.array([[0, 0], [size[0], 0], [0, size[1]], [size[0], size[1]]], dtype=np.float64)
    native = corners @ to_native[:, :2].T + to_native[:, 2]
    rim = 3 + round(1.5 / scale)
    height, width = picture.shape[:2]
    x0, y0 = (max(0, int(v) - rim) for v in native.min(axis=0))
    x1, y1 = (int(v) + rim for v in native.max(axis=0))
    x0, y0 = min(x0, width - 1), min(y0, height - 1)
    piece = picture[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
    if scale < 0.75:
        piece = np.asarray(cv2.GaussianBlur(piece, (0, 0), 0.45 / scale), np.uint8)
    return piece, np.array([x0, y0], dtype=np.float64)
