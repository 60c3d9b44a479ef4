"""What the scene's unknowns are, what each should look like, and how likely a guess is.

The unknowns of one guess ("theta"): log focal length (px), log camera height (m), pitch (rad),
roll (rad), log ball diameter (m), and the log of how much too big a moving ball measures: its
sightings share blur, shade and compression, so they err together. Everything here takes many
guesses at once, (S, 6), and works in pixels that the lens's distortion has been taken out of.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

LOG_FOCAL, LOG_HEIGHT, PITCH, ROLL, LOG_BALL, LOG_MOVING = range(6)
UNKNOWNS = (
    "log_focal_px",
    "log_height_m",
    "pitch_rad",
    "roll_rad",
    "log_ball_diameter_m",
    "log_moving_size",
)

# Priors. Phone main cameras filming video see 60-75 deg along the long side (from memory).
LONG_SIDE_FOV_RAD = (np.deg2rad(67.0), np.deg2rad(5.0))
# A phone propped on a chair, a bag, a bin or held: 0.2-2.5 m is the middle 95% or so.
LOG_HEIGHT_PRIOR = (np.log(0.8), 0.6)
PITCH_PRIOR_RAD = (np.deg2rad(8.0), np.deg2rad(12.0))
ROLL_PRIOR_RAD = (0.0, np.deg2rad(3.0))
# Of a moving ball's size, beside a resting one's. On drawn balls the network has no such bias.
LOG_MOVING_PRIOR = (0.0, 0.03)
# Children pace their goals: back distance over width is off by about a fifth. No source.
STAGE_RATIO_SIGMA = 0.2
# Distance is paced straight back from the middle; 9 deg is a metre sideways in six. No source.
SQUARE_SIGMA_RAD = np.deg2rad(9.0)

# Discs that are not the ball may be of any size within this span of log sizes.
WRONG_LOG_SPAN = np.log(20.0)

# Outermost values; a fit that rests on one of them has found no scene.
HEIGHT_BOUNDS_M = (0.05, 12.0)
FOV_BOUNDS_RAD = (np.deg2rad(30.0), np.deg2rad(115.0))
PITCH_BOUNDS_RAD = (np.deg2rad(-30.0), np.deg2rad(80.0))
ROLL_BOUNDS_RAD = (np.deg2rad(-25.0), np.deg2rad(25.0))

SHIFTS_TRIED = 8  # marker placement errors, for each draw
_FARTHEST_M = 100.0
_BALL_STEPS = 2  # each step gains (radius / depth)^2


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that the guesses are held against; pixels are free of lens distortion.

    Attributes
    ----------
    image_size_px : width and height of the displayed frame.
    cx_px, cy_px : principal point.
    places_px : (N, 2) disc centres of balls on the ground.
    diameters_px, sigmas_px : (N,) their diameters and standard deviations.
    wrong_shares : (N,) probabilities that they are something else.
    moving : (N,) whether the ball was on its way.
    markers_px : (2, 2) inner bases, or (0, 2) when unknown.
    marker_sigma_px : standard deviation of the bases, per axis.
    kick_spot_px : (1, 2) disc centre of the ball before a kick, or (0, 2).
    log_ball_prior : mean and standard deviation of the log ball diameter.
    log_focal_prior : mean and standard deviation of the log focal length; None for the
        field-of-view prior of phones.
    stage_ratio : back distance over goal width that the stage asks; None to leave it out.
    """

    image_size_px: tuple[int, int]
    cx_px: float
    cy_px: float
    places_px: F64
    diameters_px: F64
    sigmas_px: F64
    wrong_shares: F64
    moving: npt.NDArray[np.bool_]
    markers_px: F64
    marker_sigma_px: float
    kick_spot_px: F64
    log_ball_prior: tuple[float, float]
    log_focal_prior: tuple[float, float] | None
    stage_ratio: float | None

    def only(self, kept: npt.NDArray[np.bool_]) -> Evidence:
        """Leave out all places but some, (N,)."""
        return replace(
            self,
            places_px=self.places_px[kept],
            diameters_px=self.diameters_px[kept],
            sigmas_px=self.sigmas_px[kept],
            wrong_shares=self.wrong_shares[kept],
            moving=self.moving[kept],
        )


