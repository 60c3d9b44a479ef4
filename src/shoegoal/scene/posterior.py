"""The posterior of a scene: its unknowns, how likely a guess is, the peak and draws round it.

The unknowns of one guess ("theta"): log focal length (px), log camera height (m), pitch (rad),
roll (rad), log ball diameter (m), and the log of how much too big a moving ball measures: its
sightings share blur, shade and compression, so they err together. Everything here takes many
guesses at once, (S, 6), and works in pixels that the lens's distortion has been taken out of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from shoegoal.scene.goal import PACED_SIGMA, paced_log_density

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

# Priors. Phone main cameras filming video see 60-75 deg along the long side (from memory): the mean
# and standard deviation of an even spread.
LONG_SIDE_FOV_RAD = (np.deg2rad(67.5), np.deg2rad(4.33))
# A phone propped on a chair, a bag, a bin or held: 0.2-2.5 m is the middle 95% or so.
LOG_HEIGHT_PRIOR = (np.log(0.8), 0.6)
PITCH_PRIOR_RAD = (np.deg2rad(8.0), np.deg2rad(12.0))
ROLL_PRIOR_RAD = (0.0, np.deg2rad(3.0))
# Of a moving ball's size, beside a resting one's. On drawn balls the network has no such bias.
LOG_MOVING_PRIOR = (0.0, 0.03)
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

STARTS = 5
OUTLIER_SIGMAS = 4.0
COARSE_REL = 0.05
RIVAL_COST = 10.0  # e^-10 as likely as the best is not worth a look
RIVAL_STEPS = np.array([0.1, 0.15, 0.03, 0.03, 0.03, 0.05])  # peaks nearer than this are one
_SCALE_STEPS = 25
_STEP = 1e-5
_COARSE_TRIES = 10
_ROUNDS = 8
_PROPOSALS = 2500
_TAIL_DEGREES = 5.0
_ENOUGH_DRAWS = 300.0


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
        columns.append(_paced_off(np.log(goal.distance_m / goal.width_m / evidence.stage_ratio)))
    return np.stack(columns, axis=1)


def _paced_off(log_ratio: F64) -> F64:
    """Residuals of ratios against the stage's: goals paced well pull, others hardly any more."""
    cost = -paced_log_density(log_ratio)
    off: F64 = np.sign(log_ratio) * np.sqrt(np.maximum(2 * cost, 0.0))
    return off


def ratio_note(theta: F64, evidence: Evidence) -> str:
    """Say whether a scene (6,) depends on the stage's ratio."""
    assert evidence.stage_ratio is not None
    goal = goal_draws(theta[None], evidence)
    log_ratio = np.log(goal.distance_m / goal.width_m / evidence.stage_ratio)
    if abs(float(log_ratio[0])) < 3 * PACED_SIGMA:
        return "the kick distance depends on the stage's ratio of distance to width, too"
    return "the goal is not of the stage's shape, so the stage says nothing of the kick distance"


