"""Ball, ground and goal as far as a quick look shows them, found by the count's own means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.quick_look import QuickLook, likely_balls
from shoegoal.analysis.spread import spread_pictures
from shoegoal.ball.background import MIN_CONTRAST, NOISE_MULTIPLE, paint_difference
from shoegoal.ball.tracks import SURELY_A_BALL
from shoegoal.clip.frame import Frame
from shoegoal.clip.reduced import Planes
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.markers import MarkersNotFoundError, candidate_pairs, feet_px
from shoegoal.scene.markers_pairs import chance_of_any, confidence
from shoegoal.shots.ground import Ground, find_ground
from shoegoal.shots.runs import Run
from shoegoal.types import BallSighting, ImagePoint

YARD_LOOKS = 4  # pictures in which markers are looked for
INSIDE, RING = 0.8, (1.3, 2.0)  # radii that the ball and its surroundings are compared within


@dataclass(frozen=True, slots=True)
class FitSettings:
    """What is known beforehand.

    Attributes
    ----------
    ball : size printed on it.
    width_steps, back_steps : what the stage asks.
    left_px, right_px : markers, where given.
    """

    ball: BallSize = BallSize.UNKNOWN
    width_steps: float = 4.0
    back_steps: float = 10.0
    left_px: ImagePoint | None = None
    right_px: ImagePoint | None = None

    @property
    def markers_px(self) -> tuple[ImagePoint, ImagePoint] | None:
        """Both markers where both are given."""
        both = self.left_px, self.right_px
        return None if both[0] is None or both[1] is None else (both[0], both[1])


@dataclass(frozen=True, slots=True, eq=False)
class QuickScene:
    """What was found; None where it was not.

    Attributes
    ----------
    ball : the ball at its kick spot.
    ground : camera and ball diameter.
    kicks : kicks that the looks happened to show, not all of the clip's.
    markers_px : left and right inner foot of the likeliest two things.
    sure : probability that these two are the goal, 0..1.
    in_view : probability that some two things in the picture are.
    """

    ball: BallSighting | None
    ground: GroundFit | None
    kicks: tuple[Run, ...]
    markers_px: tuple[ImagePoint, ImagePoint] | None
    sure: float
    in_view: float = 0.0


def quick_scene(look: QuickLook, settings: FitSettings) -> QuickScene:
    """Find ball, ground and goal in what a quick look saw."""
    found = _ground(look, settings.ball)
    ground, kicks = (None, ()) if found is None else (found.fit, found.kicks)
    ball = _ball_at_its_spot(look, found)
    if settings.markers_px is not None:
        return QuickScene(ball, ground, kicks, settings.markers_px, 1.0, 1.0)
    if found is None or ground is None or not kicks:
        return QuickScene(ball, ground, kicks, None, 0.0)
    try:
        pairs, _ = candidate_pairs(
            spread_pictures(look.info.path, YARD_LOOKS, look.stillness.bumped_s),
            ground,
            found.spots_px,
            found.ways_m,
            settings.width_steps,
            settings.back_steps,
        )
    except MarkersNotFoundError:  # no kick went far enough to show where the goal is
        pairs = []
    if not pairs:
        return QuickScene(ball, ground, kicks, None, 0.0)
    left, right = (ImagePoint(*foot) for foot in feet_px(ground.camera, pairs[0]))
    return QuickScene(ball, ground, kicks, (left, right), confidence(pairs), chance_of_any(pairs))


def contrast_levels(frame: Frame, ball: BallSighting, settled: Planes) -> float:
    """How far a ball's paint is from what it lies on: the mean over its disc, luma levels.

    Parameters
    ----------
    frame : picture that shows the ball.
    ball : its disc there.
    settled : luma, u and v of the yard, with or without the ball.

    Notes
    -----
    In the measure by which the count tells things from the ground (`paint_difference`): from the
    same place without the ball or, where the yard settled with it, from the median of a ring round
    it, whichever is more. On a grey ball it is the numerator of Weber's contrast.
    """
    radius = ball.diameter_px / 2
    reach = int(np.ceil(RING[1] * radius)) + 2
    x0, y0 = (max(0, int(v) - reach) // 2 * 2 for v in (ball.x_px, ball.y_px))
    now = _cut(frame.planes, x0, y0, 2 * reach)
    rows, columns = np.mgrid[: now[0].shape[0], : now[0].shape[1]]
    away = np.hypot(columns + x0 - ball.x_px, rows + y0 - ball.y_px) / radius
    ring, inside = (away >= RING[0]) & (away <= RING[1]), away <= INSIDE
    if not ring.any() or not inside.any():
        return 0.0
    halved = ring[::2, ::2]
    around = tuple(
        np.full_like(plane, round(float(np.median(plane[where]))))
        for plane, where in zip(now, (ring, halved, halved), strict=True)
    )
    without = _cut(settled, x0, y0, 2 * reach)
    return max(
        float(paint_difference(now, other)[inside].mean())
        for other in ((around[0], around[1], around[2]), without)
    )


def least_contrast_levels(noise_levels: float | None) -> float:
    """Return what the count takes for paint rather than noise, luma levels."""
    return max(MIN_CONTRAST, NOISE_MULTIPLE * (noise_levels or 0.0))


def _cut(planes: Planes, left: int, top: int, side: int) -> Planes:
    """Cut an even square out of luma and half-size chroma."""
    luma, u, v = planes
    height, width = (
        min(side, size - at) // 2 * 2 for size, at in zip(luma.shape, (top, left), strict=True)
    )
    half = slice(top // 2, (top + height) // 2), slice(left // 2, (left + width) // 2)
    return luma[top : top + height, left : left + width], u[half], v[half]


def _ground(look: QuickLook, ball: BallSize) -> Ground | None:
    try:
        return find_ground(look.record, (look.info.width_px, look.info.height_px), ball=ball)
    except ClipNotJudgeableError:
        return None  # too little was seen, or no level ground explains it


def _ball_at_its_spot(look: QuickLook, found: Ground | None) -> BallSighting | None:
    lay = [run.before.stretch.sightings[-1] for run in found.kicks if run.before] if found else []
    if lay:  # the usual kick spot is where balls were seen most often
        places = [rest.sighting for rest in likely_balls(look.record)]
        return max(lay, key=lambda rest: sum(_is_near(rest, place) for place in places))
    best = max(likely_balls(look.record), key=lambda rest: rest.ball_score, default=None)
    if best is None or best.ball_score < SURELY_A_BALL:
        return None
    return best.sighting


def _is_near(rest: BallSighting, place: BallSighting) -> bool:
    away_px = np.hypot(rest.x_px - place.x_px, rest.y_px - place.y_px)
    return bool(away_px <= 1.5 * max(rest.diameter_px, place.diameter_px))
