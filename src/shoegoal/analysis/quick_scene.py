"""Ball, ground and goal as far as a quick look shows them, found by the count's own means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.quick_look import QuickLook, likely_balls
from shoegoal.ball.settled import MIN_CONTRAST, NOISE_MULTIPLE, paint_difference
from shoegoal.clip.frame import Frame
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.ground import GroundFit, fit_ground
from shoegoal.scene.markers import find_markers
from shoegoal.shots.kicks import Kick, find_kicks
from shoegoal.shots.seeds import ground_sightings, likely_ground_sightings
from shoegoal.types import BallSighting, ImagePoint

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
    markers_px : left and right inner foot.
    why_no_markers : the finder's own words, where it was asked in vain.
    """

    ball: BallSighting | None
    ground: GroundFit | None
    kicks: tuple[Kick, ...]
    markers_px: tuple[ImagePoint, ImagePoint] | None
    why_no_markers: str = ""


def quick_scene(look: QuickLook, settings: FitSettings) -> QuickScene:
    """Find ball, ground and goal in what a quick look saw."""
    ground, kicks = _ground_and_kicks(look, settings.ball)
    ball = _ball_at_its_spot(look, kicks)
    if settings.markers_px is not None:
        return QuickScene(ball, ground, kicks, settings.markers_px)
    flown = [k for k in kicks if k.flight is not None]
    if ground is None or not flown:
        return QuickScene(ball, ground, kicks, None)
    try:
        found = find_markers(
            look.settled_bgr,
            ground,
            [(k.rest.x_px, k.rest.y_px) for k in flown if k.rest is not None],
            [
                k.flight.centre_m([s.time_s for s in k.flight.sightings])[:, :2]
                for k in flown
                if k.flight is not None
            ],
            settings.width_steps,
            settings.back_steps,
        )
    except ClipNotJudgeableError as error:
        return QuickScene(ball, ground, kicks, None, str(error))
    return QuickScene(ball, ground, kicks, (found.left_px, found.right_px))


def contrast_levels(frame: Frame, ball: BallSighting) -> float:
    """How far a ball's paint is from what lies round it: the mean over its disc, luma levels.

    Parameters
    ----------
    frame : picture that shows the ball.
    ball : its disc there.

    Notes
    -----
    In the measure by which the count tells things from the ground (`paint_difference`), against the
    median of the surroundings; on a grey ball it is the numerator of Weber's contrast.
    """
    radius = ball.diameter_px / 2
    reach = int(np.ceil(RING[1] * radius)) + 2
    x0, y0 = (max(0, int(v) - reach) // 2 * 2 for v in (ball.x_px, ball.y_px))
    rows, columns = slice(y0, y0 + 2 * reach), slice(x0, x0 + 2 * reach)
    luma = frame.luma[rows, columns]
    halves = slice(y0 // 2, y0 // 2 + reach), slice(x0 // 2, x0 // 2 + reach)
    u, v = (plane[halves] for plane in (frame.chroma_u, frame.chroma_v))
    y, x = np.mgrid[: luma.shape[0], : luma.shape[1]]
    away = np.hypot(x + x0 - ball.x_px, y + y0 - ball.y_px) / radius
    ring, inside = (away >= RING[0]) & (away <= RING[1]), away <= INSIDE
    if not ring.any() or not inside.any():
        return 0.0
    ring_half = ring[::2, ::2][: u.shape[0], : u.shape[1]]
    ground = (
        np.full_like(luma, round(float(np.median(luma[ring])))),
        np.full_like(u, round(float(np.median(u[ring_half])))),
        np.full_like(v, round(float(np.median(v[ring_half])))),
    )
    return float(paint_difference((luma, u, v), ground)[inside].mean())


def least_contrast_levels(noise_levels: float | None) -> float:
    """Return what the count takes for paint rather than noise, luma levels."""
    return max(MIN_CONTRAST, NOISE_MULTIPLE * (noise_levels or 0.0))


def _ground_and_kicks(look: QuickLook, ball: BallSize) -> tuple[GroundFit | None, tuple[Kick, ...]]:
    size = (look.info.width_px, look.info.height_px)
    ground: GroundFit | None = None
    kicks: list[Kick] = []
    seeds = likely_ground_sightings(look.record)
    try:
        ground = fit_ground(seeds, size, ball=ball)
        kicks = find_kicks(look.record, ground.camera, ground.ball_diameter_m.value)
        better = ground_sightings(kicks)
        if len(better) >= len(seeds) // 2:
            ground = fit_ground(better, size, ball=ball)
            kicks = find_kicks(look.record, ground.camera, ground.ball_diameter_m.value)
    except ClipNotJudgeableError:
        pass  # too little was seen, or no level ground explains it: the caller asks for `ground`
    return ground, tuple(kicks)


def _ball_at_its_spot(look: QuickLook, kicks: Sequence[Kick]) -> BallSighting | None:
    kicked = [k.rest for k in kicks if k.rest is not None and k.flight is not None]
    if kicked:
        return kicked[0]
    balls = sorted(likely_balls(look.record), key=lambda rest: -rest.ball_score)
    return balls[0].sighting if balls else None
