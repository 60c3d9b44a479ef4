"""Picture quality: light, noise, blur and tilt, each by a published measure."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import Frame

U8 = npt.NDArray[np.uint8]
F64 = npt.NDArray[np.float64]

# The difference of two Laplacians, blind to flat and evenly sloping ground (Immerkaer 1996, "Fast
# noise variance estimation", eq. 2); noise of sigma 1 leaves it with sigma 6.
_NOISE_MASK = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
_NOISE_GAIN = 6.0
_TILES = (6, 4)  # across the longer and the shorter side
_BLUR_WINDOW = 9  # taps of the low pass that a picture is compared with (Crete et al. 2007)
_BLUR_LONG_SIDE_PX = 1280  # blur is a share of the picture, whatever its resolution
_TILT_LONG_SIDE_PX = 640
_STRONGEST = 80.0  # percentile of edge strength above which edges are used
_TILT_BAND_DEG = 5
_TILT_SHARE = 0.12  # of the steep edges within that band; an even spread has 0.056
_MIN_TILE_STEP = 1.5  # levels; a tile with less between its neighbours shows noise, not edges


def brightness(frame: Frame) -> float:
    """Median luma as a share of the range from black to white, 0..1."""
    black, white = (0, 255) if frame.full_range else (16, 235)
    median = float(np.median(frame.luma[::4, ::4]))
    return float(np.clip((median - black) / (white - black), 0.0, 1.0))


def noise_levels(before: U8, after: U8) -> float:
    """Estimate the noise of two neighbouring pictures of one still scene.

    Parameters
    ----------
    before, after : (H, W) uint8 luma.

    Returns
    -------
    Standard deviation of one picture's noise, levels: Immerkaer's estimate (1996) of the
    difference, from which the scene's texture has gone, over the square root of 2; the median over
    tiles, so that what moves does not count.
    """
    difference = cv2.subtract(after, before, dtype=cv2.CV_32F)
    found = np.abs(cv2.filter2D(difference, cv2.CV_32F, _NOISE_MASK))[1:-1, 1:-1]
    means = [float(tile.mean()) for tile in _tiles(np.asarray(found))]
    return math.sqrt(math.pi / 2) / _NOISE_GAIN * float(np.median(means)) / math.sqrt(2)


def blur_share(luma: U8) -> float:
    """Measure blur: how little a further smoothing changes the sharpest part of a picture.

    Parameters
    ----------
    luma : (H, W) uint8.

    Returns
    -------
    0 (sharp) to 1 (blurred): Crete, Dolmiere, Ladret & Nicolas 2007, "The blur effect", the larger
    of the two directions that have steps, on a picture at most 1280 px long; the least blurred of
    its tiles, as a lawn out of focus says nothing of the lens. 1 where nothing has an edge.
    """
    scale = min(1.0, _BLUR_LONG_SIDE_PX / max(luma.shape))
    small = cv2.resize(luma, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    across = _lost_steps(np.asarray(small, np.float32))
    down = _lost_steps(np.asarray(small, np.float32).T)
    shares = []
    for (steps_x, lost_x), (steps_y, lost_y) in zip(
        zip(*map(_tiles, across), strict=True),
        zip(*(_tiles(plane.T) for plane in down), strict=True),
        strict=True,
    ):
        both = ((steps_x, lost_x), (steps_y, lost_y))
        told = [_share(*pair) for pair in both if pair[0].mean() >= _MIN_TILE_STEP]
        if told:
            shares.append(max(told))
    return min(shares, default=1.0)


def tilt_deg(luma: U8) -> float | None:
    """Measure the phone's tilt from edges that should be upright.

    Parameters
    ----------
    luma : (H, W) uint8.

    Returns
    -------
    Angle from upright of the commonest steep edges, clockwise positive; None where no direction
    stands out, as without walls, fences and posts (Coughlan & Yuille 1999: what people build gives
    edges along three directions, one of them upright).
    """
    scale = min(1.0, _TILT_LONG_SIDE_PX / max(luma.shape))
    small = cv2.resize(luma, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.0)  # steps of single pixels have no direction
    across = np.asarray(cv2.Scharr(small, cv2.CV_32F, 1, 0), np.float64)
    down = np.asarray(cv2.Scharr(small, cv2.CV_32F, 0, 1), np.float64)
    strength = np.hypot(across, down)
    steep = (np.abs(across) > np.abs(down)) & (strength > np.percentile(strength, _STRONGEST))
    if not steep.any():
        return None
    # An upright edge has its gradient along the row; tilted clockwise, the gradient dips with it.
    angles = np.degrees(np.arctan(down[steep] / across[steep]))
    counts, _ = np.histogram(angles, bins=90, range=(-45, 45), weights=strength[steep])
    shares = np.convolve(counts / counts.sum(), np.ones(_TILT_BAND_DEG), "same")
    best = int(shares.argmax())
    return best - 44.5 if shares[best] >= _TILT_SHARE else None


def _lost_steps(picture: npt.NDArray[np.float32]) -> tuple[F64, F64]:
    """Return steps between neighbours along rows, and what a further smoothing takes of each."""
    smooth = cv2.blur(picture, (_BLUR_WINDOW, 1), borderType=cv2.BORDER_REPLICATE)
    steps = np.abs(np.diff(picture.astype(np.float64), axis=1))
    kept = np.abs(np.diff(np.asarray(smooth, np.float64), axis=1))
    return steps, np.maximum(0.0, steps - kept)


def _share(steps: F64, lost: F64) -> float:
    return 1.0 - float(lost.sum()) / float(steps.sum())


def _tiles(plane: F64) -> list[F64]:
    rows, columns = _TILES[::-1] if plane.shape[1] >= plane.shape[0] else _TILES
    return [
        tile
        for band in np.array_split(plane, rows, axis=0)
        for tile in np.array_split(band, columns, axis=1)
    ]
