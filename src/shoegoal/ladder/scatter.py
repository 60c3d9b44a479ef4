"""Where a pupil's shots go: one normal scatter of directions, fitted by maximum likelihood.

A direction is the angle between the ball's way and the way to the goal's middle, as seen from the
kick spot; to the kicker's right is positive. A shot whose direction was not measured still tells
that it lay between two angles, or outside them: it is censored (Tobin 1958 for the idea). Shots
that stopped short tell nothing of direction; they make a share of their own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr
from scipy.stats import t as student_t

F64: TypeAlias = npt.NDArray[np.float64]

LEAST_SPREAD_RAD = math.radians(0.2)  # nobody kicks more steadily; keeps the likelihood finite
CONFIDENCE = 0.95
_ACROSS = 41  # points of the grid along the bias and along the spread
_ALONG_REACH = 15
_MOST_WIDENINGS = 6


@dataclass(frozen=True, slots=True)
class Measured:
    """A direction and the standard deviation of its measurement, rad."""

    angle_rad: float
    sigma_rad: float


@dataclass(frozen=True, slots=True)
class Between:
    """A direction known only to lie between two angles, either of which may be infinite."""

    low_rad: float
    high_rad: float


@dataclass(frozen=True, slots=True)
class Outside:
    """A direction known only not to lie between two angles."""

    low_rad: float
    high_rad: float


Direction: TypeAlias = Measured | Between | Outside


@dataclass(frozen=True, slots=True)
class ScatterFit:
    """The scatter and all others that the shots speak for nearly as well.

    Attributes
    ----------
    bias_rad, spread_rad : mean and standard deviation of the directions, most likely values.
    reach : share of shots that reach the goal line, most likely value.
    directions, short : shots that the fit rests on, and those that stopped short.
    likely_bias_rad, likely_spread_rad : (N,) scatters within the likelihood region.
    lost : (N,) how much less each explains the directions, in units of log-likelihood.
    likely_reach, lost_reach : (M,) the same for the share that reaches the line.
    allowed : loss up to which a scatter belongs to the region.
    """

    bias_rad: float
    spread_rad: float
    reach: float
    directions: int
    short: int
    likely_bias_rad: F64
    likely_spread_rad: F64
    lost: F64
    likely_reach: F64
    lost_reach: F64
    allowed: float

    @property
    def bias_interval_rad(self) -> tuple[float, float]:
        """Profile-likelihood interval of the bias."""
        return float(self.likely_bias_rad.min()), float(self.likely_bias_rad.max())

    @property
    def spread_interval_rad(self) -> tuple[float, float]:
        """Profile-likelihood interval of the spread."""
        return float(self.likely_spread_rad.min()), float(self.likely_spread_rad.max())

    def region(self) -> tuple[F64, F64, F64]:
        """Bias, spread and reach of every scatter within the region, each (K,)."""
        scatter, reach = np.nonzero(self.lost[:, None] + self.lost_reach[None, :] <= self.allowed)
        return (
            self.likely_bias_rad[scatter],
            self.likely_spread_rad[scatter],
            self.likely_reach[reach],
        )


class ScatterUnboundedError(Exception):
    """The shots put no bound on the scatter: too few of them, or too few that were measured."""


def fit_scatter(
    directions: Sequence[Direction], short: int = 0, confidence: float = CONFIDENCE
) -> ScatterFit:
    """Fit bias and spread by maximum likelihood, with their likelihood region.

    Parameters
    ----------
    directions : at least two.
    short : further shots that stopped before the line.
    confidence : of the intervals read off the region.

    Raises
    ------
    ScatterUnboundedError
        The region has no end.

    Notes
    -----
    The region holds all scatters with twice the log-likelihood ratio up to
    ``n log(1 + t^2 / (n - 1))``, t Student's quantile with n - 1 degrees of freedom. The range of
    a function of the scatter over it is that function's profile-likelihood interval (e.g. Meeker
    and Escobar 1995, from memory); for the mean of n measured normal values that bound makes it
    Student's interval exactly, and for many it is the usual chi-squared one.
    """
    n = len(directions)
    if n < 2:
        raise ScatterUnboundedError
    data = _Data.of(directions)
    start_spread = max(data.rough_spread_rad(), 2 * LEAST_SPREAD_RAD)

    def loss(theta: F64) -> float:
        spread = LEAST_SPREAD_RAD + math.exp(min(theta[1], 3.0))
        return -float(data.log_likelihood(np.array([theta[0]]), np.array([spread]))[0])

    found = minimize(
        loss,
        np.array([data.rough_middle_rad(), math.log(start_spread)]),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000},
    )
    bias, spread = float(found.x[0]), LEAST_SPREAD_RAD + math.exp(min(float(found.x[1]), 3.0))
    best = -float(found.fun)
    quantile = float(student_t.ppf((1 + confidence) / 2, n - 1))
    allowed = n * math.log1p(quantile**2 / (n - 1)) / 2
    biases, spreads, lost = _region(data, bias, spread, best, allowed)
    reach, reaches, lost_reach = _reach_region(n, short, allowed)
    return ScatterFit(
        bias, spread, reach, n, short, biases, spreads, lost, reaches, lost_reach, allowed
    )


def _region(
    data: _Data, bias: float, spread: float, best: float, allowed: float
) -> tuple[F64, F64, F64]:
    """Find the region on a grid that is widened until its rim lies outside."""
    n = data.size
    half_bias = 4.0 * spread / math.sqrt(n)
    down = up = 4.0 / math.sqrt(2 * n)
    for _ in range(_MOST_WIDENINGS):
        biases = np.linspace(bias - half_bias, bias + half_bias, _ACROSS)
        # The most likely scatter stands on the grid itself.
        below = np.linspace(-down, 0.0, _ACROSS // 2, endpoint=False)
        logs = math.log(spread) + np.append(below, np.linspace(0.0, up, _ACROSS // 2 + 1))
        spreads = np.maximum(np.exp(logs), LEAST_SPREAD_RAD)
        grid_bias, grid_spread = (a.ravel() for a in np.meshgrid(biases, spreads, indexing="ij"))
        lost = np.maximum(0.0, best - data.log_likelihood(grid_bias, grid_spread))
        inside = (lost <= allowed).reshape(_ACROSS, _ACROSS)
        at_least = bool(spreads[0] <= LEAST_SPREAD_RAD)
        sides = inside[[0, -1]].any()
        if not (sides or inside[:, -1].any() or (inside[:, 0].any() and not at_least)):
            kept = inside.ravel()
            return grid_bias[kept], grid_spread[kept], lost[kept]
        half_bias *= 1.6 if sides else 1.0
        up *= 1.6 if inside[:, -1].any() else 1.0
        down *= 1.6 if inside[:, 0].any() else 1.0
    raise ScatterUnboundedError


def _reach_region(n: int, short: int, allowed: float) -> tuple[float, F64, F64]:
    reach = n / (n + short)

    def log_likelihood(share: F64) -> F64:
        log_short = short * np.log1p(-np.minimum(share, 1 - 1e-12)) if short else 0.0
        return np.asarray(n * np.log(share) + log_short, np.float64)

    best = float(log_likelihood(np.array([reach]))[0])
    shares = np.append(np.linspace(0.01, 1.0, 2001), reach)
    inside = shares[best - log_likelihood(shares) <= allowed]
    kept = np.append(np.linspace(inside.min(), inside.max(), _ALONG_REACH), reach)
    return reach, kept, np.maximum(0.0, best - log_likelihood(kept))


@dataclass(frozen=True, slots=True)
class _Data:
    """Directions as arrays: measured ones, and bounds of the others."""

    angle: F64
    variance: F64
    between: F64  # (N, 2)
    outside: F64  # (M, 2)

    @classmethod
    def of(cls, directions: Sequence[Direction]) -> _Data:
        measured = [one for one in directions if isinstance(one, Measured)]
        return cls(
            np.array([one.angle_rad for one in measured], np.float64),
            np.array([one.sigma_rad**2 for one in measured], np.float64),
            _bounds([one for one in directions if isinstance(one, Between)]),
            _bounds([one for one in directions if isinstance(one, Outside)]),
        )

    @property
    def size(self) -> int:
        return len(self.angle) + len(self.between) + len(self.outside)

    def rough_middle_rad(self) -> float:
        return float(np.median(self.angle)) if self.angle.size else 0.0

    def rough_spread_rad(self) -> float:
        ends = np.abs(np.concatenate([self.angle, self.between.ravel(), self.outside.ravel()]))
        ends = ends[np.isfinite(ends)]
        return float(np.sqrt(np.mean(ends**2))) if ends.size else math.radians(5)

    def log_likelihood(self, bias: F64, spread: F64) -> F64:
        """Of many scatters at once, each (K,)."""
        b, s = bias[:, None], spread[:, None]
        variance = s**2 + self.variance
        total = (-0.5 * ((self.angle - b) ** 2 / variance + np.log(2 * np.pi * variance))).sum(1)
        total = total + _log_mass((self.between[:, 0] - b) / s, (self.between[:, 1] - b) / s).sum(1)
        low, high = (self.outside[:, 0] - b) / s, (self.outside[:, 1] - b) / s
        return np.asarray(total + np.logaddexp(log_ndtr(low), log_ndtr(-high)).sum(1), np.float64)


def _bounds(ones: Sequence[Between | Outside]) -> F64:
    return np.array([(one.low_rad, one.high_rad) for one in ones], np.float64).reshape(-1, 2)


def _log_mass(low: F64, high: F64) -> F64:
    """Log of the normal mass between two values, taken in the tail where it is not lost."""
    flip = low > 0
    lower, upper = np.where(flip, -high, low), np.where(flip, -low, high)
    log_upper, log_lower = log_ndtr(upper), log_ndtr(lower)
    with np.errstate(divide="ignore"):
        return np.asarray(log_upper + np.log1p(-np.exp(log_lower - log_upper)), np.float64)


def share_between(bias_rad: F64, spread_rad: F64, low_rad: F64, high_rad: F64) -> F64:
    """Share of a normal scatter between two angles."""
    return np.asarray(
        ndtr((high_rad - bias_rad) / spread_rad) - ndtr((low_rad - bias_rad) / spread_rad),
        np.float64,
    )
