"""Finding the goal markers in a few pictures of the clip, for a person to confirm.

Every two things that stand on the ground are weighed as a goal for the shots. A pair is described
by a few numbers (`FEATURES`); how much each counts is learnt from pictures of development yards
(``python -m training.markers.goals``), by the likelihood of the right pair among all others and
none.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from itertools import combinations

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import paced_log_density
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.standing_things import StandingThing, standing_things
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

BELIEVED_AT = 0.9
WORTH_NAMING = 0.02  # probability of some goal below which no two things are named
MIN_FLIGHT_M = 0.8  # shorter paths have no direction to speak of
SAME_WAY_DEG = 40.0  # a flight further off the others' direction is no shot at the goal
RIVAL_SHARE = 0.6  # of the most shots that go one way, for another way to be one
WIDEST_RATIO = 1.45  # width over distance, against the stage's, that is looked for,
BESIDE_SIGMAS = 2.8  # so far beside the shots
MOST_THINGS = 24
TO_DO = (
    "Point at both markers on the page, or give them as --left X,Y --right X,Y, the foot of each "
    "marker's inner side in pixels, or film again with light, contrasting markers on plain ground."
)

# How goals are paced out at home. No source; our estimates, on purpose wide.
RATIO_SIGMA = 0.1  # how well log (width / distance) is measured before the markers are known
RATIO_LIMIT = 0.9
STEP_M = 0.60  # a pupil's step: middle, spread of its log, and limits
STEP_LOG_SIGMA = 0.22
STEP_LIMITS_M = (0.33, 0.9)
SQUARE_SIGMA_DEG = 7.0  # goal line against the square to its middle, from the kick spot
SQUARE_LIMIT_DEG = 40.0
# Where shots go, in goal widths from its middle: each shot, and a habit of all. How far a pupil's
# shots scatter, they show themselves: the first number counts as so many of them.
AIM_SIGMA, AIM_VOTES = 0.45, 4
HABIT_SIGMA = 0.12
CENTRE_LIMIT_SIGMAS = 5.0
TAIL_DEGREES = 4.0  # of Student's t: a set may well be odd
MEDIAN_SIGMAS = float(np.sqrt(np.pi / 2))  # of a median over a mean, for normal deviations
SIZE_LOG_SIGMA = 0.35  # one marker's size against the other's
# A shoe and a bottle make a goal as well as two cones do: being alike helps only so much.
UNLIKE_MOST = 2.5
COLOUR_LEVELS = 30.0
LOGIT_LIMITS = (-3.0, 3.0)
TWIN_M = 0.45  # a second shoe lies so near to the first
MOUTH_M = 0.6  # before or behind the goal line
BALL_LOG_SIGMA = 0.2  # of a size against a ball's
BALL_ACROSS_M, BALL_ALONG_M = 0.12, 0.3  # a ball that lay so near lay there

SAME_GOAL_SHARE = 0.06  # of the width: two readings of a foot
NEGLIGIBLE = 12.0  # a score that much below the best's takes no part

FEATURES = (
    "fainter",  # the network's logit of the less sure thing
    "surer",  # and of the surer one
    "paced",  # log density of width over distance, given the stage's steps
    "step",  # of a pupil's step
    "square",  # of the goal line's turn against the shots
    "middle",  # of where the median shot crosses
    "unlike",  # how far the sizes of the two differ
    "unlike_colour",  # and their colours
    "short",  # share of the way to the line that no ball went
    "twin",  # chance that something stands close by an end, inside the goal
    "inner_shoe",  # that it is like that end: two shoes, and this is not the inner one
    "outer_shoe",  # that something like an end stands close by outside: this is the inner one
    "mouth",  # how many things stand in the goal elsewhere
    "ball",  # how much the two are like balls in size
    "lay",  # the same where a ball lay at some time
)


class MarkersNotFoundError(ClipNotJudgeableError):
    """No two things in the picture are surely the goal markers.

    Parameters
    ----------
    message : what is missing, and what to do.
    likeliest_px : left and right inner base of the likeliest two things; None where there are none.
    in_view : probability that some two things in the picture are the markers.
    """

    def __init__(
        self,
        message: str,
        likeliest_px: tuple[ImagePoint, ImagePoint] | None = None,
        in_view: float = 0.0,
    ) -> None:
        super().__init__(message)
        self.likeliest_px = likeliest_px
        self.in_view = in_view


@dataclass(frozen=True, slots=True)
class FoundMarkers:
    """The markers, as far as the picture tells; a person should confirm them.

    Attributes
    ----------
    left_px, right_px : inner bases on the ground, named as the kicker sees them.
    confidence : probability that these two are the goal, 0..1.
    others : feet of the other things that could have been markers, most salient first.
    reason : how sure the choice is, in words.
    """

    left_px: ImagePoint
    right_px: ImagePoint
    confidence: float
    others: tuple[ImagePoint, ...]
    reason: str


def find_markers(
    pictures_bgr: Iterable[U8],
    ground: GroundFit,
    flights_ground: Sequence[F64],
    width_steps: float,
    back_steps: float,
    balls_px: npt.ArrayLike = (),
) -> FoundMarkers:
    """Find two compact still things that suit the shots and the stage as a goal.

    Parameters
    ----------
    pictures_bgr : (H, W, 3) native pictures spread over the clip; what people hide in some of them
        is found in the others.
    ground : camera and ball diameter.
    flights_ground : (M, 2) ground XY paths of the balls that were kicked, each from where it lay.
    width_steps, back_steps : what the stage asks.
    balls_px : (K, 2) disc centres of balls that lay about at any time: they are no markers.

    Raises
    ------
    MarkersNotFoundError
        The shots' direction is unknown, nothing suits, or two readings suit about as well.
    """
    things, readings = things_and_shots(
        pictures_bgr, ground, flights_ground, width_steps, back_steps, balls_px
    )
    pairs = [p for shots in readings for p in weigh_pairs(things, shots, width_steps, back_steps)]
    pairs.sort(key=lambda pair: -pair.score)
    if chance_of_any(pairs) < WORTH_NAMING:
        raise MarkersNotFoundError(
            f"Found no two things on the ground that suit a goal about {width_steps:g} steps wide "
            f"and {back_steps:g} steps from the kick spot. {TO_DO}"
        )
    sure, best = confidence(pairs), pairs[0]
    (left_x, left_y), (right_x, right_y) = feet_px(ground.camera, best)
    if sure < BELIEVED_AT:
        likeliest = ImagePoint(left_x, left_y), ImagePoint(right_x, right_y)
        rival = rival_of(pairs)
        at = f"({left_x:.0f},{left_y:.0f} and {right_x:.0f},{right_y:.0f})"
        if rival is not None and rival.score > best.score - 3:
            (x0, y0), (x1, y1) = feet_px(ground.camera, rival)
            what = f"or {x0:.0f},{y0:.0f} and {x1:.0f},{y1:.0f}"
            raise MarkersNotFoundError(
                f"Cannot tell which things are the goal markers {at[:-1]}, {what}). {TO_DO}",
                likeliest,
                chance_of_any(pairs),
            )
        raise MarkersNotFoundError(
            f"Nothing in the picture is clearly a pair of goal markers; the likeliest {at} is too "
            f"unsure. {TO_DO}",
            likeliest,
            chance_of_any(pairs),
        )
    others = tuple(ImagePoint(*t.foot_px) for t in things if t not in (best.left, best.right))
    return FoundMarkers(
        left_px=ImagePoint(left_x, left_y),
        right_px=ImagePoint(right_x, right_y),
        confidence=sure,
        others=others,
        reason=f"found without help ({100 * sure:.0f}% sure); please confirm on the still",
    )


def things_and_shots(
    pictures_bgr: Iterable[U8],
    ground: GroundFit,
    flights_ground: Sequence[F64],
    width_steps: float,
    back_steps: float,
    balls_px: npt.ArrayLike = (),
) -> tuple[list[StandingThing], list[Shots]]:
    """Return what stands where the goal could be, surest first, and the readings of the shots.

    Parameters as for `find_markers`.

    Raises
    ------
    MarkersNotFoundError
        The shots' direction is unknown.
    """
    camera, diameter_m = ground.camera, ground.ball_diameter_m.value
    balls = camera.ball_on_ground(np.asarray(balls_px, np.float64).reshape(-1, 2), diameter_m)
    readings = [replace(s, lay_m=balls) for s in shots_seen(flights_ground, diameter_m)]
    patch = np.concatenate([_search_patch(shots, width_steps, back_steps) for shots in readings])
    return standing_things(pictures_bgr, camera, patch)[:MOST_THINGS], readings


def feet_px(camera: Camera, pair: Pair) -> list[tuple[float, float]]:
    """Inner feet of a pair, left and right, px."""
    bases = np.zeros((2, 3))
    bases[0, :2], bases[1, :2] = pair.left_m, pair.right_m
    return [(float(x), float(y)) for x, y in camera.project(bases)]


def shots_seen(flights: Sequence[F64], diameter_m: float) -> list[Shots]:
    """Where the shots may come from and go to, likeliest first.

    Balls that are kicked back go the other way, and there may be as many of them.

    Parameters
    ----------
    flights : paths (M, 2) over the ground, each from where the ball lay; NaN off the ground.
    diameter_m : of the ball.

    Raises
    ------
    MarkersNotFoundError
        None went far enough to tell.
    """
    ways = []
    for path in flights:
        path = path[np.isfinite(path).all(axis=1)]
        if len(path) >= 2:
            far = path[int(np.argmax(np.hypot(*(path - path[0]).T)))]
            if np.hypot(*(far - path[0])) >= MIN_FLIGHT_M:
                ways.append((path[0], far))
    if not ways:
        raise MarkersNotFoundError(
            "No kicked ball was seen rolling, so it is not known where the goal should be. "
            "Point at both markers on the page, or give them as --left X,Y --right X,Y in pixels."
        )
    starts = np.array([way[0] for way in ways])
    steps = np.array([way[1] for way in ways]) - starts
    units = steps / np.hypot(*steps.T)[:, None]
    alike = units @ units.T >= np.cos(np.radians(SAME_WAY_DEG))
    found: list[Shots] = []
    free = np.ones(len(ways), dtype=bool)
    most = int(alike.sum(axis=1).max())
    while free.any():
        votes = np.where(free, (alike & free).sum(axis=1), 0)
        chosen = alike[int(np.argmax(votes))] & free
        if found and chosen.sum() < RIVAL_SHARE * most:
            break
        mean = units[chosen].mean(axis=0)
        ahead = mean / np.hypot(*mean)
        spot = np.median(starts[chosen], axis=0)
        reach = float(np.max((starts + steps - spot)[chosen] @ ahead))
        found.append(Shots(spot, ahead, starts[chosen], units[chosen], reach, diameter_m))
        free &= ~chosen
    return found


def _search_patch(shots: Shots, width_steps: float, back_steps: float) -> F64:
    """Points (N, 2) all over the ground on which markers may stand."""
    near, far = (limit * back_steps for limit in STEP_LIMITS_M)
    beside = 0.5 + BESIDE_SIGMAS * _aim_sigma(len(shots.ways), AIM_SIGMA)
    beside *= WIDEST_RATIO * width_steps / back_steps
    # Many points, as some of the patch may lie behind the camera.
    return np.array(
        [
            shots.spot_m + distance * shots.ahead + across * (beside * distance + 0.3) * shots.right
            for distance in np.linspace(0.8 * near, 1.1 * far, 16)
            for across in np.linspace(-1, 1, 13)
        ]
    )


@dataclass(frozen=True, slots=True, eq=False)
class Shots:
    """Where the shots come from and go to, on the ground.

    Attributes
    ----------
    spot_m : (2,) the usual kick spot.
    ahead : (2,) unit vector of their mean direction.
    starts_m : (N, 2) where each lay and was kicked from.
    ways : (N, 2) unit vectors, where each went.
    reach_m : how far along the mean direction the balls were seen.
    ball_m : diameter of the ball.
    lay_m : (K, 2) where balls lay at any time.
    """

    spot_m: F64
    ahead: F64
    starts_m: F64
    ways: F64
    reach_m: float
    ball_m: float = 0.21
    lay_m: F64 = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def right(self) -> F64:
        """Unit vector to the kicker's right."""
        return np.array([self.ahead[1], -self.ahead[0]])

    def lay_at(self, thing: StandingThing) -> bool:
        """Whether a ball lay where a thing seems to stand."""
        off = self.lay_m - thing.place_m
        along = off @ thing.sight
        across = off @ [thing.sight[1], -thing.sight[0]]
        return bool(((np.abs(across) < BALL_ACROSS_M) & (np.abs(along) < BALL_ALONG_M)).any())

    def beside(self, left_m: F64, right_m: F64) -> float:
        """How far beside a goal's middle the median shot crosses its line, sigmas.

        Each from where it was kicked: balls may lie in a row. NaN where none goes towards it.
        """
        line = right_m - left_m
        turn = self.ways[:, 0] * line[1] - self.ways[:, 1] * line[0]
        away = left_m - self.starts_m
        with np.errstate(divide="ignore", invalid="ignore"):
            way_m = (away[:, 0] * line[1] - away[:, 1] * line[0]) / turn
            share = (away[:, 0] * self.ways[:, 1] - away[:, 1] * self.ways[:, 0]) / turn
        share = share[np.isfinite(share) & (way_m > 0)]
        if not len(share):
            return float("nan")
        median = float(np.median(share))
        squares = AIM_VOTES * AIM_SIGMA**2 + float(((share - median) ** 2).sum())
        scatter = float(np.sqrt(squares / (AIM_VOTES + len(share) - 1)))
        return (median - 0.5) / _aim_sigma(len(share), scatter)


