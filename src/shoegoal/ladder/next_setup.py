"""What a pupil could try next: the goal at which seven to eight of ten shots should be makes.

That is hard enough to be fun and easy enough to keep going (common practice, no source). The advice
rests on the pupil's own scatter of directions: one normal distribution, fitted by maximum
likelihood. It assumes that the scatter, and the share of balls that reach the line, do not change
with distance.

A direction is the angle between the ball's path and the line to the goal's middle, seen from the
kick spot; to the kicker's right is positive. A shot whose direction was not measured is censored:
its direction is known only to lie between two angles, or outside them (Tobin 1958 for the idea).
Shots that stopped short say nothing of direction; only their share is used.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr
from scipy.stats import t as student_t

from shoegoal.ladder.rules import (
    MAX_BACK_STEPS,
    MAX_WIDTH_STEPS,
    MIN_BACK_STEPS,
    MIN_WIDTH_STEPS,
)

WANTED_SHARES = (0.70, 0.80)
MIDDLE_SHARE = 0.75
LEAST_SHOTS = 12
WIDEST_INTERVAL = 0.5  # of the expected share of makes; a wider one says next to nothing
WIDTH_STEP, BACK_STEP = 0.5, 1.0  # what a pupil can pace
LEAST_SPREAD_RAD = math.radians(0.2)  # nobody kicks more steadily; keeps the likelihood finite
CONFIDENCE = 0.95  # of the intervals

_ACROSS = 41  # points of the grid along the bias and along the spread
_ALONG_REACH = 15  # points along the share that reaches the line
_MOST_WIDENINGS = 6
_FAR_STEPS = 400.0  # further than any goal is wide or any kick long
_HALVINGS = 40

F64: TypeAlias = npt.NDArray[np.float64]


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
    """The most likely scatter, and all others that fit the shots nearly as well.

    Attributes
    ----------
    bias_rad, spread_rad : mean and standard deviation of the directions, most likely values.
    reach : share of shots that reach the goal line, most likely value.
    directions, short : number of shots with a direction, and of those that stopped short.
    likely_bias_rad, likely_spread_rad : (N,) scatters within the likelihood region.
    lost : (N,) log-likelihood of each below that of the best.
    likely_reach, lost_reach : (M,) the same for the share of shots that reach the line.
    allowed : the most log-likelihood that a scatter within the region may lose.
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
    """The shots do not bound the scatter: too few of them, or too few were measured."""


def fit_scatter(
    directions: Sequence[Direction], short: int = 0, confidence: float = CONFIDENCE
) -> ScatterFit:
    """Fit bias and spread by maximum likelihood, with their likelihood region.

    Parameters
    ----------
    directions : at least two.
    short : further shots that stopped before the line.
    confidence : of the intervals taken from the region.

    Raises
    ------
    ScatterUnboundedError
        The region is unbounded.

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
    """Find the region on a grid, which is widened until its rim lies outside."""
    n = data.size
    half_bias = 4.0 * spread / math.sqrt(n)
    down = up = 4.0 / math.sqrt(2 * n)
    for _ in range(_MOST_WIDENINGS):
        biases = np.linspace(bias - half_bias, bias + half_bias, _ACROSS)
        # The most likely scatter is a point of the grid.
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
        """Log-likelihood of many scatters at once, each (K,)."""
        b, s = bias[:, None], spread[:, None]
        variance = s**2 + self.variance
        total = (-0.5 * ((self.angle - b) ** 2 / variance + np.log(2 * np.pi * variance))).sum(1)
        total = total + _log_mass((self.between[:, 0] - b) / s, (self.between[:, 1] - b) / s).sum(1)
        low, high = (self.outside[:, 0] - b) / s, (self.outside[:, 1] - b) / s
        return np.asarray(total + np.logaddexp(log_ndtr(low), log_ndtr(-high)).sum(1), np.float64)


def _bounds(ones: Sequence[Between | Outside]) -> F64:
    return np.array([(one.low_rad, one.high_rad) for one in ones], np.float64).reshape(-1, 2)


def _log_mass(low: F64, high: F64) -> F64:
    """Log of the normal mass between two values, taken in the tail that keeps its precision."""
    flip = low > 0
    lower, upper = np.where(flip, -high, low), np.where(flip, -low, high)
    log_upper, log_lower = log_ndtr(upper), log_ndtr(lower)
    with np.errstate(divide="ignore"):
        return np.asarray(log_upper + np.log1p(-np.exp(log_lower - log_upper)), np.float64)


def share_between(bias_rad: F64, spread_rad: F64, low_rad: F64, high_rad: F64) -> F64:
    """Share of a normal scatter between two angles; all arrays are (K,) in rad."""
    return np.asarray(
        ndtr((high_rad - bias_rad) / spread_rad) - ndtr((low_rad - bias_rad) / spread_rad),
        np.float64,
    )


@dataclass(frozen=True, slots=True)
class SetUp:
    """A goal and a distance in the pupil's own steps."""

    width_steps: float
    back_steps: float

    @property
    def sentence(self) -> str:
        """As a person would say it."""
        return f"goal {self.width_steps:g} steps wide, kick from {self.back_steps:g} steps back"


