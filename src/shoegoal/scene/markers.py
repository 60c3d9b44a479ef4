"""Finding the goal markers in a few pictures of the clip, for a person to confirm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.markers_pairs import (
    CENTRE_LIMIT_SIGMAS,
    STEP_LIMITS_M,
    Pair,
    Shots,
    chance_of_any,
    confidence,
    rival_of,
    weigh_pairs,
)
from shoegoal.scene.markers_sight import StandingThing, standing_things
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

BELIEVED_AT = 0.9
MIN_FLIGHT_M = 0.8  # shorter paths have no direction to speak of
SAME_WAY_DEG = 40.0  # a flight further off the others' direction is no shot at the goal
WIDEST_RATIO = 1.45  # width over distance, against the stage's
MOST_THINGS = 40
BALL_ACROSS_M, BALL_ALONG_M = 0.12, 0.3  # a ball that lay so near to a thing's place is the thing
TO_DO = (
    "Give them as --left X,Y --right X,Y, the foot of each marker's inner side in pixels, or film "
    "again with light, contrasting markers on plain ground."
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
    kick_spots_px: npt.ArrayLike,
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
    kick_spots_px : (N, 2) disc centres of resting balls that were kicked.
    flights_ground : (M, 2) ground XY paths of kicked balls, each in order of time.
    width_steps, back_steps : what the stage asks.
    balls_px : (K, 2) disc centres of balls that lay about at any time: they are no markers.

    Raises
    ------
    MarkersNotFoundError
        The shots' direction is unknown, nothing suits, or two readings suit about as well.
    """
    pairs, things = candidate_pairs(
        pictures_bgr, ground, kick_spots_px, flights_ground, width_steps, back_steps, balls_px
    )
    if not pairs:
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


def candidate_pairs(
    pictures_bgr: Iterable[U8],
    ground: GroundFit,
    kick_spots_px: npt.ArrayLike,
    flights_ground: Sequence[F64],
    width_steps: float,
    back_steps: float,
    balls_px: npt.ArrayLike = (),
) -> tuple[list[Pair], list[StandingThing]]:
    """Weigh every two things that stand where the goal could be; see `find_markers`.

    Returns
    -------
    pairs, things : the pairs, best first, and all things they were made of, surest first.

    Raises
    ------
    MarkersNotFoundError
        The shots' direction is unknown.
    """
    camera, diameter_m = ground.camera, ground.ball_diameter_m.value
    shots = _shots(camera, diameter_m, kick_spots_px, flights_ground)
    patch = _search_patch(shots, width_steps, back_steps)
    balls = camera.ball_on_ground(np.asarray(balls_px, np.float64).reshape(-1, 2), diameter_m)
    things = [
        thing
        for thing in standing_things(pictures_bgr, camera, patch)
        if not _is_a_ball(thing, balls)
    ][:MOST_THINGS]
    return weigh_pairs(things, shots, width_steps, back_steps), things


def feet_px(camera: Camera, pair: Pair) -> list[tuple[float, float]]:
    """Inner feet of a pair, left and right, px."""
    bases = np.zeros((2, 3))
    bases[0, :2], bases[1, :2] = pair.left_m, pair.right_m
    return [(float(x), float(y)) for x, y in camera.project(bases)]


def _shots(
    camera: Camera, diameter_m: float, kick_spots_px: npt.ArrayLike, flights: Sequence[F64]
) -> Shots:
    """Where the shots come from and their mean direction, without the odd one out."""
    pixels = np.asarray(kick_spots_px, dtype=np.float64).reshape(-1, 2)
    spots = camera.ball_on_ground(pixels, diameter_m)
    spots = spots[np.isfinite(spots).all(axis=1)]
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
            "Give the markers as --left X,Y --right X,Y in pixels."
        )
    starts = np.array([way[0] for way in ways])
    steps = np.array([way[1] for way in ways]) - starts
    units = steps / np.hypot(*steps.T)[:, None]
    alike = units @ units.T >= np.cos(np.radians(SAME_WAY_DEG))
    chosen = alike[int(np.argmax(alike.sum(axis=1)))]
    mean = units[chosen].mean(axis=0)
    ahead = mean / np.hypot(*mean)
    spot = np.median(spots if len(spots) else starts[chosen], axis=0)
    reach = float(np.max((starts + steps - spot)[chosen] @ ahead))
    return Shots(spot, ahead, starts[chosen], units[chosen], reach)


def _search_patch(shots: Shots, width_steps: float, back_steps: float) -> F64:
    """Points (N, 2) all over the ground on which markers may stand."""
    near, far = (limit * back_steps for limit in STEP_LIMITS_M)
    beside = 0.5 + CENTRE_LIMIT_SIGMAS * shots.aim_sigma
    beside *= WIDEST_RATIO * width_steps / back_steps
    # Many points, as some of the patch may lie behind the camera.
    return np.array(
        [
            shots.spot_m + distance * shots.ahead + across * (beside * distance + 0.3) * shots.right
            for distance in np.linspace(0.8 * near, 1.1 * far, 16)
            for across in np.linspace(-1, 1, 13)
        ]
    )


def _is_a_ball(thing: StandingThing, balls_m: F64) -> bool:
    """Whether a ball lay where a thing seems to stand; balls (N, 2) on the ground."""
    off = balls_m - thing.place_m
    along = off @ thing.sight
    across = off @ [thing.sight[1], -thing.sight[0]]
    return bool(((np.abs(across) < BALL_ACROSS_M) & (np.abs(along) < BALL_ALONG_M)).any())
