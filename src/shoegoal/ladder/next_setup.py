"""What a pupil could try next: the goal at which seven to eight of ten shots should be makes.

That is taken as hard enough to be fun and easy enough to keep going (common practice, no source).
It rests on the pupil's own scatter of directions, and takes it that the scatter, and the share of
balls that reach the line, stay as they are from another distance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from shoegoal.ladder.rules import (
    MAX_BACK_STEPS,
    MAX_WIDTH_STEPS,
    MIN_BACK_STEPS,
    MIN_WIDTH_STEPS,
)
from shoegoal.ladder.scatter import (
    F64,
    Direction,
    ScatterFit,
    ScatterUnboundedError,
    fit_scatter,
    share_between,
)

WANTED_SHARES = (0.70, 0.80)
MIDDLE_SHARE = 0.75
LEAST_SHOTS = 12
WIDEST_INTERVAL = 0.5  # of the expected share of makes; a wider one says next to nothing
WIDTH_STEP, BACK_STEP = 0.5, 1.0  # what a pupil can pace
_FAR_STEPS = 400.0  # further than any goal is wide or any kick long
_HALVINGS = 40


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
    width_70_steps, width_80_steps : most likely widths for 70 and 80 %.
    fit : the scatter that it rests on.
    sentence : what to try, as a person would say it.
    """

    now: SetUp
    next: SetUp
    expected_now: Range
    expected_next: Range
    width_steps: Range
    back_steps: Range
    width_70_steps: float
    width_80_steps: float
    fit: ScatterFit
    sentence: str


@dataclass(frozen=True, slots=True)
class NotEnoughShots:
    """Nothing can be told yet, and why."""

    shots: int
    sentence: str


Advice: TypeAlias = NextSetUp | NotEnoughShots
# Of bias, spread and reach; of a width or a nearness.
_Function: TypeAlias = Callable[[F64, F64, F64], F64]
_Growing: TypeAlias = Callable[[F64], F64]


def next_setup(
    directions: Sequence[Direction], short: int, now: SetUp, ball_radius_steps: float
) -> Advice:
    """Say what a pupil could try next.

    Parameters
    ----------
    directions : of the pupil's shots that reached the line, or would have.
    short : shots that stopped before it.
    now : the set-up played last.
    ball_radius_steps : the whole ball has to pass inside the markers.
    """
    shots = len(directions) + short
    if len(directions) < LEAST_SHOTS:
        missing = LEAST_SHOTS - len(directions)
        return NotEnoughShots(
            shots, f"not enough shots yet: {missing} more whose direction can be told are needed"
        )
    try:
        fit = fit_scatter(directions, short)
    except ScatterUnboundedError:
        return NotEnoughShots(shots, "not enough shots yet: too few whose direction was measured")
    expected_now = expected_share(fit, now, ball_radius_steps)
    chosen = _chosen(fit, now, ball_radius_steps)
    expected = expected_share(fit, chosen, ball_radius_steps)
    if expected.high - expected.low > WIDEST_INTERVAL:
        return NotEnoughShots(
            shots,
            f"not enough shots yet: from these {shots}, anything from {100 * expected.low:.0f} to "
            f"{100 * expected.high:.0f} % makes could be expected",
        )
    return NextSetUp(
        now=now,
        next=chosen,
        expected_now=expected_now,
        expected_next=expected,
        width_steps=width_for(fit, MIDDLE_SHARE, now.back_steps, ball_radius_steps),
        back_steps=distance_for(fit, MIDDLE_SHARE, now.width_steps, ball_radius_steps),
        width_70_steps=width_for(fit, WANTED_SHARES[0], now.back_steps, ball_radius_steps).value,
        width_80_steps=width_for(fit, WANTED_SHARES[1], now.back_steps, ball_radius_steps).value,
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
    """Goal width in steps at which a share of makes is expected; infinite where none gives it."""

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
    """Distance in steps at which a share of makes is expected; 0 where none is near enough."""
    half_steps = width_steps / 2 - ball_radius_steps

    def distance(bias: F64, spread: F64, reach: F64) -> F64:
        # The share grows with the angle, so with the inverse of the distance.
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
    """Find where growing functions reach a value, by halving; infinite where they never do."""
    low, high = np.zeros(shape), np.full(shape, _FAR_STEPS)
    never = share(high) < wanted
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        reached = share(middle) >= wanted
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    return np.where(never, np.inf, high)


def _chosen(fit: ScatterFit, now: SetUp, ball_radius_steps: float) -> SetUp:
    """Choose the wanted set-up nearest to the last one; without one, the nearest to be wanted."""
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
        return f"{said}; this is the easiest goal there is, so aim and a calm kick come first"
    if expected.value > WANTED_SHARES[1] + 0.005:
        return f"{said}; this is the hardest goal there is"
    return said