def _aim_sigma(shots: int, scatter: float) -> float:
    """How far the median of some shots may pass from the goal's middle, in goal widths."""
    return float(np.hypot(HABIT_SIGMA, MEDIAN_SIGMAS * scatter / np.sqrt(shots)))


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two things as a goal.

    Attributes
    ----------
    left, right : as the kicker sees them.
    left_m, right_m : (2,) inner bases on the ground.
    score : log of how well they suit a goal, against none (0).
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
    weights, bias = goal_weights()
    pairs = []
    for pair, features in described_pairs(things, shots, width_steps, back_steps):
        score = float(features @ weights) + bias
        pairs.append(Pair(pair.left, pair.right, pair.left_m, pair.right_m, score))
    return sorted(pairs, key=lambda pair: -pair.score)


def described_pairs(
    things: Sequence[StandingThing], shots: Shots, width_steps: float, back_steps: float
) -> list[tuple[Pair, F64]]:
    """Every possible goal with its `FEATURES`; arguments as for `weigh_pairs`."""
    found = []
    for one, other in combinations(things, 2):
        across = float((other.place_m - one.place_m) @ shots.right)
        left, right = (one, other) if across > 0 else (other, one)
        described = _described(left, right, shots, width_steps, back_steps)
        if described is not None:
            pair, features = described
            features[-6:-2] = _around(pair, things)
            found.append((pair, features))
    return found


