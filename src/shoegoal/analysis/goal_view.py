"""Where the goal must be, judged by a kick, and whether the picture shows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.analysis.quick_look import QuickLook
from shoegoal.analysis.quick_scene import FitSettings, QuickScene
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.markers import BELIEVED_AT
from shoegoal.scene.markers_pairs import STEP_M
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]

SHORT_STEP_M = 0.45  # a small pupil's step: the goal is at least this near; no source
BESIDE_M = 0.5  # beside a marker that was found, so much must be seen
MIN_WAY_M = 1.5  # a shorter way says too little of where a ball was heading


@dataclass(frozen=True, slots=True)
class BallAtGoal:
    """The ball as it will look on the goal line."""

    at_px: ImagePoint
    diameter_px: float


@dataclass(frozen=True, slots=True)
class OutOfView:
    """Something of the goal that the picture does not show."""

    do: str
    why: str
    at_px: ImagePoint


@dataclass(frozen=True, slots=True)
class _Way:
    """A kick on the ground: from where, and its unit direction, (2,) each."""

    spot_m: F64
    ahead: F64

    @property
    def right(self) -> F64:
        return np.array([self.ahead[1], -self.ahead[0]])


def ball_at_goal(scene: QuickScene, settings: FitSettings) -> BallAtGoal | None:
    """Predict the ball's size on the goal line; None where the ground or the goal is unknown."""
    ground = scene.ground
    if ground is None:
        return None
    if scene.markers_px is not None and scene.sure >= BELIEVED_AT:
        feet = ground.camera.ground_points([(m.x_px, m.y_px) for m in scene.markers_px])
        middle = feet.mean(axis=0)
    else:
        way = _way(ground, scene)
        if way is None:
            return None
        middle = way.spot_m + settings.back_steps * STEP_M * way.ahead
    diameter_m = ground.ball_diameter_m.value
    centre, size = ground.camera.ball_image([[*middle, diameter_m / 2]], diameter_m)
    if not np.isfinite([*centre[0], size[0]]).all():
        return None
    return BallAtGoal(ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(size[0]))


def goal_out_of_view(look: QuickLook, scene: QuickScene, settings: FitSettings) -> OutOfView | None:
    """Say what of the goal lies outside the picture; None when it all fits or nothing is known."""
    ground = scene.ground
    if ground is None or settings.markers_px is not None:
        return None
    size = (look.info.width_px, look.info.height_px)
    if scene.markers_px is not None and scene.in_view >= BELIEVED_AT:
        sure = scene.sure >= BELIEVED_AT
        return _tight(ground, scene.markers_px, size) if sure else None
    way = _way(ground, scene)
    if way is None:
        return None
    middle = way.spot_m + settings.back_steps * SHORT_STEP_M * way.ahead
    half = settings.width_steps * SHORT_STEP_M / 2 * way.right
    # A ball may cross the line at either marker, so only the ball's own line is sure to be near.
    for name, place in (("where the ball was heading", middle), ("a marker", middle - half),
                        ("a marker", middle + half)):  # fmt: skip
        out = _out_of_picture(ground, place, size, f"{name} lies outside the picture")
        if out is not None:
            return out
    return None


def _tight(
    ground: GroundFit, markers_px: tuple[ImagePoint, ImagePoint], size: tuple[int, int]
) -> OutOfView | None:
    feet = ground.camera.ground_points([(m.x_px, m.y_px) for m in markers_px])
    along = feet[1] - feet[0]
    width_m = float(np.hypot(*along))
    if not np.isfinite(width_m) or width_m <= 0:
        return None
    for foot, side in ((feet[0], -1.0), (feet[1], 1.0)):
        place = foot + side * BESIDE_M * along / width_m
        out = _out_of_picture(
            ground, place, size, f"less than {BESIDE_M:g} m beside a marker is in the picture"
        )
        if out is not None:
            return out
    return None


def _out_of_picture(
    ground: GroundFit, place_m: F64, size: tuple[int, int], why: str
) -> OutOfView | None:
    x_px, y_px = ground.camera.project([[*place_m, 0.0]])[0]
    if not np.isfinite([x_px, y_px]).all():
        return None
    if x_px < 0:
        do = "Turn the phone to the left, or move it back,"
    elif x_px > size[0] - 1:
        do = "Turn the phone to the right, or move it back,"
    else:
        return None
    return OutOfView(do, why, ImagePoint(float(x_px), float(y_px)))


def _way(ground: GroundFit, scene: QuickScene) -> _Way | None:
    """Return the longest way of a kicked ball over the ground."""
    best: tuple[float, _Way] | None = None
    for kick in scene.kicks:
        moving = kick.segments[0].stretch
        path = moving.centre_m([d.time_s for d in moving.sightings])[:, :2]
        path = path[np.isfinite(path).all(axis=1)]
        if len(path) < 2:
            continue
        step = path[-1] - path[0]
        length_m = float(np.hypot(*step))
        if length_m >= MIN_WAY_M and (best is None or length_m > best[0]):
            best = (length_m, _Way(path[0], step / length_m))
    return None if best is None else best[1]
