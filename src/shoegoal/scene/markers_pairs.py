"""Which two standing things make a goal for these shots: every pair weighed and compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from shoegoal.scene.markers_sight import StandingThing

F64 = npt.NDArray[np.float64]

# How goals are paced out at home. No source; our estimates, on purpose wide.
RATIO_SIGMA = 0.18  # of log (width / distance) against the stage's steps
RATIO_LIMIT = float(np.log(1.45))
STEP_M = 0.60  # a pupil's step: middle, spread of its log, and limits
STEP_LOG_SIGMA = 0.22
STEP_LIMITS_M = (0.33, 1.0)
SQUARE_SIGMA_DEG = 8.0  # goal line against the square to its middle, from the kick spot
SQUARE_LIMIT_SIGMAS = 3.0
# Where shots go, in goal widths from its middle: each shot, and a habit of all.
AIM_SIGMA = 0.45
HABIT_SIGMA = 0.12
CENTRE_LIMIT_SIGMAS = 2.8
MEDIAN_SIGMAS = float(np.sqrt(np.pi / 2))  # of a median over a mean, for normal deviations
SIZE_LOG_SIGMA = 0.35  # one marker's size against the other's
# A shoe and a bottle make a goal as well as two cones do: being alike helps only so much.
UNLIKE_SIZE_MOST = 2.5
SHORT_COST = 3.0  # a goal far beyond all that the balls were seen to reach
# What a network's logit is worth as a log likelihood ratio; read off yards that it had not seen.
WORTH_PER_LOGIT, WORTH_AT_0, WORTH_LIMITS = 2.2, -1.6, (-8.0, 3.5)

SAME_GOAL_SHARE = 0.06  # of the width: two readings of a foot

# Score of "none of these pairs is the goal": a pair must beat it to be believed.
NULL_SCORE = -2.0
NEGLIGIBLE = 9.0  # a score that much below the best's takes no part


@dataclass(frozen=True, slots=True, eq=False)
class Shots:
    """Where the shots come from and go to, on the ground.

    Attributes
    ----------
    spot_m : (2,) the usual kick spot.
    ahead : (2,) unit vector of their mean direction.
    starts_m : (N, 2) where each was kicked from.
    ways : (N, 2) unit vectors, where each went.
    reach_m : how far along the mean direction the balls were seen.
    """

    spot_m: F64
    ahead: F64
    starts_m: F64
    ways: F64
    reach_m: float

    @property
    def right(self) -> F64:
        """Unit vector to the kicker's right."""
        return np.array([self.ahead[1], -self.ahead[0]])

    @property
    def aim_sigma(self) -> float:
        """How far the median shot passes from the goal's middle, in goal widths."""
        return float(np.hypot(HABIT_SIGMA, MEDIAN_SIGMAS * AIM_SIGMA / np.sqrt(len(self.ways))))

    def median_off(self, left_m: F64, right_m: F64) -> float:
        """How far beside a goal's middle the median shot crosses its line, in goal widths.

        Each from where it was kicked: balls may lie in a row. NaN where none goes towards it.
        """
        line = right_m - left_m
        turn = self.ways[:, 0] * line[1] - self.ways[:, 1] * line[0]
        away = left_m - self.starts_m
        with np.errstate(divide="ignore", invalid="ignore"):
            way_m = (away[:, 0] * line[1] - away[:, 1] * line[0]) / turn
            share = (away[:, 0] * self.ways[:, 1] - away[:, 1] * self.ways[:, 0]) / turn
        share = share[np.isfinite(share) & (way_m > 0)]
        return float(np.median(share) - 0.5) if len(share) else float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two things as a goal.

    Attributes
    ----------
    left, right : as the kicker sees them.
    left_m, right_m : (2,) inner bases on the ground.
    score : log of how well they suit a goal, up to a constant.
    """

    left: StandingThing
    right: StandingThing
    left_m: F64
    right_m: F64
    score: float


def weigh_pairs(
    things: Sequence[StandingThing], shots: Shots, width_steps: float, back_steps: float
) -> list[Pair]:
    """Weigh every possible goal, best first.

    Parameters
    ----------
    things : candidates.
    shots : where the ball is kicked from and to.
    width_steps, back_steps : what the stage asks.
    """
    pairs = []
    for one, other in combinations(things, 2):
        across = float((other.place_m - one.place_m) @ shots.right)
        left, right = (one, other) if across > 0 else (other, one)
        pair = _weigh(left, right, shots, width_steps, back_steps)
        if pair is not None:
            pairs.append(pair)
    return sorted(pairs, key=lambda pair: -pair.score)


def confidence(pairs: list[Pair]) -> float:
    """Probability that the best pair is the goal: against all other places, and against none.

    Parameters
    ----------
    pairs : best first.
    """
    if not pairs:
        return 0.0
    return float(1 / _odds(pairs).sum())


def chance_of_any(pairs: list[Pair]) -> float:
    """Probability that one of the pairs is the goal, whichever, rather than none of them."""
    if not pairs:
        return 0.0
    odds = _odds(pairs)
    return float(1 - odds[-1] / odds.sum())


def rival_of(pairs: list[Pair]) -> Pair | None:
    """Return the best pair that is at another place than the best."""
    return next((pair for pair in pairs[1:] if not _same_place(pair, pairs[0])), None)


def _odds(pairs: list[Pair]) -> F64:
    """Odds of each place, against the best's, and last of none; a place has its best reading's."""
    places: list[Pair] = []
    for pair in pairs:
        if pair.score < pairs[0].score - NEGLIGIBLE:
            break
        if not any(_same_place(pair, other) for other in places):
            places.append(pair)
    return np.exp(np.array([*(pair.score for pair in places), NULL_SCORE]) - pairs[0].score)


def _same_place(a: Pair, b: Pair) -> bool:
    """Whether two pairs are as good as the same goal."""
    near_m = SAME_GOAL_SHARE * float(np.linalg.norm(b.right_m - b.left_m))
    return all(
        float(np.linalg.norm(at - its)) <= near_m
        for at, its in ((a.left_m, b.left_m), (a.right_m, b.right_m))
    )


def _weigh(
    left: StandingThing, right: StandingThing, shots: Shots, width_steps: float, back_steps: float
) -> Pair | None:
    line = right.place_m - left.place_m
    apart = float(np.hypot(*line))
    if apart <= 0.3 + left.half_m + right.half_m:
        return None
    along = line / apart
    left_m = left.place_m + left.reach_along(along) * along
    right_m = right.place_m - right.reach_along(along) * along
    width = float((right_m - left_m) @ along)
    middle = (left_m + right_m) / 2 - shots.spot_m
    far = float(np.hypot(*middle))
    # Perpendicular distance of the kick spot from the goal line.
    distance = abs(float(middle[0] * along[1] - middle[1] * along[0]))
    if float(middle @ shots.ahead) <= 0 or distance < 1.0 or width <= 0:
        return None
    ratio = float(np.log(width / distance * back_steps / width_steps))
    step = distance / back_steps
    tilt = float(np.degrees(np.arcsin(np.clip(along @ middle / far, -1, 1))))
    tilt /= _tilt_sigma_deg(left, right, along, apart)
    beside = shots.median_off(left_m, right_m) / shots.aim_sigma
    if (
        abs(ratio) > RATIO_LIMIT
        or not STEP_LIMITS_M[0] <= step <= STEP_LIMITS_M[1]
        or abs(tilt) > SQUARE_LIMIT_SIGMAS
        or not abs(beside) <= CENTRE_LIMIT_SIGMAS
    ):
        return None
    # Bottles and bags are round, but a shoe lies any way: its height is the safer measure.
    taller = np.log(left.height_m / right.height_m) / SIZE_LOG_SIGMA
    longer = np.log(left.half_m / right.half_m) / (1.5 * SIZE_LOG_SIGMA)
    score = _worth(left) + _worth(right) - 0.5 * (
        (ratio / RATIO_SIGMA) ** 2
        + (np.log(step / STEP_M) / STEP_LOG_SIGMA) ** 2
        + tilt**2
        + beside**2
        + min(UNLIKE_SIZE_MOST, taller**2 + longer**2)
    )  # fmt: skip
    if shots.reach_m < 0.6 * distance:
        score -= SHORT_COST
    return Pair(left, right, left_m, right_m, float(score))


def _tilt_sigma_deg(left: StandingThing, right: StandingThing, along: F64, apart_m: float) -> float:
    """How far from square a goal may seem: paced so, or its markers' depths not well known."""
    square = np.array([along[1], -along[0]])
    off_m = np.hypot(left.sigma_along(square), right.sigma_along(square))
    return float(np.hypot(SQUARE_SIGMA_DEG, np.degrees(np.arctan(off_m / apart_m))))


def _worth(thing: StandingThing) -> float:
    """How much speaks for a thing that stands there, as a log weight."""
    return float(np.clip(WORTH_PER_LOGIT * thing.logit + WORTH_AT_0, *WORTH_LIMITS))
