"""Where a ball's way bends: a free ball runs on, so something met it there.

The way is cut into legs by optimal partitioning (Jackson et al. 2005): of all cuts, the one of
least misfit, every further leg paying a fixed price. On a leg the ball rolls straight on and may
slow down, but it never turns back nor speeds up; or it flies, falling as everything does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from shoegoal.ball.free_motion import GRAVITY_MPS2
from shoegoal.types import BallSighting

# What the gauge's middle is off by while a foot covers a part of the ball; of the diameter.
SIGMA_FLOOR = 0.02
LEG_PRICE = 25.0  # chi-square that a further leg has to save: four numbers and a place, with room
SLOWING_PRICE = 8.0  # what a leg that slows down has to save over one of even speed
MIN_LEG = 3  # sightings
LONGEST_LEG_S = 3.0  # a longer one is cut without harm: nothing bends there
MAX_SPEEDING_UP = 1.15  # of the speed, along a leg: nearing the camera looks like it
STRAY = 0.35  # in diameters: a sighting so far off its neighbours' line is another thing's
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of free motion, in diameters of the ball and seconds.

    Attributes
    ----------
    start_s, end_s : times of its first and last sighting.
    start, end : (2,) places there, x right and y down.
    start_velocity, end_velocity : (2,) diameters per second there.
    velocity_sigma : their standard deviation, per axis.
    flying : it falls freely.
    sightings : how many it was fitted to.
    """

    start_s: float
    end_s: float
    start: F64
    end: F64
    start_velocity: F64
    end_velocity: F64
    velocity_sigma: float
    flying: bool
    sightings: int


@dataclass(frozen=True, slots=True)
class Bend:
    """Where one leg ends and the next begins.

    Attributes
    ----------
    time_s : about when.
    unseen_s : how long the ball was out of sight there.
    place_px, diameter_px : the ball there.
    before, after : the legs' velocities at the bend, (2,) diameters per second.
    sigma : standard deviation of the change of velocity, per axis.
    flies : the ball was in the air before or after.
    """

    time_s: float
    unseen_s: float
    place_px: tuple[float, float]
    diameter_px: float
    before: F64
    after: F64
    sigma: float
    flies: bool = False

    def in_diameters_of(self, size_px: float) -> Bend:
        """Measure the bend in another diameter, as a ball nearer or further away shows it."""
        factor = self.diameter_px / size_px
        return replace(
            self,
            diameter_px=size_px,
            before=self.before * factor,
            after=self.after * factor,
            sigma=self.sigma * factor,
        )

    @property
    def change(self) -> float:
        """How much the velocity changes, diameters per second."""
        return float(np.hypot(*(self.after - self.before)))

    @property
    def significance(self) -> float:
        """That change over its standard deviation."""
        return self.change / self.sigma


def without_strays(sightings: Sequence[BallSighting]) -> list[BallSighting]:
    """Leave out sightings that lie off the line between both their neighbours."""
    kept = list(sightings)
    for _ in range(2):
        if len(kept) < 3:
            return kept
        t, places, size = _as_arrays(kept)
        share = ((t[1:-1] - t[:-2]) / (t[2:] - t[:-2]))[:, None]
        off = np.hypot(*(places[1:-1] - places[:-2] - share * (places[2:] - places[:-2])).T)
        bad = np.concatenate([[False], off > STRAY * size, [False]])
        # Beside a stray its neighbours look off, too: only the worst of neighbours goes.
        worst = bad & (np.r_[0, off, 0] >= np.maximum(np.r_[0, 0, off], np.r_[off, 0, 0]))
        if not worst.any():
            return kept
        kept = [s for s, stray in zip(kept, worst, strict=True) if not stray]
    return kept


def find_legs(sightings: Sequence[BallSighting], ball_m: float) -> list[Leg]:
    """Cut a way into legs.

    Parameters
    ----------
    sightings : one ball's, in order of time.
    ball_m : the ball's diameter in metres, which says how fast it falls.

    Returns
    -------
    In order of time; none for fewer than ``MIN_LEG`` sightings.
    """
    if len(sightings) < MIN_LEG:
        return []
    t, places, size = _as_arrays(sightings)
    sigmas = np.hypot([s.sigma_px / size for s in sightings], SIGMA_FLOOR)
    way = _Way(t, places / size, 1.0 / sigmas**2, GRAVITY_MPS2 / ball_m)
    n = len(t)
    least = np.full(n + 1, np.inf)
    least[0] = -LEG_PRICE
    origin = np.zeros(n + 1, int)
    for end in range(MIN_LEG, n + 1):
        first = min(int(np.searchsorted(t, t[end - 1] - LONGEST_LEG_S)), end - MIN_LEG)
        cost = least[first : end - MIN_LEG + 1] + way.fit(first, end).chi + LEG_PRICE
        k = int(np.argmin(cost))
        least[end], origin[end] = cost[k], first + k
    legs: list[Leg] = []
    end = n
    while end > 0:
        legs.append(way.leg(int(origin[end]), end))
        end = int(origin[end])
    return legs[::-1]


def bends_between(legs: Sequence[Leg], size_px: float) -> list[Bend]:
    """Return the bends between legs that follow one another.

    Parameters
    ----------
    legs : of one way.
    size_px : diameter that the legs are measured in.
    """
    found = []
    for a, b in pairwise(legs):
        place = 0.5 * (a.end + b.start) * size_px
        found.append(
            Bend(
                _meeting_s(a, b),
                b.start_s - a.end_s,
                (float(place[0]), float(place[1])),
                size_px,
                a.end_velocity,
                b.start_velocity,
                float(np.hypot(a.velocity_sigma, b.velocity_sigma)),
                a.flying or b.flying,
            )
        )
    return found