def focal_of_fov(fov_rad: float, image_size_px: tuple[int, int]) -> float:
    """Focal length in px for a field of view along the image's long side."""
    return float(max(image_size_px) / 2 / np.tan(fov_rad / 2))


def bounds(evidence: Evidence) -> tuple[F64, F64]:
    """Return lower and upper bounds of theta, (6,) each."""
    if evidence.log_focal_prior is None:
        low_focal = np.log(focal_of_fov(FOV_BOUNDS_RAD[1], evidence.image_size_px))
        high_focal = np.log(focal_of_fov(FOV_BOUNDS_RAD[0], evidence.image_size_px))
    else:
        mean, sigma = evidence.log_focal_prior
        low_focal, high_focal = mean - 6 * sigma, mean + 6 * sigma
    ball, ball_sigma = evidence.log_ball_prior
    low = [low_focal, np.log(HEIGHT_BOUNDS_M[0]), PITCH_BOUNDS_RAD[0], ROLL_BOUNDS_RAD[0]]
    high = [high_focal, np.log(HEIGHT_BOUNDS_M[1]), PITCH_BOUNDS_RAD[1], ROLL_BOUNDS_RAD[1]]
    return (
        np.array([*low, ball - 6 * ball_sigma, -6 * LOG_MOVING_PRIOR[1]]),
        np.array([*high, ball + 6 * ball_sigma, 6 * LOG_MOVING_PRIOR[1]]),
    )


def falls(theta: F64, slopes: F64) -> F64:
    """How fast sight rays fall per unit of depth, (S, N): minus their ground-frame Z.

    Parameters
    ----------
    theta : (S, 6).
    slopes : (S, N, 2) ray slopes in camera axes.
    """
    pitch, roll = theta[:, PITCH, None], theta[:, ROLL, None]
    sideways: F64 = np.cos(pitch) * (
        np.sin(roll) * slopes[..., 0] + np.cos(roll) * slopes[..., 1]
    ) + np.sin(pitch)
    return sideways


def ray_slopes(theta: F64, pixels: F64, evidence: Evidence) -> F64:
    """Slopes (S, N, 2) of the sight rays of pixels (N, 2), or (S, N, 2) one set per guess."""
    centred = pixels - [evidence.cx_px, evidence.cy_px]
    slopes: F64 = centred / np.exp(theta[:, LOG_FOCAL])[:, None, None]
    return slopes


def ball_diameters(theta: F64, pixels: F64, evidence: Evidence) -> F64:
    """Diameters (S, N) px that balls on the ground should show, discs centred at pixels (N, 2).

    `Camera.ball_image` turned round, written in inverse depth so that it runs smoothly through
    zero at the horizon instead of breaking off there.
    """
    focal = np.exp(theta[:, LOG_FOCAL])[:, None]
    radius = np.exp(theta[:, LOG_BALL])[:, None] / 2
    # A camera lower than the ball's middle sees no ground under it.
    drop = np.maximum(np.exp(theta[:, LOG_HEIGHT])[:, None] - radius, 1e-3)
    slopes = ray_slopes(theta, pixels, evidence)
    shrink = np.ones(slopes.shape[:2])
    near = np.zeros_like(shrink)
    for _ in range(_BALL_STEPS):
        inverse_depth = falls(theta, slopes * shrink[..., None]) / drop
        near = np.clip(radius * inverse_depth, -0.9, 0.9)
        shrink = 1 - near**2
    stretch = (1 + np.sum(slopes**2, axis=2) * shrink) ** 0.25
    shown: F64 = 2 * focal * near * stretch / np.sqrt(1 - near**2)
    return shown


def measured_diameters(theta: F64, evidence: Evidence) -> F64:
    """Diameters (S, N) px that the evidence's discs should measure as, moving ones a little off."""
    shown = ball_diameters(theta, evidence.places_px, evidence)
    measured: F64 = shown * np.exp(theta[:, LOG_MOVING, None] * evidence.moving)
    return measured


