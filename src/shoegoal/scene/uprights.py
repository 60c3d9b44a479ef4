"""The focal length from what stands upright: pales, posts and the edges of walls.

The ball's sizes give the horizon, but not how far along the view anything is: every focal length
explains them as well. Upright lines settle it. Seen by a camera that looks down they run together,
towards the point below it, the faster the shorter the focal length is. The vanishing points of
directions square to each other lie so that v^T w v' = 0 (Hartley & Zisserman, Multiple View
Geometry, ch. 8, from memory).
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.scene.ground import GroundFit
from shoegoal.scene.lens import STATED, UPRIGHTS, Lens
from shoegoal.scene.posterior import LOG_FOCAL, LONG_SIDE_FOV_RAD, PITCH, ROLL, focal_of_fov

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

WORKING_SIDE_PX = 1280
LEAST_LENGTH = 0.03  # of the picture's long side; shorter lines hardly have a direction
MOST_LINES = 200
FEWEST_LINES = 8
LEAN_RAD = float(np.deg2rad(8.0))  # a line further off the expected upright is something else
# How far an upright line may be off: things that stand are plumb to about so much, and an end is
# seen to about so many pixels. No source; our estimates.
LINE_SIGMA_RAD, END_SIGMA_PX = float(np.deg2rad(0.3)), 0.7
SHARES = (0.02, 0.1, 0.3, 0.6, 0.95)  # of the lines that are upright
# Both edges of one pale, and pieces of one edge, err together: so many count as one.
ALIKE_LINES = 4
# A whole fence may lean towards the camera, or the ground rise, by this much: a yard drains at 1 to
# 2 in a hundred. Common practice, no source.
PLUMB_SIGMA_RAD = float(np.deg2rad(0.4))
WORTH = 0.6  # of the spread before; what narrows it less tells nothing
FOVS_RAD = np.deg2rad(np.arange(48.0, 88.0, 1.0))
SIGMAS = 2.5  # of roll and horizon that are tried,
ROLLS, HORIZONS = 41, 5  # so many of each


def lens_by_uprights(luma: U8, ground: GroundFit, lens: Lens | None = None) -> Lens | None:
    """Return the lens that upright lines tell of, or None where there are none to speak of.

    Parameters
    ----------
    luma : (H, W) picture of the yard.
    ground : the camera over it, by the ball's sizes.
    lens : what is known already; one from a lens file is as good as any, and leaves None, as does a
        stated one outside of the fields of view that are tried.
    """
    if lens is not None and lens.how_made != STATED:
        return None
    height, width = luma.shape
    log_focals = np.log([focal_of_fov(float(fov), (width, height)) for fov in FOVS_RAD])
    if lens is not None:
        stated = np.log(lens.scaled_to((width, height)).focal_px)
        if not log_focals.min() <= stated <= log_focals.max():
            return None
    lines = _lines(luma)
    middles = (lines[:, :2] + lines[:, 2:]) / 2 - [(width - 1) / 2, (height - 1) / 2]
    ways = lines[:, 2:] - lines[:, :2]
    lengths = np.hypot(*ways.T)
    ways *= np.where(ways[:, 1:] < 0, -1.0, 1.0) / np.maximum(lengths, 1e-9)[:, None]

    focal, pitch, roll = np.exp(ground.theta[LOG_FOCAL]), ground.theta[PITCH], ground.theta[ROLL]
    horizon = focal * np.tan(pitch)
    slope = np.array([horizon, focal / np.cos(pitch) ** 2])
    both = ground.covariance[np.ix_([LOG_FOCAL, PITCH], [LOG_FOCAL, PITCH])]
    horizon_sigma = float(np.sqrt(slope @ both @ slope))
    roll_sigma = float(np.sqrt(ground.covariance[ROLL, ROLL]))

    near = np.abs(_lean(middles, ways, focal, roll, horizon)) < LEAN_RAD
    chosen = np.flatnonzero(near)[np.argsort(-lengths[near])][:MOST_LINES]
    if len(chosen) < FEWEST_LINES:
        return None
    off = np.linspace(-SIGMAS, SIGMAS, ROLLS), np.linspace(-SIGMAS, SIGMAS, HORIZONS)
    rolled, lifted = np.meshgrid(*off, indexing="ij")
    rolls = (roll + roll_sigma * rolled)[..., None]
    horizons = (horizon + horizon_sigma * lifted)[..., None]
    sigmas = np.hypot(LINE_SIGMA_RAD, END_SIGMA_PX / lengths[chosen])
    before = _log_prior(log_focals, lens, (width, height))
    # One field of view after another: all at once take many times the memory.
    told = np.array(
        [
            _log_likelihood(
                _lean(middles[chosen], ways[chosen], float(focal), rolls, horizons), sigmas
            )
            for focal in np.exp(log_focals)
        ]
    )
    chance = told - 0.5 * (rolled**2 + lifted**2) + before[:, None, None]
    after = np.log(np.exp(chance - chance.max()).sum(axis=(1, 2)))
    _, sigma_before = _moments(log_focals, before)
    middle, sigma = _moments(log_focals, after)
    # The lines' angles go with the tangent of the pitch, and with the focal length's square.
    sigma = float(np.hypot(sigma, PLUMB_SIGMA_RAD / max(2 * abs(float(pitch)), 1e-6)))
    if sigma > WORTH * sigma_before:
        return None
    return Lens(
        width,
        height,
        float(np.exp(middle)),
        (width - 1) / 2,
        (height - 1) / 2,
        focal_sigma_rel=sigma,
        how_made=UPRIGHTS,
    )


def _lines(luma: U8) -> F64:
    """Straight lines of a picture, long enough, (N, 4): x, y of both ends in its own pixels."""
    scale = min(1.0, WORKING_SIDE_PX / max(luma.shape))
    small = cv2.resize(luma, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(small)[0]
    if found is None:
        return np.empty((0, 4))
    lines = (np.asarray(found, np.float64).reshape(-1, 4) + 0.5) / scale - 0.5
    lengths = np.hypot(*(lines[:, 2:] - lines[:, :2]).T)
    return np.asarray(lines[lengths >= LEAST_LENGTH * max(luma.shape)], np.float64)


def _lean(
    middles: F64, ways: F64, focal: F64 | float, roll: F64 | float, horizon: F64 | float
) -> F64:
    """Sines of the angles (..., N) by which lines are off what stands upright there.

    Parameters
    ----------
    middles, ways : (N, 2) from the principal point, px, and unit vectors downwards.
    focal, roll, horizon : of the camera; the horizon's height above the principal point, px.
    """
    pitch = np.arctan2(horizon, focal)
    down = np.sin(pitch)
    x = focal * np.cos(pitch) * np.sin(roll) - middles[:, 0] * down
    y = focal * np.cos(pitch) * np.cos(roll) - middles[:, 1] * down
    off: F64 = (ways[:, 0] * y - ways[:, 1] * x) / np.hypot(x, y)
    return off


def _log_likelihood(lean: F64, sigmas: F64) -> F64:
    """Log likelihood of lines (..., N), each upright or any way within the span looked at."""
    upright = np.exp(-0.5 * (lean / sigmas) ** 2) * (2 * LEAN_RAD) / (np.sqrt(2 * np.pi) * sigmas)
    each = [np.log(s * upright + 1 - s).sum(axis=-1) / ALIKE_LINES for s in SHARES]
    return np.asarray(np.logaddexp.reduce(each), np.float64)


def _log_prior(log_focals: F64, lens: Lens | None, size_px: tuple[int, int]) -> F64:
    """Log density of each field of view tried, before the lines."""
    if lens is None:
        return np.asarray(
            -0.5 * ((FOVS_RAD - LONG_SIDE_FOV_RAD[0]) / LONG_SIDE_FOV_RAD[1]) ** 2, np.float64
        )
    here = lens.scaled_to(size_px)
    off = (log_focals - np.log(here.focal_px)) / here.focal_sigma_rel
    return np.asarray(-0.5 * off**2, np.float64)


def _moments(values: F64, log_density: F64) -> tuple[float, float]:
    """Mean and standard deviation of a density given at some values."""
    share = np.exp(log_density - log_density.max())
    share /= share.sum()
    mean = float(share @ values)
    return mean, float(np.sqrt(share @ (values - mean) ** 2))
