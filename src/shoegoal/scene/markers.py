"""Finding the goal markers in the still picture, for a person to confirm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.markers_blobs import HEIGHTS_M
from shoegoal.scene.markers_bodies import StandingBody, standing_bodies
from shoegoal.scene.markers_pairs import (
    CENTRE_LIMIT_SIGMAS,
    STEP_LIMITS_M,
    Pair,
    Shots,
    confidence,
    readings_of_best,
    rival_of,
    weigh_pairs,
)
from shoegoal.scene.markers_salience import level_strip
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

BELIEVED_AT = 0.9
MIN_FLIGHT_M = 0.8  # shorter paths have no direction to speak of
SAME_WAY_DEG = 40.0  # a flight further off the others' direction is no shot at the goal
WIDEST_RATIO = 1.45  # width over distance, against the stage's
FEET_STRAY = 0.08  # of the width: feet that may be as far off measure no goal
MAX_BODIES = 60
NEAREST_M = 0.8  # nearer to the camera, no goal line is filmed
BAND_RATIO = 2.0
GROUND_SAMPLED_M = 20.0
TO_DO = (
    "Give them as --left X,Y --right X,Y, the foot of each marker's inner side in pixels, or film "
    "again with light, contrasting markers on plain ground."
)


class MarkersNotFoundError(ClipNotJudgeableError):
    """No two things in the picture are surely the goal markers."""


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
    settled_bgr: U8,
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
    settled_bgr : (H, W, 3) native picture without moving things.
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
    pairs, near = candidate_pairs(
        settled_bgr, ground, kick_spots_px, flights_ground, width_steps, back_steps, balls_px
    )
    if not pairs:
        raise MarkersNotFoundError(
            f"Found no two things on the ground that suit a goal about {width_steps:g} steps wide "
            f"and {back_steps:g} steps from the kick spot. {TO_DO}"
        )
    sure = confidence(pairs)
    readings = readings_of_best(pairs)
    best = readings[0]
    feet = feet_px(ground.camera, best)
    (left_x, left_y), (right_x, right_y) = feet
    if sure < BELIEVED_AT:
        rival = rival_of(pairs)
        at = f"({left_x:.0f},{left_y:.0f} and {right_x:.0f},{right_y:.0f})"
        if rival is not None and rival.score > pairs[0].score - 3:
            (x0, y0), (x1, y1) = feet_px(ground.camera, rival)
            what = f"or {x0:.0f},{y0:.0f} and {x1:.0f},{y1:.0f}"
            raise MarkersNotFoundError(
                f"Cannot tell which things are the goal markers {at[:-1]}, {what}). {TO_DO}"
            )
        raise MarkersNotFoundError(
            f"Nothing in the picture is clearly a pair of goal markers; the likeliest {at} is too "
            f"unsure. {TO_DO}"
        )
    strays = [
        max(map(math.dist, feet_px(ground.camera, reading), feet)) for reading in readings[1:]
    ]
    if max(strays, default=0.0) > FEET_STRAY * math.dist(*feet):
        raise MarkersNotFoundError(
            f"Cannot tell where the markers at ({left_x:.0f},{left_y:.0f} and {right_x:.0f},"
            f"{right_y:.0f}) end: a line, a shadow or something else touches them. {TO_DO}"
        )
    others = tuple(
        ImagePoint(*body.base_px) for body in near if body not in (best.left, best.right)
    )
    return FoundMarkers(
        left_px=ImagePoint(left_x, left_y),
        right_px=ImagePoint(right_x, right_y),
        confidence=sure,
        others=others,
        reason=f"found without help ({100 * sure:.0f}% sure); please confirm on the still",
    )


def candidate_pairs(
    settled_bgr: U8,
    ground: GroundFit,
    kick_spots_px: npt.ArrayLike,
    flights_ground: Sequence[F64],
    width_steps: float,
    back_steps: float,
    balls_px: npt.ArrayLike = (),
) -> tuple[list[Pair], list[StandingBody]]:
    """Weigh every two things that stand where the goal could be; see `find_markers`.

    Returns
    -------
    pairs, bodies : the pairs, best first, and all things they were made of, most salient first.

    Raises
    ------
    MarkersNotFoundError
        The shots' direction is unknown.
    """
    diameter_m = ground.ball_diameter_m.value
    shots = _shots(ground.camera, diameter_m, kick_spots_px, flights_ground)
    outline = _search_outline(shots, width_steps, back_steps)
    bodies = [
        body
        for band in _depth_bands(outline)
        for body in standing_bodies(
            level_strip(settled_bgr, ground.camera, band, HEIGHTS_M[1]), ground.camera, diameter_m
        )
        if _inside(body.place_m, shots, outline)
        and _whole(body.box_px, settled_bgr.shape[:2])
        and not _holds_any(body.box_px, balls_px)
    ]
    near = sorted(bodies, key=lambda body: -body.excess)[:MAX_BODIES]
    crossed = _ground_colours(settled_bgr, ground.camera, shots)
    return weigh_pairs(near, shots, crossed, width_steps, back_steps), near


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


def _ground_colours(picture_bgr: U8, camera: Camera, shots: Shots) -> F64:
    """Colours (K, 3), 8-bit Lab, of the ground from the kick spot as far as the balls were seen."""
    far = min(max(2.0, shots.reach_m), GROUND_SAMPLED_M)
    spots = np.array(
        [
            shots.spot_m + distance * shots.ahead + across * shots.right
            for distance in np.arange(0.6, far, 0.4)
            for across in (-0.5, 0.0, 0.5)
        ]
    )
    pixels = camera.project(np.column_stack([spots, np.zeros(len(spots))]))
    height, width = picture_bgr.shape[:2]
    half = max(2, round(0.004 * max(height, width)))
    colours = []
    for x, y in pixels[np.isfinite(pixels).all(axis=1)]:
        if half <= x < width - half and half <= y < height - half:
            col, row = int(x), int(y)
            patch = picture_bgr[row - half : row + half, col - half : col + half]
            lab = cv2.cvtColor(patch, cv2.COLOR_BGR2LAB)
            colours.append(np.median(lab.reshape(-1, 3), axis=0))
    return np.array(colours, dtype=np.float64).reshape(-1, 3)


def _search_outline(shots: Shots, width_steps: float, back_steps: float) -> F64:
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


def _depth_bands(outline: F64) -> list[F64]:
    """Split ground points (N, 2) by distance from the camera into bands of about one scale."""
    ahead = outline[outline[:, 1] > NEAREST_M]
    bands = []
    near, far = NEAREST_M, float(ahead[:, 1].max(initial=0.0))
    while near < far:
        upto = near * BAND_RATIO
        # Bands overlap: a body's top and surroundings belong to it.
        band = ahead[(ahead[:, 1] > near / 1.2) & (ahead[:, 1] < upto * 1.2)]
        if len(band) >= 3:
            bands.append(band)
        near = upto
    return bands


def _holds_any(box_px: tuple[float, float, float, float], points_px: npt.ArrayLike) -> bool:
    left, top, right, bottom = box_px
    x, y = np.asarray(points_px, dtype=np.float64).reshape(-1, 2).T
    return bool(((left <= x) & (x <= right) & (top <= y) & (y <= bottom)).any())


def _whole(box_px: tuple[float, float, float, float], shape: tuple[int, ...]) -> bool:
    """Whether an outline is not cut off by the picture's border."""
    left, top, right, bottom = box_px
    return left > 1 and top > 1 and right < shape[1] - 2 and bottom < shape[0] - 2


def _inside(place_m: F64, shots: Shots, outline: F64) -> bool:
    along = (outline - shots.spot_m) @ shots.ahead
    return bool(along.min() <= (place_m - shots.spot_m) @ shots.ahead <= along.max())