def marker_shifts(draws: F64, evidence: Evidence, seed: int) -> F64:
    """Marker placement errors (S, 2, 2), px, that suit how goals are set up.

    On low cameras a pixel is half a metre of depth, and blind errors would only ever widen a goal;
    several are tried for each draw and the ones that leave the goal square come up more often.

    Parameters
    ----------
    draws : (S, 6) guesses.
    evidence : markers, their standard deviation, and the kick spot, which defines square-on.
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


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """The most likely guess.

    Attributes
    ----------
    theta, covariance : (6,) and (6, 6), from the curvature at the peak.
    rivals : (R, 6) other scenes that suit the evidence nearly as well, or (0, 6).
    evidence : the evidence with its sigmas widened by the centres' errors, and by `misfit` where
        that is above 1.
    kept : (N,) which places agree with the ground.
    chi2 : sum of squared residuals of the kept places, before widening.
    degrees : kept places less the three numbers that their sizes determine.
    misfit : scatter of the sizes over what their sigmas allow, 1 with too few places.
    scatter_rel : root mean square of the kept places' relative size errors.
    at_bound : name of an unknown that rests on its bound, or "".
    """

    theta: F64
    covariance: F64
    rivals: F64
    evidence: Evidence
    kept: npt.NDArray[np.bool_]
    chi2: float
    degrees: int
    misfit: float
    scatter_rel: float
    at_bound: str


def climb(evidence: Evidence, centre_sigmas_px: F64) -> Peak:
    """Find the peak: descend from several starts, first with wide sigmas, then with the true ones.

    Parameters
    ----------
    evidence : places with the standard deviations of their diameters alone.
    centre_sigmas_px : (N,) standard deviations of the disc centres, which make the expected
        diameter uncertain in turn.
    """
    coarse = _coarsened(evidence)
    starts = first_guesses(coarse)
    near = _distinct(np.array([_descend(s, coarse, _COARSE_TRIES) for s in starts]), coarse)
    peaks = _distinct(np.array([_descend(start, evidence) for start in near]), evidence)
    theta, rivals = peaks[0], peaks[1:]
    # Moving the disc by one pixel towards the camera makes it D / (h - R) pixels bigger.
    ball = np.exp(theta[LOG_BALL])
    slope = ball / max(np.exp(theta[LOG_HEIGHT]) - ball / 2, ball / 2)
    evidence = replace(evidence, sigmas_px=np.hypot(evidence.sigmas_px, slope * centre_sigmas_px))
    theta = _descend(theta, evidence)
    kept, chi2, degrees, misfit = _agreement(theta, evidence)
    if misfit > 1.0:
        evidence = replace(evidence, sigmas_px=evidence.sigmas_px * misfit)
        theta = _descend(theta, evidence)
    inner = evidence.only(kept)
    shown = measured_diameters(theta[None], inner)[0]
    scatter = float(np.sqrt(np.mean((inner.diameters_px / np.maximum(shown, 1e-3) - 1) ** 2)))
    low, high = bounds(inner)
    room = np.minimum(theta - low, high - theta) / (high - low)
    at_bound = UNKNOWNS[int(room.argmin())] if room.min() < 1e-3 else ""
    return Peak(
        theta,
        _covariance(theta, inner),
        rivals,
        evidence,
        kept,
        chi2,
        degrees,
        misfit,
        scatter,
        at_bound,
    )


def camera_grid(
    evidence: Evidence,
    fov_sigmas: float,
    pitches_deg: F64,
    rolls_deg: F64,
    quantiles: Sequence[float],
) -> F64:
    """Return guesses (S, 6) all over, where a search may begin.

    Parameters
    ----------
    evidence : of the places' sizes.
    fov_sigmas : how far from the usual field of view to look, where no lens is known.
    pitches_deg, rolls_deg : of the cameras to try.
    quantiles : each place's size gives a camera height under each focal length, pitch and roll;
        these quantiles of the heights are tried.
    """
    if evidence.log_focal_prior is None:
        middle, wide = LONG_SIDE_FOV_RAD
        fovs = (middle - fov_sigmas * wide, middle, middle + fov_sigmas * wide)
        focals = [np.log(focal_of_fov(fov, evidence.image_size_px)) for fov in fovs]
    else:
        focals = [evidence.log_focal_prior[0]]
    grid = np.stack(
        np.meshgrid(focals, np.deg2rad(pitches_deg), np.deg2rad(rolls_deg)), axis=-1
    ).reshape(-1, 3)
    theta = np.zeros((len(grid), len(UNKNOWNS)))
    theta[:, [LOG_FOCAL, PITCH, ROLL]] = grid
    theta[:, LOG_BALL] = evidence.log_ball_prior[0]
    slopes = ray_slopes(theta, evidence.places_px, evidence)
    ball = np.exp(evidence.log_ball_prior[0])
    focal = np.exp(theta[:, LOG_FOCAL])[:, None]
    heights = ball / 2 + focal * ball * falls(theta, slopes) / evidence.diameters_px
    low, high = HEIGHT_BOUNDS_M
    tries = []
    for height_m in np.quantile(heights, quantiles, axis=1):
        theta[:, LOG_HEIGHT] = np.log(np.clip(height_m, 2 * low, high / 2))
        tries.append(theta.copy())
    return np.concatenate(tries)


def first_guesses(evidence: Evidence) -> F64:
    """Return up to `STARTS` promising guesses (K, 6), far enough apart to be different scenes.

    Parameters
    ----------
    evidence : with sigmas wide enough for a coarse grid.
    """
    # With many wrong discs the median height is off: its neighbours are tried too.
    theta = camera_grid(
        evidence, 1.5, np.arange(-14, 52, 2.0), np.array([-5.0, 0.0, 5.0]), (0.3, 0.5, 0.7)
    )
    order = np.argsort(mixture_cost(theta, evidence))
    chosen: list[F64] = []
    for guess in theta[order]:
        if all(abs(guess[PITCH] - other[PITCH]) > np.deg2rad(5.0) for other in chosen):
            chosen.append(guess)
        if len(chosen) == STARTS:
            break
    return np.array(chosen)


def mixture_cost(theta: F64, evidence: Evidence) -> F64:
    """Return minus the log posterior of each guess (S, 6), but for a constant; (S,)."""
    sizes = sizes_off(theta, evidence)
    priors = priors_off(theta, evidence)
    loss, _, _ = mixture_loss(sizes**2, evidence)
    cost: F64 = 0.5 * (loss.sum(axis=1) + (priors**2).sum(axis=1))
    return cost


def explore(peak: Peak, n: int, seed: int) -> tuple[F64, float]:
    """Draw from the full posterior by adaptive importance sampling.

    Guesses come from Student t densities round the peak and its rivals, weighted by posterior over
    proposal density, and one more is fitted to them until enough of them count (after Oh &
    Berger 1992, adaptive importance sampling).

    Parameters
    ----------
    peak : the peak to start at.
    n : draws wanted.
    seed : seed of the random numbers.

    Returns
    -------
    draws : (n, 6) equally likely guesses.
    effective : number of independent draws that they are worth.
    """
    rng = np.random.default_rng(seed)
    low, high = bounds(peak.evidence)
    densities = [(peak.theta, peak.covariance * 1.3)]
    inner = peak.evidence.only(peak.kept)
    densities.extend((rival, _covariance(rival, inner) * 1.3) for rival in peak.rivals)
    best: tuple[float, F64, F64] = (0.0, np.empty((0, len(low))), np.empty(0))
    for _ in range(_ROUNDS):
        guesses, log_proposal = _propose(densities, rng)
        inside = np.all((guesses > low) & (guesses < high), axis=1)
        log_weight = np.full(len(guesses), -np.inf)
        cost = mixture_cost(guesses[inside], peak.evidence)
        log_weight[inside] = -cost - log_proposal[inside]
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        effective = float(1 / (weight**2).sum())
        if effective > best[0]:
            best = (effective, guesses, weight)
        if effective >= _ENOUGH_DRAWS:
            break
        centre = weight @ guesses
        apart = guesses - centre
        # Few guesses underestimate the spread: keep some of the old one.
        spread = 1.3 * (apart * weight[:, None]).T @ apart + 0.2 * densities[0][1]
        densities.append((centre, spread))
    effective, guesses, weight = best
    # Systematic resampling: each guess comes up as often as its weight says, give or take one.
    ladder = np.cumsum(weight)
    rungs = (np.arange(n) + rng.random()) / n
    picked = np.minimum(np.searchsorted(ladder, rungs), len(guesses) - 1)
    return rng.permutation(guesses[picked]), effective


def _propose(densities: list[tuple[F64, F64]], rng: np.random.Generator) -> tuple[F64, F64]:
    """Guesses from Student t densities (centre, spread) in equal parts, and their log density."""
    size = len(densities[0][0])
    each = -(-_PROPOSALS // len(densities))
    roots = [np.linalg.cholesky(spread + 1e-14 * np.eye(size)) for _, spread in densities]
    parts = []
    for (centre, _), root in zip(densities, roots, strict=True):
        tail = np.sqrt(_TAIL_DEGREES / rng.chisquare(_TAIL_DEGREES, (each, 1)))
        parts.append(centre + (rng.standard_normal((each, size)) * tail) @ root.T)
    guesses = np.concatenate(parts)
    logs = []
    for (centre, _), root in zip(densities, roots, strict=True):
        scaled = np.linalg.solve(root, (guesses - centre).T)
        tail = np.log1p((scaled**2).sum(axis=0) / _TAIL_DEGREES)
        logs.append(-(_TAIL_DEGREES + size) / 2 * tail - np.log(np.diag(root)).sum())
    return guesses, np.asarray(np.logaddexp.reduce(logs, axis=0), dtype=np.float64)


def _distinct(peaks: F64, evidence: Evidence) -> F64:
    """Local peaks (R, 6) worth keeping: best first, no two alike, none hopeless."""
    costs = mixture_cost(peaks, evidence)
    chosen: list[F64] = []
    for k in np.argsort(costs):
        alike = any(np.abs((peaks[k] - other) / RIVAL_STEPS).max() < 1.0 for other in chosen)
        if not alike and costs[k] <= costs.min() + RIVAL_COST:
            chosen.append(peaks[k])
    return np.array(chosen)


def _agreement(theta: F64, evidence: Evidence) -> tuple[npt.NDArray[np.bool_], float, int, float]:
    """Which places agree with the ground, their chi2, degrees of freedom and misfit.

    The misfit is the mixture's own scale, found by expectation-maximisation, so that wrong discs
    do not pass for scatter.
    """
    off = sizes_off(theta[None], evidence)[0]
    misfit = 2.0
    for _ in range(_SCALE_STEPS):
        wider = replace(evidence, sigmas_px=evidence.sigmas_px * misfit)
        _, right, _ = mixture_loss((off / misfit) ** 2, wider)
        degrees = float(right.sum()) - 3
        if degrees < 1:
            return np.ones(len(off), dtype=bool), float(off @ off), 0, 1.0
        misfit = max(float(np.sqrt(right @ off**2 / degrees)), 0.3)
    kept = np.abs(off) <= OUTLIER_SIGMAS * max(misfit, 1.0)
    return kept, float(np.sum(off[kept] ** 2)), max(int(kept.sum()) - 3, 0), misfit


def _residuals(theta: F64, evidence: Evidence) -> F64:
    return np.concatenate([sizes_off(theta, evidence), priors_off(theta, evidence)], axis=1)


def _jacobian(theta: F64, evidence: Evidence) -> F64:
    steps = _STEP * np.eye(len(theta))
    both = _residuals(np.concatenate([theta + steps, theta - steps]), evidence)
    slope: F64 = (both[: len(theta)] - both[len(theta) :]).T / (2 * _STEP)
    return slope


def _coarsened(evidence: Evidence) -> Evidence:
    """Allow sizes to be 5% off, so that a grid of guesses can see the peak from afar."""
    wide = np.hypot(evidence.sigmas_px, COARSE_REL * evidence.diameters_px)
    return replace(evidence, sigmas_px=wide)


def _descend(start: F64, evidence: Evidence, tries: int = 60) -> F64:
    """Least squares from one start; the mixture bends the size residuals only, never the priors."""
    sizes = len(evidence.diameters_px)

    def bent(squared: F64, *, cost_only: bool | None = None) -> F64:
        rho = np.stack([squared, np.ones_like(squared), np.zeros_like(squared)])
        rho[:, :sizes] = mixture_loss(squared[:sizes], evidence)
        return rho

    def residuals(theta: F64) -> F64:
        off: F64 = _residuals(theta[None], evidence)[0]
        return off

    def slopes(theta: F64) -> F64:
        return _jacobian(theta, evidence)

    low, high = bounds(evidence)
    margin = 1e-6 * (high - low)
    found = least_squares(
        residuals,
        np.clip(start, low + margin, high - margin),
        jac=slopes,
        bounds=(low, high),
        x_scale=np.array([0.1, 0.3, 0.1, 0.05, 0.02, 0.05]),
        loss=bent,
        ftol=1e-6,
        xtol=1e-6,
        max_nfev=tries,
    )
    return np.asarray(found.x, dtype=np.float64)


def _covariance(theta: F64, evidence: Evidence) -> F64:
    slope = _jacobian(theta, evidence)
    inverse: F64 = np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)
    return (inverse + inverse.T) / 2