@cache
def goal_weights() -> tuple[F64, float]:
    """Weights of the `FEATURES`, and what is added for any two things."""
    told = json.loads((files("shoegoal.scene") / "models" / "goal_weights.json").read_text("utf-8"))
    return np.array([float(told["weights"][name]) for name in FEATURES]), float(told["bias"])


def confidence(pairs: list[Pair]) -> float:
    """Probability that the best pair is the goal: against all other places, and against none.

    Parameters
    ----------
    pairs : best first.
    """
    if not pairs:
        return 0.0
    odds = _odds(pairs)
    return float(odds[0] / odds.sum())


def chance_of_any(pairs: list[Pair]) -> float:
    """Probability that one of the pairs is the goal, whichever, rather than none of them."""
    if not pairs:
        return 0.0
    odds = _odds(pairs)
    return float(1 - odds[-1] / odds.sum())


def rival_of(pairs: list[Pair]) -> Pair | None:
    """Return the best pair that is at another place than the best."""
    return next((pair for pair in pairs[1:] if not same_place(pair, pairs[0])), None)


def _odds(pairs: list[Pair]) -> F64:
    """Odds of each place, best first, and last of none; a place has its best reading's."""
    places: list[Pair] = []
    for pair in pairs:
        if pair.score < pairs[0].score - NEGLIGIBLE:
            break
        if not any(same_place(pair, other) for other in places):
            places.append(pair)
    scores = np.array([*(pair.score for pair in places), 0.0])
    odds: F64 = np.exp(scores - scores.max())
    return odds


