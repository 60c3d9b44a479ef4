"""Finding the most likely scene, and the spread of scenes round it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from shoegoal.scene import posterior
from shoegoal.scene.posterior import LOG_BALL, LOG_FOCAL, LOG_HEIGHT, PITCH, ROLL, Evidence

F64 = npt.NDArray[np.float64]

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
    misfit : scatter of the sizes over what their sigmas allow, 1 where too few places tell.
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
    shown = posterior.measured_diameters(theta[None], inner)[0]
    scatter = float(np.sqrt(np.mean((inner.diameters_px / np.maximum(shown, 1e-3) - 1) ** 2)))
    low, high = posterior.bounds(inner)
    room = np.minimum(theta - low, high - theta) / (high - low)
    at_bound = posterior.UNKNOWNS[int(room.argmin())] if room.min() < 1e-3 else ""
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


def first_guesses(evidence: Evidence) -> F64:
    """Return up to `STARTS` promising guesses (K, 6), far enough apart to be different scenes.

    For each focal length, pitch and roll of a grid, each place's size gives a camera height;
    quantiles of these are the heights to try.

    Parameters
    ----------
    evidence : with sigmas wide enough for a coarse grid.
    """
    if evidence.log_focal_prior is None:
        middle, wide = posterior.LONG_SIDE_FOV_RAD
        fovs = (middle - 1.5 * wide, middle, middle + 1.5 * wide)
        focals = [np.log(posterior.focal_of_fov(fov, evidence.image_size_px)) for fov in fovs]
    else:
        focals = [evidence.log_focal_prior[0]]
    grid = np.stack(
        np.meshgrid(focals, np.deg2rad(np.arange(-14, 52, 2.0)), np.deg2rad([-5.0, 0.0, 5.0])),
        axis=-1,
    ).reshape(-1, 3)
    theta = np.zeros((len(grid), len(posterior.UNKNOWNS)))
    theta[:, [LOG_FOCAL, PITCH, ROLL]] = grid
    theta[:, LOG_BALL] = evidence.log_ball_prior[0]
    slopes = posterior.ray_slopes(theta, evidence.places_px, evidence)
    ball = np.exp(evidence.log_ball_prior[0])
    focal = np.exp(theta[:, LOG_FOCAL])[:, None]
    heights = ball / 2 + focal * ball * posterior.falls(theta, slopes) / evidence.diameters_px
    low, high = posterior.HEIGHT_BOUNDS_M
    guesses = []
    # With many wrong discs the median is off: try its neighbours too.
    for level in np.quantile(heights, [0.3, 0.5, 0.7], axis=1):
        theta[:, LOG_HEIGHT] = np.log(np.clip(level, 2 * low, high / 2))
        guesses.append(theta.copy())
    theta = np.concatenate(guesses)
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
    sizes = posterior.sizes_off(theta, evidence)
    priors = posterior.priors_off(theta, evidence)
    loss, _, _ = posterior.mixture_loss(sizes**2, evidence)
    cost: F64 = 0.5 * (loss.sum(axis=1) + (priors**2).sum(axis=1))
    return cost


def explore(peak: Peak, n: int, seed: int) -> tuple[F64, float]:
    """Draw from the full posterior by adaptive importance sampling.

    Guesses come from Student t bells round the peak and its rivals, are weighted by posterior over
    proposal density, and one more bell is fitted to them until enough of them count (after Oh &
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
    low, high = posterior.bounds(peak.evidence)
    bells = [(peak.theta, peak.covariance * 1.3)]
    inner = peak.evidence.only(peak.kept)
    bells.extend((rival, _covariance(rival, inner) * 1.3) for rival in peak.rivals)
    best: tuple[float, F64, F64] = (0.0, np.empty((0, len(low))), np.empty(0))
    for _ in range(_ROUNDS):
        guesses, log_proposal = _propose(bells, rng)
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
        spread = 1.3 * (apart * weight[:, None]).T @ apart + 0.2 * bells[0][1]
        bells.append((centre, spread))
    effective, guesses, weight = best
    # Systematic resampling: each guess comes up as often as its weight says, give or take one.
    ladder = np.cumsum(weight)
    rungs = (np.arange(n) + rng.random()) / n
    picked = np.minimum(np.searchsorted(ladder, rungs), len(guesses) - 1)
    return rng.permutation(guesses[picked]), effective


def _propose(bells: list[tuple[F64, F64]], rng: np.random.Generator) -> tuple[F64, F64]:
    """Guesses from Student t bells (centre, spread) in equal parts, and their log density."""
    size = len(bells[0][0])
    each = -(-_PROPOSALS // len(bells))
    roots = [np.linalg.cholesky(spread + 1e-14 * np.eye(size)) for _, spread in bells]
    parts = []
    for (centre, _), root in zip(bells, roots, strict=True):
        tail = np.sqrt(_TAIL_DEGREES / rng.chisquare(_TAIL_DEGREES, (each, 1)))
        parts.append(centre + (rng.standard_normal((each, size)) * tail) @ root.T)
    guesses = np.concatenate(parts)
    logs = []
    for (centre, _), root in zip(bells, roots, strict=True):
        scaled = np.linalg.solve(root, (guesses - centre).T)
        bell = np.log1p((scaled**2).sum(axis=0) / _TAIL_DEGREES)
        logs.append(-(_TAIL_DEGREES + size) / 2 * bell - np.log(np.diag(root)).sum())
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
    off = posterior.sizes_off(theta[None], evidence)[0]
    misfit = 2.0
    for _ in range(_SCALE_STEPS):
        wider = replace(evidence, sigmas_px=evidence.sigmas_px * misfit)
        _, right, _ = posterior.mixture_loss((off / misfit) ** 2, wider)
        degrees = float(right.sum()) - 3
        if degrees < 1:
            return np.ones(len(off), dtype=bool), float(off @ off), 0, 1.0
        misfit = max(float(np.sqrt(right @ off**2 / degrees)), 0.3)
    kept = np.abs(off) <= OUTLIER_SIGMAS * max(misfit, 1.0)
    return kept, float(np.sum(off[kept] ** 2)), max(int(kept.sum()) - 3, 0), misfit


def _residuals(theta: F64, evidence: Evidence) -> F64:
    return np.concatenate(
        [posterior.sizes_off(theta, evidence), posterior.priors_off(theta, evidence)], axis=1
    )


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
        rho[:, :sizes] = posterior.mixture_loss(squared[:sizes], evidence)
        return rho

    def residuals(theta: F64) -> F64:
        off: F64 = _residuals(theta[None], evidence)[0]
        return off

    def slopes(theta: F64) -> F64:
        return _jacobian(theta, evidence)

    low, high = posterior.bounds(evidence)
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