def ground_spots(theta: F64, pixels: F64, evidence: Evidence, z_m: F64) -> F64:
    """Ground XY (S, N, 2) seen at pixels (N, 2) on the plane z_m (S,), kept within 100 m."""
    slopes = ray_slopes(theta, pixels, evidence)
    drop = np.maximum(np.exp(theta[:, LOG_HEIGHT]) - z_m, 1e-3)[:, None]
    inverse_depth = np.maximum(falls(theta, slopes) / drop, 1 / _FARTHEST_M)
    pitch, roll = theta[:, PITCH, None], theta[:, ROLL, None]
    right = np.cos(roll) * slopes[..., 0] - np.sin(roll) * slopes[..., 1]
    down = np.sin(roll) * slopes[..., 0] + np.cos(roll) * slopes[..., 1]
    ahead = np.cos(pitch) - np.sin(pitch) * down
    spots: F64 = np.stack([right, ahead], axis=2) / inverse_depth[..., None]
    return spots


@dataclass(frozen=True, slots=True, eq=False)
class GoalDraws:
    """Goals of many guesses: width, perpendicular kick distance and sideways kick spot, (S,).

    Distance and offset are NaN without a kick spot; the offset has no sign. `turn_rad` is how far
    one standard deviation of the marker bases turns the goal line.
    """

    width_m: F64
    distance_m: F64
    offset_m: F64
    turn_rad: F64


def goal_draws(theta: F64, evidence: Evidence, markers_px: F64 | None = None) -> GoalDraws:
    """Put the goal on the ground under each guess.

    Parameters
    ----------
    theta : (S, 6).
    evidence : markers and kick spot.
    markers_px : (S, 2, 2) marker bases in place of the evidence's.
    """
    given = evidence.markers_px if markers_px is None else markers_px
    markers = ground_spots(theta, given, evidence, np.zeros(len(theta)))
    along = markers[:, 1] - markers[:, 0]
    width = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-3)
    # A pixel is Y / f metres sideways and Y^2 / (f h) metres of depth.
    sideways = markers[:, :, 1] * np.exp(-theta[:, LOG_FOCAL])[:, None]
    depth = sideways * markers[:, :, 1] * np.exp(-theta[:, LOG_HEIGHT])[:, None]
    moved = (sideways * along[:, 1:]) ** 2 + (depth * along[:, :1]) ** 2
    turn = evidence.marker_sigma_px * np.sqrt(moved.sum(axis=1)) / width**2
    if len(evidence.kick_spot_px) == 0:
        unknown = np.full(len(theta), np.nan)
        return GoalDraws(width, unknown, unknown, turn)
    radius = np.exp(theta[:, LOG_BALL]) / 2
    spot = ground_spots(theta, evidence.kick_spot_px, evidence, radius)[:, 0]
    back = spot - markers.mean(axis=1)
    distance = np.abs(back[:, 0] * along[:, 1] - back[:, 1] * along[:, 0]) / width
    offset = np.abs(np.sum(back * along, axis=1)) / width
    return GoalDraws(width, np.maximum(distance, 1e-3), offset, turn)


def set_up_off(theta: F64, evidence: Evidence, markers_px: F64 | None = None) -> F64:
    """Residuals (S, K) of how goals are set up: square to the kicks, as wide as the stage asks.

    K is 0 without a kick spot, 1 with one, 2 with one and a stage. The evidence's own markers may
    be turned by their placement error; markers given here are taken as true.
    """
    if len(evidence.kick_spot_px) == 0:
        return np.empty((len(theta), 0))
    goal = goal_draws(theta, evidence, markers_px)
    turn = goal.turn_rad if markers_px is None else np.zeros(len(theta))
    columns = [np.arctan2(goal.offset_m, goal.distance_m) / np.hypot(SQUARE_SIGMA_RAD, turn)]
    if evidence.stage_ratio is not None:
        prior = (float(np.log(evidence.stage_ratio)), STAGE_RATIO_SIGMA)
        columns.append(_off(np.log(goal.distance_m / goal.width_m), prior))
    return np.stack(columns, axis=1)


