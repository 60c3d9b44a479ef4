"""Where a still picture of flat ground stands out: each row against its own neighbourhood.

Everything here works on a level strip: the picture turned so that the horizon is level, cut to
the part that matters. In it, one row of ground has one scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

FINEST_PX_PER_M = 130.0  # nearer ground is shrunk to this: a shoe still covers 15 px
# Upright bodies outlast a blur along their height, gravel and grass do not.
BLUR_UP_M = 0.05
BLUR_ACROSS_M = 0.012
WINDOW_M = 1.8  # neighbourhood along the row: several markers wide
SAMPLES_PER_M = 30
# Levels (8-bit Lab) below which a difference is sensor noise or compression, whatever the spread.
FLOOR_LAB = (3.0, 1.6, 1.6)
MAD_TO_SIGMA = 1.4826  # for normally distributed values
SHADOW_DARKEST = 0.4  # of the unshaded level: sky and bounce light fill even hard shadows
SHADOW_LIGHTEST = 0.97
# A sky's blue fill lets blue fade less than red in a shadow, by up to this much more.
SHADOW_BLUE = 0.22
CLEAR_BODY = 5.0
SHADOW_TINT = 0.07  # other differences between the colours' fading


@dataclass(frozen=True, slots=True, eq=False)
class LevelStrip:
    """Part of the picture, turned level.

    Attributes
    ----------
    lab : (H, W, 3) OpenCV's 8-bit Lab, blurred a little, mostly up and down.
    excess : (H, W) how far each pixel is off its row's neighbourhood, in its spreads.
    excess_unshaded : the same, 0 where the pixel may merely lie in shade.
    brighter, warmer, cooler : of the unshaded excess, what is lighter than its neighbourhood, what
        is redder or yellower, and what is greener or bluer. A body that touches a line or its own
        shadow is mostly parted from it in one of them.
    to_native : (2, 3) affine map from strip (x, y) to native picture (x, y).
    px_per_m : (H,) scale across the view on the ground at each row; beyond the far limit, the
        scale at the far limit.
    """

    lab: F32
    excess: F32
    excess_unshaded: F32
    brighter: F32
    warmer: F32
    cooler: F32
    to_native: F64
    px_per_m: F64

    def native(self, points: npt.ArrayLike) -> F64:
        """Native pixels (N, 2) of strip points (N, 2)."""
        xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        moved: F64 = xy @ self.to_native[:, :2].T + self.to_native[:, 2]
        return moved


def level_strip(picture_bgr: U8, camera: Camera, outline_m: F64, tallest_m: float) -> LevelStrip:
    """Cut out and measure the strip that holds a patch of ground and what stands on it.

    Parameters
    ----------
    picture_bgr : (H, W, 3) native picture.
    camera : the camera over its ground.
    outline_m : (N, 2) ground points all over the patch.
    tallest_m : height of the tallest thing looked for.

    Returns
    -------
    The strip; it has no rows or no columns when the patch is out of the picture.
    """
    height, width = picture_bgr.shape[:2]
    shrink = min(1.0, FINEST_PX_PER_M / _finest(camera, outline_m))
    # Strip before cutting: native pixels turned by the roll about the principal point and shrunk.
    roll = np.deg2rad(camera.roll_deg)
    turn = shrink * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    middle = np.array([camera.cx_px, camera.cy_px])
    low = np.column_stack([outline_m, np.zeros(len(outline_m))])
    high = np.column_stack([outline_m, np.full(len(outline_m), tallest_m)])
    seen = camera.project(np.concatenate([low, high]))
    seen = seen[np.isfinite(seen).all(axis=1)]
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
    frame = (corners - middle) @ turn.T
    spots = np.clip((seen - middle) @ turn.T, frame.min(axis=0), frame.max(axis=0))
    pad = 8.0
    start = np.floor(spots.min(axis=0, initial=1e9) - pad)
    size = np.ceil(spots.max(axis=0, initial=-1e9) + pad) - start
    cols, rows = (max(0, int(n)) for n in size)
    back = np.linalg.inv(turn)
    to_native = np.column_stack([back, back @ start + middle])
    if len(seen) == 0 or rows < 16 or cols < 32:
        nothing = np.empty((0, 0), np.float32)
        return LevelStrip(
            np.empty((0, 0, 3), np.float32), *(nothing,) * 5, to_native=to_native,
            px_per_m=np.empty(0),
        )  # fmt: skip
    flags = cv2.WARP_INVERSE_MAP | (cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
    source = picture_bgr if shrink > 0.75 else cv2.GaussianBlur(picture_bgr, (0, 0), 0.5 / shrink)
    strip = cv2.warpAffine(
        source, to_native, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    px_per_m = _row_scales(camera, to_native, rows, cols, outline_m)
    typical = float(np.median(px_per_m))
    strip = cv2.GaussianBlur(
        strip, (0, 0), max(0.6, BLUR_ACROSS_M * typical), sigmaY=max(0.6, BLUR_UP_M / 2 * typical)
    )
    bgr = strip.astype(np.float32)
    lab = cv2.cvtColor(strip, cv2.COLOR_BGR2LAB).astype(np.float32)
    inside = (
        cv2.warpAffine(
            np.full((height, width), 255, np.uint8), to_native, (cols, rows),
            flags=cv2.WARP_INVERSE_MAP | cv2.INTER_NEAREST,
        )
        > 0
    )  # fmt: skip
    off, shade = _stand_out(lab, bgr, px_per_m)
    off[~inside] = 0.0
    excess = np.sqrt(np.sum(off**2, axis=2))
    # A dark body's blurred rim is like shade too: what borders on clear body is left to the body.
    clear = ((excess > CLEAR_BODY) & ~shade).astype(np.uint8)
    rim = np.ones((1 + 2 * round(0.6 * BLUR_UP_M * typical), 3), np.uint8)
    shade &= cv2.dilate(clear, rim) == 0
    off[shade] = 0.0
    unshaded = np.where(shade, np.float32(0), excess)
    brighter = np.where(off[..., 0] > 0, unshaded, np.float32(0))
    warmer, cooler = (np.hypot(*np.maximum(way * off[..., 1:], 0).T).T for way in (1, -1))
    return LevelStrip(lab, excess, unshaded, brighter, warmer, cooler, to_native, px_per_m)


def _finest(camera: Camera, outline_m: F64) -> float:
    """Native pixels per metre across the view at the nearest of the points."""
    ahead = outline_m[:, 1][outline_m[:, 1] > 0]
    if len(ahead) == 0:
        return FINEST_PX_PER_M
    return camera.focal_px / float(np.hypot(ahead.min(), camera.height_m))


def _row_scales(camera: Camera, to_native: F64, rows: int, cols: int, outline_m: F64) -> F64:
    """Strip pixels per metre across the view at each row, (rows,)."""
    v = np.arange(rows, dtype=np.float64)
    left = np.column_stack([np.full(rows, cols / 2 - 1), v]) @ to_native[:, :2].T + to_native[:, 2]
    right = left + 2 * to_native[:, 0]
    span = np.hypot(*(camera.ground_points(right) - camera.ground_points(left)).T)
    ahead = camera.ground_points(left + to_native[:, 0])[:, 1]
    farthest = max(1.0, float(outline_m[:, 1].max()))
    scale = np.where(np.isfinite(ahead) & (ahead <= farthest), 2.0 / span, np.nan)
    known = np.flatnonzero(np.isfinite(scale))
    if len(known) == 0:
        return np.full(rows, 50.0)
    # Rows above the farthest ground show what stands there; rows below are the nearest ground.
    filled: F64 = np.interp(v, v[known], scale[known])
    return filled


def _stand_out(lab: F32, bgr: F32, px_per_m: F64) -> tuple[F32, npt.NDArray[np.bool_]]:
    """Lab offsets from the row's median in spreads, and where a pixel is like it in shade."""
    rows, cols = lab.shape[:2]
    reach_m = cols / px_per_m
    count = max(int(np.ceil(SAMPLES_PER_M * reach_m.max())), 32)
    # Sample each row evenly in metres, so that one window length suits all rows.
    metres = (np.arange(count) - (count - 1) / 2) / SAMPLES_PER_M
    x = (cols - 1) / 2 + metres[None, :] * px_per_m[:, None]
    y = np.repeat(np.arange(rows, dtype=np.float32)[:, None], count, axis=1)
    both = np.concatenate([lab, bgr], axis=2)
    even = np.concatenate(
        [
            cv2.remap(
                np.ascontiguousarray(part), x.astype(np.float32), y, cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REFLECT_101,
            )
            for part in (both[..., :3], both[..., 3:])
        ],
        axis=2,
    )  # fmt: skip
    window = min(int(WINDOW_M * SAMPLES_PER_M) | 1, count)
    stride = max(1, window // 8)
    views = np.lib.stride_tricks.sliding_window_view(even, window, axis=1)[:, ::stride, :, ::2]
    middle = np.median(views, axis=-1)
    spread = np.median(np.abs(views[:, :, :3] - middle[:, :, :3, None]), axis=-1)
    # A row is noisy in itself; its neighbours above and below tell how noisy.
    spread = cv2.blur(spread.astype(np.float32), (1, 5))
    centres = np.arange(middle.shape[1]) * stride + window // 2
    place = (np.arange(cols)[None, :] - (cols - 1) / 2) / px_per_m[:, None] * SAMPLES_PER_M
    place = (place + (count - 1) / 2 - centres[0]) / stride
    place = np.clip(place, 0, middle.shape[1] - 1).astype(np.float32)
    row = np.repeat(np.arange(rows, dtype=np.float32)[:, None], cols, axis=1)

    def spread_out(values: F32) -> F32:
        full = cv2.remap(
            np.ascontiguousarray(values, dtype=np.float32), place, row, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        return np.asarray(full, dtype=np.float32)

    sigma = MAD_TO_SIGMA * spread_out(spread) + np.array(FLOOR_LAB, np.float32)
    off = (lab - spread_out(middle[..., :3])) / sigma
    fading = (bgr + 4.0) / (spread_out(middle[..., 3:]) + 4.0)
    blue, green, red = fading[..., 0], fading[..., 1], fading[..., 2]
    shade = (
        (green > SHADOW_DARKEST)
        & (green < SHADOW_LIGHTEST)
        & (blue - red > -SHADOW_TINT)
        & (blue - red < SHADOW_BLUE)
        & (np.abs(green - (blue + red) / 2) < SHADOW_TINT)
    )
    return off.astype(np.float32), np.asarray(shade, np.bool_)