def same_place(a: Pair, b: Pair) -> bool:
    """Whether two pairs are as good as the same goal."""
    near_m = SAME_GOAL_SHARE * float(np.linalg.norm(b.right_m - b.left_m))
    return all(
        float(np.linalg.norm(at - its)) <= near_m
        for at, its in ((a.left_m, b.left_m), (a.right_m, b.right_m))
    )


def _described(
    left: StandingThing, right: StandingThing, shots: Shots, width_steps: float, back_steps: float
) -> tuple[Pair, F64] | None:
    line = right.place_m - left.place_m
    apart = float(np.hypot(*line))
    if apart <= 0.3 + left.half_m + right.half_m:
        return None
    along = line / apart
    left_m = left.place_m + left.reach_along(along) * along
    right_m = right.place_m - right.reach_along(along) * along
    width = float((right_m - left_m) @ along)
    middle = (left_m + right_m) / 2
    # The kick spots' distance, square to the goal line.
    away = middle - shots.starts_m
    distance = float(np.median(np.abs(away[:, 0] * along[1] - away[:, 1] * along[0])))
    if float((middle - shots.spot_m) @ shots.ahead) <= 0 or distance < 1.0 or width <= 0:
        return None
    ratio = float(np.log(width / distance * back_steps / width_steps))
    step = distance / back_steps
    # Balls may lie in a row: somewhere along it is the spot before the goal's middle.
    tilt = float(np.degrees(np.arctan(np.abs(away @ along).min() / distance)))
    beside = shots.beside(left_m, right_m)
    if (
        abs(ratio) > RATIO_LIMIT
        or not STEP_LIMITS_M[0] <= step <= STEP_LIMITS_M[1]
        or tilt > SQUARE_LIMIT_DEG
        or not abs(beside) <= CENTRE_LIMIT_SIGMAS
    ):
        return None
    like = [_ball_like(thing, shots.ball_m) for thing in (left, right)]
    logits = np.clip([left.logit, right.logit], *LOGIT_LIMITS)
    features = np.array(
        [
            logits.min(),
            logits.max(),
            float(paced_log_density(np.array(ratio), RATIO_SIGMA)),
            -0.5 * (np.log(step / STEP_M) / STEP_LOG_SIGMA) ** 2,
            _odd(tilt / _tilt_sigma_deg(left, right, along, apart)),
            _odd(beside),
            min(UNLIKE_MOST, _unlike(left, right)),
            min(UNLIKE_MOST, _unlike_colour(left, right)),
            max(0.0, 1 - shots.reach_m / distance),
            *(0.0, 0.0, 0.0, 0.0),  # of what stands about; see `_around`
            sum(like),
            sum(a for a, thing in zip(like, (left, right), strict=True) if shots.lay_at(thing)),
        ]
    )
    return Pair(left, right, left_m, right_m, 0.0), features


