"""Which two standing bodies make a goal for these shots: every pair weighed and compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from shoegoal.scene.markers_bodies import StandingBody

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
COLOUR_SIGMA = 45.0  # Lab levels
# A shoe and a bottle make a goal as well as two cones do: being alike helps only so much.
UNLIKE_SIZE_MOST = 2.5
UNLIKE_COLOUR_MOST = 1.0
FLOOR_UNREST = 1.0  # pixels of plain noise stand out this much
CLEAR = 8.0  # a body that stands out this many times more than its surroundings is clear
CLEAREST = 2.0  # times as clear: more tells no more
WORTH_PER_LOG_EXCESS = 2.6
EDGE_LEVELS = 15.0
# A body that ends just where the wall begins may go on before the ground, too faint to be seen.
EDGE_COST = 0.8
# Markers stand on what the ball is kicked over: Lab levels, lightness weighed less for shade.
SAME_GROUND_SIGMA = 5.0
LIGHTNESS_WEIGHT = 0.3
SAME_GROUND_MOST = 5.0
SHADED_COST = 0.5  # a reading that takes shade for body
PARTIAL_COST = 1.0  # a reading of some colours only
BALL_COST = 6.0
SHORT_COST = 3.0  # a goal far beyond all that the balls were seen to reach

SAME_GOAL_SHARE = 0.06  # of the width: two readings of a foot

# Score of "none of these pairs is the goal": a pair must beat it to be believed.
NULL_SCORE = -8.0
AS_GOOD = 2.0  # a reading that suits so little worse may be the right one
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
    """Two bodies as a goal.

    Attributes
    ----------
    left, right : as the kicker sees them.
    left_m, right_m : (2,) inner bases on the ground.
    score : log of how well they suit a goal, up to a constant.
    worth : the share of it that the two bodies bring, with all that speaks for each.
    """

    left: StandingBody
    right: StandingBody
    left_m: F64
    right_m: F64
    score: float
    worth: float = 0.0


def weigh_pairs(
    bodies: list[StandingBody],
    shots: Shots,
    ground_lab: F64,
    width_steps: float,
    back_steps: float,
) -> list[Pair]:
    """Weigh every possible goal, best first.

    Parameters
    ----------
    bodies : candidates.
    shots : where the ball is kicked from and to.
    ground_lab : (K, 3) colours of the ground that the shots cross, 8-bit Lab; may be empty.
    width_steps, back_steps : what the stage asks.
    """
    pairs = []
    worths = {id(body): _worth(body, ground_lab) for body in bodies}
    for one, other in combinations(bodies, 2):
        if one.overlaps(other):
            continue
        across = float((other.place_m - one.place_m) @ shots.right)
        left, right = (one, other) if across > 0 else (other, one)
        pair = _weigh(left, right, shots, width_steps, back_steps)
        if pair is not None:
            both = worths[id(left)], worths[id(right)]
            # One clear thing makes no goal: only what both have speaks for a pair.
            score = pair.score + sum(both) - max(0.0, *both)
            pairs.append(replace(pair, score=score, worth=sum(both)))
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


def readings_of_best(pairs: list[Pair]) -> list[Pair]:
    """Return the best pair's place as it may be read about as well, clearest outlines first.

    How alike and square a goal is tells two goals apart, not where in one a foot ends.

    Parameters
    ----------
    pairs : best first, at least one.
    """
    best = pairs[0]
    readings = [p for p in pairs if p.score > best.score - AS_GOOD and _same_place(p, best)]
    return sorted(readings, key=lambda pair: -pair.worth)


def rival_of(pairs: list[Pair]) -> Pair | None:
    """Return the best pair that is at another place than the best."""
    return next((pair for pair in pairs[1:] if not _same_place(pair, pairs[0])), None)


def _odds(pairs: list[Pair]) -> F64:
    """Odds of each place, against the best's, and last of none; a place has its best reading's.

    However often a thing was outlined, it is one thing: its readings do not add up.
    """
    places: list[Pair] = []
    for pair in pairs:
        if pair.score < pairs[0].score - NEGLIGIBLE:
            break
        if not any(_same_place(pair, other) for other in places):
            places.append(pair)
    return np.exp(np.array([*(pair.score for pair in places), NULL_SCORE]) - pairs[0].score)


def _same_place(a: Pair, b: Pair) -> bool:
    """Whether two pairs are readings of the same two things, or as good as the same goal."""
    near_m = SAME_GOAL_SHARE * float(np.linalg.norm(b.right_m - b.left_m))
    return all(
        one.same_thing(other) or float(np.linalg.norm(at - its)) <= near_m
        for one, other, at, its in (
            (a.left, b.left, a.left_m, b.left_m),
            (a.right, b.right, a.right_m, b.right_m),
        )
    )


def _weigh(
    left: StandingBody, right: StandingBody, shots: Shots, width_steps: float, back_steps: float
) -> Pair | None:
    line = right.place_m - left.place_m
    apart = float(np.hypot(*line))
    if apart <= 0.3 + left.radius_m + right.radius_m:
        return None
    along = line / apart
    left_m = left.place_m + left.reach_along(along) * along
    right_m = right.place_m - right.reach_along(along) * along
    width = float((right_m - left_m) @ along)
    middle = (left_m + right_m) / 2 - shots.spot_m
    far = float(np.hypot(*middle))
    # Perpendicular distance of the kick spot from the goal line.
    distance = abs(float(middle[0] * along[1] - middle[1] * along[0]))
    if float(middle @ shots.ahead) <= 0 or distance < 1.0:
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
    wider = np.log(left.width_m / right.width_m) / (1.5 * SIZE_LOG_SIGMA)
    colour = np.linalg.norm(left.lab - right.lab) / COLOUR_SIGMA
    score = -0.5 * (
        (ratio / RATIO_SIGMA) ** 2
        + (np.log(step / STEP_M) / STEP_LOG_SIGMA) ** 2
        + tilt**2
        + beside**2
        + min(UNLIKE_SIZE_MOST, taller**2 + wider**2)
        + min(UNLIKE_COLOUR_MOST, colour**2)
    )
    if shots.reach_m < 0.6 * distance:
        score -= SHORT_COST
    return Pair(left, right, left_m, right_m, float(score))


def _tilt_sigma_deg(left: StandingBody, right: StandingBody, along: F64, apart_m: float) -> float:
    """How far from square a goal may seem: paced so, or its markers' depths not well known."""
    off_m = [
        body.depth_sigma_m * abs(float(_across(body.place_m) @ along)) for body in (left, right)
    ]
    turn = np.degrees(np.arctan(float(np.linalg.norm(off_m)) / apart_m))
    return float(np.hypot(SQUARE_SIGMA_DEG, turn))


def _across(place_m: F64) -> F64:
    """Return the unit vector square to the line of sight to a place."""
    x, y = place_m / max(1e-6, float(np.linalg.norm(place_m)))
    return np.array([y, -x])


def _worth(body: StandingBody, ground_lab: F64) -> float:
    """How much a body stands out of a quiet place, as a log weight; above 0 for a clear one."""
    quiet = body.excess / max(FLOOR_UNREST, body.unrest)
    worth = WORTH_PER_LOG_EXCESS * float(np.log(np.clip(quiet / CLEAR, 1e-3, CLEAREST)))
    worth -= BALL_COST if body.ball_like else 0.0
    worth -= SHADED_COST if body.shaded else 0.0
    worth -= PARTIAL_COST if body.partial else 0.0
    worth -= EDGE_COST if body.edge > EDGE_LEVELS else 0.0
    if len(ground_lab):
        off = (ground_lab - body.under_lab) * [LIGHTNESS_WEIGHT, 1.0, 1.0]
        nearest = float(np.sqrt((off**2).sum(axis=1)).min())
        worth -= min(SAME_GROUND_MOST, (nearest / SAME_GROUND_SIGMA) ** 2)
    return worth