def marker_shifts(draws: F64, evidence: Evidence, seed: int) -> F64:
    """Marker placement errors (S, 2, 2), px, that suit how goals are set up.

    On low cameras a pixel is half a metre of depth, and blind errors would only ever widen a goal;
    several are tried for each draw and the ones that leave the goal square come up more often.

    Parameters
    ----------
    draws : (S, 6) guesses.
    evidence : markers, their standard deviation, and the kick spot that tells what is square.
    seed : seed of the errors; the same seed gives the same ones.
    """
    rng = np.random.default_rng([seed, 1])
    shifts = rng.normal(0.0, evidence.marker_sigma_px, (len(draws) * SHIFTS_TRIED, 2, 2))
    if not len(evidence.kick_spot_px):
        return shifts[: len(draws)]
    many = np.repeat(draws, SHIFTS_TRIED, axis=0)
    # What a draw has paid for unmoved markers is the same for all its errors, and drops out.
    off = set_up_off(many, evidence, evidence.markers_px + shifts)
    gain = -0.5 * (off**2).sum(axis=1).reshape(len(draws), SHIFTS_TRIED)
    odds = np.cumsum(np.exp(gain - gain.max(axis=1, keepdims=True)), axis=1)
    picked = (odds < rng.random((len(draws), 1)) * odds[:, -1:]).sum(axis=1)
    chosen: F64 = shifts.reshape(len(draws), SHIFTS_TRIED, 2, 2)[np.arange(len(draws)), picked]
    return chosen


def sizes_off(theta: F64, evidence: Evidence) -> F64:
    """Residuals (S, N) of the ball diameters, in standard deviations."""
    shown = measured_diameters(theta, evidence)
    off: F64 = (evidence.diameters_px - shown) / evidence.sigmas_px
    return off


def mixture_loss(squared: F64, evidence: Evidence) -> tuple[F64, F64, F64]:
    """Loss of squared size residuals and its two derivatives by them, each like `squared`.

    Minus twice the log of a mixture: a disc is the ball with its Gaussian error, or, with
    probability `wrong_shares`, another thing of any size (even in log size). A disc far off has a
    constant loss and pulls no more.

    Parameters
    ----------
    squared : (..., N) squared residuals of the evidence's places.
    """
    ball = np.exp(-0.5 * squared)
    # Density of a wrong disc over the peak density of a right one.
    relative = np.sqrt(2 * np.pi) * evidence.sigmas_px / evidence.diameters_px / WRONG_LOG_SPAN
    odds = evidence.wrong_shares / (1 - evidence.wrong_shares)
    wrong = np.broadcast_to(relative * odds, squared.shape)
    share = ball / (ball + wrong)
    return -2 * np.log(ball + wrong) + 2 * np.log1p(wrong), share, -0.5 * share * (1 - share)


def priors_off(theta: F64, evidence: Evidence) -> F64:
    """Residuals (S, K) of everything but the ball diameters, in standard deviations."""
    columns = []
    if evidence.log_focal_prior is None:
        half = max(evidence.image_size_px) / 2
        fov = 2 * np.arctan(half / np.exp(theta[:, LOG_FOCAL]))
        columns.append(_off(fov, LONG_SIDE_FOV_RAD))
    else:
        columns.append(_off(theta[:, LOG_FOCAL], evidence.log_focal_prior))
    columns.append(_off(theta[:, LOG_HEIGHT], LOG_HEIGHT_PRIOR))
    columns.append(_off(theta[:, PITCH], PITCH_PRIOR_RAD))
    columns.append(_off(theta[:, ROLL], ROLL_PRIOR_RAD))
    columns.append(_off(theta[:, LOG_BALL], evidence.log_ball_prior))
    columns.append(_off(theta[:, LOG_MOVING], LOG_MOVING_PRIOR))
    for spots in (evidence.markers_px, evidence.kick_spot_px):
        if len(spots):
            columns.extend(_not_above_horizon(theta, spots, evidence).T)
    return np.concatenate([np.stack(columns, axis=1), set_up_off(theta, evidence)], axis=1)


def _off(value: F64, prior: tuple[float, float]) -> F64:
    return (value - prior[0]) / prior[1]


def _not_above_horizon(theta: F64, pixels: F64, evidence: Evidence) -> F64:
    """Zero for ground nearer than 100 m, rising steeply beyond: what stands there must be seen."""
    slopes = ray_slopes(theta, pixels, evidence)
    inverse_depth = falls(theta, slopes) / np.exp(theta[:, LOG_HEIGHT])[:, None]
    return np.maximum(1 / _FARTHEST_M - inverse_depth, 0.0) * 10 * _FARTHEST_M