def _meeting_s(a: Leg, b: Leg) -> float:
    """When two legs, run on, come closest to each other, between the one and the other."""
    apart = b.start - b.start_velocity * (b.start_s - a.end_s) - a.end  # at the end of the first
    turn = b.start_velocity - a.end_velocity
    after_s = -float(apart @ turn) / max(1e-9, float(turn @ turn))
    return float(np.clip(a.end_s + after_s, a.end_s, b.start_s))


def usual_size_px(sightings: Sequence[BallSighting]) -> float:
    """Diameter of the ball on a way, px: the unit in which its legs are measured."""
    return float(np.median([s.diameter_px for s in sightings]))


def _as_arrays(sightings: Sequence[BallSighting]) -> tuple[F64, F64, float]:
    t = np.array([s.time_s for s in sightings])
    places = np.array([(s.x_px, s.y_px) for s in sightings])
    return t, places, usual_size_px(sightings)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Fits of stretches that share their last sighting; the clock is zero there.

    Attributes
    ----------
    chi : (S,) chi-square of the better of rolling and flying.
    coefficients : (S, 3, 2) of 1, t and t squared, for x and y.
    flies, slows : (S,) which it was.
    """

    chi: F64
    coefficients: F64
    flies: npt.NDArray[np.bool_]
    slows: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Way:
    """A way in diameters and seconds: times (N,), places (N, 2), weights (N,), gravity."""

    t: F64
    places: F64
    weight: F64
    gravity: float

    def fit(self, first: int, end: int) -> _Fit:
        """Fit every stretch from ``first`` or later up to ``end``, ``MIN_LEG`` long at least."""
        t = self.t[first:end] - self.t[end - 1]
        fall = 0.5 * self.gravity * t**2  # of a falling ball; y points down
        values = np.column_stack([self.places[first:end], self.places[first:end, 1] - fall])
        powers = t[:, None] ** np.arange(5)
        weight = self.weight[first:end]
        m, b, q = (
            _sums_to_the_end(rows)[: 1 - MIN_LEG]
            for rows in (
                weight[:, None] * powers,
                weight[:, None, None] * powers[:, :3, None] * values[:, None, :],
                weight[:, None] * values**2,
            )
        )
        straight, straight_chi = _solved(m, b, q, 2)
        slowing, slowing_chi = _solved(m, b, q, 3)
        v0 = slowing[:, 1, :2] + 2 * slowing[:, 2, :2] * t[: 1 - MIN_LEG, None]
        v1 = slowing[:, 1, :2]
        even = straight_chi[:, :2].sum(axis=1)
        curved = slowing_chi[:, :2].sum(axis=1) + SLOWING_PRICE
        slows = (
            (np.sum(v0 * v1, axis=1) >= 0)
            & (np.hypot(*v1.T) <= MAX_SPEEDING_UP * np.hypot(*v0.T))
            & (curved < even)
        )
        rolling_chi = np.where(slows, curved, even)
        flying_chi = straight_chi[:, 0] + straight_chi[:, 2]
        flies = flying_chi < rolling_chi
        falling = np.array([0.0, 0.0, 0.5 * self.gravity])
        flown = np.dstack([straight[:, :, 0], straight[:, :, 2] + falling])
        rolled = np.where(slows[:, None, None], slowing, straight)[:, :, :2]
        coefficients = np.where(flies[:, None, None], flown, rolled)
        return _Fit(np.minimum(rolling_chi, flying_chi), coefficients, flies, slows & ~flies)

    def leg(self, start: int, end: int) -> Leg:
        """Fit one stretch."""
        fit = self.fit(start, end)
        c = fit.coefficients[0]
        ends = np.array([self.t[start] - self.t[end - 1], 0.0])
        at = ends[:, None] ** np.arange(3) @ c
        velocity = c[1] + 2 * ends[:, None] * c[2]
        time = self.t[start:end]
        spread = np.sqrt(np.sum(self.weight[start:end] * (time - time.mean()) ** 2))
        # The slope at an end is less sure where the speed may change: four times the variance
        # and more, from the normal equations of a parabola on evenly spaced points.
        unsure = 4.0 if fit.slows[0] else 1.0
        return Leg(
            float(self.t[start]),
            float(self.t[end - 1]),
            at[0],
            at[1],
            velocity[0],
            velocity[1],
            float(unsure / max(spread, 1e-9)),
            bool(fit.flies[0]),
            end - start,
        )


def _sums_to_the_end(rows: F64) -> F64:
    return np.cumsum(rows[::-1], axis=0)[::-1]


def _solved(m: F64, b: F64, q: F64, order: int) -> tuple[F64, F64]:
    """Coefficients (S, 3, 3), zero past the order, and chi-squares (S, 3) of polynomial fits."""
    index = np.arange(order)
    normal = m[:, index[:, None] + index[None, :]]
    # A whisker of damping: three sightings leave nothing over for a parabola.
    damping = 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(order)
    found = np.linalg.solve(normal + damping, b[:, :order])
    chi = q - np.sum(found * b[:, :order], axis=1)
    padded = np.zeros((len(m), 3, 3))
    padded[:, :order] = found
    return padded, np.maximum(chi, 0.0)