def _odd(sigmas: float) -> float:
    """Log density of Student's t, over that of its middle."""
    return float(-(TAIL_DEGREES + 1) / 2 * np.log1p(sigmas**2 / TAIL_DEGREES))


def _around(pair: Pair, things: Sequence[StandingThing]) -> tuple[float, float, float, float]:
    """Return what stands by the ends of a goal and in it: twin, inner, outer shoe, mouth."""
    line = pair.right_m - pair.left_m
    width = float(np.hypot(*line))
    along = line / width
    twin = inner = outer = mouth = 0.0
    for thing in things:
        if thing is pair.left or thing is pair.right:
            continue
        off = thing.place_m - pair.left_m
        at = float(off @ along)
        deep = abs(float(off[0] * along[1] - off[1] * along[0]))
        if not -TWIN_M < at < width + TWIN_M or deep > MOUTH_M:
            continue
        chance = float(1 / (1 + np.exp(-thing.logit)))
        end = pair.left if at < width / 2 else pair.right
        alike = chance * float(np.exp(-0.5 * (_unlike(thing, end) + _unlike_colour(thing, end))))
        if not 0 < at < width:
            outer += alike
        elif min(at, width - at) < TWIN_M:
            twin = max(twin, chance)
            inner = max(inner, alike)
        else:
            mouth += chance
    return twin, inner, min(outer, 2.0), min(mouth, 3.0)


def _unlike(one: StandingThing, other: StandingThing) -> float:
    """How far two sizes differ, squared sigmas."""
    # Bottles and bags are round, but a shoe lies any way: its height is the safer measure.
    taller = np.log(one.height_m / other.height_m) / SIZE_LOG_SIGMA
    longer = np.log(one.half_m / other.half_m) / (1.5 * SIZE_LOG_SIGMA)
    return float(taller**2 + longer**2)


def _unlike_colour(one: StandingThing, other: StandingThing) -> float:
    """How far two colours differ, squared."""
    return float(np.sum((np.subtract(one.colour, other.colour) / COLOUR_LEVELS) ** 2))


def _ball_like(thing: StandingThing, ball_m: float) -> float:
    off = np.log(np.array([thing.height_m, 2 * thing.half_m]) / ball_m) / BALL_LOG_SIGMA
    return float(np.exp(-0.5 * (off**2).sum()))


def _tilt_sigma_deg(left: StandingThing, right: StandingThing, along: F64, apart_m: float) -> float:
    """How far from square a goal may seem: paced so, or its markers' depths not well known."""
    square = np.array([along[1], -along[0]])
    off_m = np.hypot(left.sigma_along(square), right.sigma_along(square))
    return float(np.hypot(SQUARE_SIGMA_DEG, np.degrees(np.arctan(off_m / apart_m))))