@dataclass(frozen=True, slots=True)
class Range:
    """A most likely value and its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class NextSetUp:
    """What to try next.

    Attributes
    ----------
    now, next : the set-up played last, and the one to try.
    expected_now, expected_next : share of makes to expect at each.
    width_steps : goal width at which 75 % makes are expected from the distance played last.
    back_steps : distance at which 75 % are expected into the goal played last.
    fit : the pupil's scatter.
    sentence : what to try, as a person would say it.
    """

    now: SetUp
    next: SetUp
    expected_now: Range
    expected_next: Range
    width_steps: Range
    back_steps: Range
    fit: ScatterFit
    sentence: str


@dataclass(frozen=True, slots=True)
class NotEnoughShots:
    """No advice yet, and why."""

    shots: int
    sentence: str


Advice: TypeAlias = NextSetUp | NotEnoughShots
_Function: TypeAlias = Callable[[F64, F64, F64], F64]  # of bias, spread and reach
_Growing: TypeAlias = Callable[[F64], F64]  # of a width or a nearness


def next_setup(
    directions: Sequence[Direction], short: int, now: SetUp, ball_radius_steps: float
) -> Advice:
    """Say what a pupil could try next.

    Parameters
    ----------
    directions : of the pupil's shots that reached the line or would have.
    short : shots that stopped before it.
    now : the set-up played last.
    ball_radius_steps : the whole ball has to pass inside the markers.
    """
    shots = len(directions) + short
    if len(directions) < LEAST_SHOTS:
        missing = LEAST_SHOTS - len(directions)
        return NotEnoughShots(
            shots, f"not enough shots yet: {missing} more with a known direction are needed"
        )
    try:
        fit = fit_scatter(directions, short)
    except ScatterUnboundedError:
        return NotEnoughShots(shots, "not enough shots yet: the direction was measured for too few")
    expected_now = expected_share(fit, now, ball_radius_steps)
    chosen = _chosen(fit, now, ball_radius_steps)
    expected = expected_share(fit, chosen, ball_radius_steps)
    if expected.high - expected.low > WIDEST_INTERVAL:
        return NotEnoughShots(
            shots,
            f"not enough shots yet: after {shots} the share of makes could be anything from "
            f"{100 * expected.low:.0f} to {100 * expected.high:.0f} %",
        )
    return NextSetUp(
        now=now,
        next=chosen,
        expected_now=expected_now,
        expected_next=expected,
        width_steps=width_for(fit, MIDDLE_SHARE, now.back_steps, ball_radius_steps),
        back_steps=distance_for(fit, MIDDLE_SHARE, now.width_steps, ball_radius_steps),
        fit=fit,
        sentence=_sentence(now, chosen, expected),
    )


def expected_share(fit: ScatterFit, setup: SetUp, ball_radius_steps: float) -> Range:
    """Share of makes to expect at a set-up, with its profile-likelihood interval."""

    def share(bias: F64, spread: F64, reach: F64) -> F64:
        half = np.full_like(bias, _half_angle(setup, ball_radius_steps))
        return reach * share_between(bias, spread, -half, half)

    return _range_of(fit, share)


def width_for(fit: ScatterFit, wanted: float, back_steps: float, ball_radius_steps: float) -> Range:
    """Goal width at which a share of makes is expected.

    Parameters
    ----------
    fit : the pupil's scatter.
    wanted : share of makes, above 0 and below 1.
    back_steps, ball_radius_steps : kick distance and ball, in the pupil's steps.

    Returns
    -------
    Steps; infinite if no width is wide enough.
    """

    def width(bias: F64, spread: F64, reach: F64) -> F64:
        def share(half_steps: F64) -> F64:
            angle = np.arctan2(half_steps, back_steps)
            return reach * share_between(bias, spread, -angle, angle)

        half = _where_reached(share, wanted, bias.shape)
        return 2 * (half + ball_radius_steps)

    return _range_of(fit, width)


def distance_for(
    fit: ScatterFit, wanted: float, width_steps: float, ball_radius_steps: float
) -> Range:
    """Kick distance at which a share of makes is expected.

    Parameters are as for `width_for`, with the goal's width in place of the distance.

    Returns
    -------
    Steps; 0 if no distance is near enough.
    """
    half_steps = width_steps / 2 - ball_radius_steps

    def distance(bias: F64, spread: F64, reach: F64) -> F64:
        # The share grows with the angle, and so with the inverse of the distance.
        def share(nearness: F64) -> F64:
            angle = np.arctan(half_steps * nearness)
            return reach * share_between(bias, spread, -angle, angle)

        with np.errstate(divide="ignore"):
            return np.asarray(1 / _where_reached(share, wanted, bias.shape), np.float64)

    return _range_of(fit, distance)


def _half_angle(setup: SetUp, ball_radius_steps: float) -> float:
    return math.atan2(max(0.0, setup.width_steps / 2 - ball_radius_steps), setup.back_steps)


def _range_of(fit: ScatterFit, function: _Function) -> Range:
    best = function(np.array([fit.bias_rad]), np.array([fit.spread_rad]), np.array([fit.reach]))
    values = function(*fit.region())
    value = float(best[0])
    return Range(value, min(value, float(values.min())), max(value, float(values.max())))


def _where_reached(share: _Growing, wanted: float, shape: tuple[int, ...]) -> F64:
    """Find by bisection where growing functions reach a value; infinite where they never do."""
    low, high = np.zeros(shape), np.full(shape, _FAR_STEPS)
    never = share(high) < wanted
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        reached = share(middle) >= wanted
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    return np.where(never, np.inf, high)


def _chosen(fit: ScatterFit, now: SetUp, ball_radius_steps: float) -> SetUp:
    """Choose the set-up with a wanted share nearest to the last one, or the nearest share."""
    widths = np.arange(MIN_WIDTH_STEPS, MAX_WIDTH_STEPS + WIDTH_STEP / 2, WIDTH_STEP)
    backs = np.arange(MIN_BACK_STEPS, MAX_BACK_STEPS + BACK_STEP / 2, BACK_STEP)
    setups = [SetUp(float(width), float(back)) for back in backs for width in widths]
    bias, spread = np.array([fit.bias_rad]), np.array([fit.spread_rad])

    def unwanted(setup: SetUp) -> tuple[float, float, float]:
        half = np.array([_half_angle(setup, ball_radius_steps)])
        share = fit.reach * float(share_between(bias, spread, -half, half)[0])
        off = max(0.0, WANTED_SHARES[0] - share, share - WANTED_SHARES[1])
        width_change = abs(setup.width_steps - now.width_steps) / WIDTH_STEP
        back_change = abs(setup.back_steps - now.back_steps) / BACK_STEP
        return round(off, 6), width_change + back_change, abs(share - MIDDLE_SHARE)

    return min(setups, key=unwanted)


def _sentence(now: SetUp, chosen: SetUp, expected: Range) -> str:
    value, low, high = (100 * share for share in (expected.value, expected.low, expected.high))
    share = f"{value:.0f} % makes expected ({low:.0f} to {high:.0f} %)"
    if chosen == now:
        said = f"stay with the {now.sentence}: {share}"
    else:
        said = f"try: {chosen.sentence}: {share}"
    if expected.value < WANTED_SHARES[0] - 0.005:
        return f"{said}; there is no easier goal, so practise aim and a calm kick first"
    if expected.value > WANTED_SHARES[1] + 0.005:
        return f"{said}; there is no harder goal"
    return said
