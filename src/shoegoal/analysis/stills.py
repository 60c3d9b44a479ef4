"""Pictures kept from the clip, the moments worth keeping, and where things are in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.analysis.model import SceneRecord
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalFrame, goal_from_markers
from shoegoal.types import ImagePoint, Shot

U8 = npt.NDArray[np.uint8]
F64 = npt.NDArray[np.float64]

AROUND_S = 0.5  # how long before the kick and after the end the outer stills are


@dataclass(frozen=True, slots=True, eq=False)
class StillPicture:
    """A picture of the clip at its own or a smaller size.

    Attributes
    ----------
    time_s : presentation time.
    bgr : (H, W, 3) uint8, displayed orientation.
    scale : still px per px of the displayed picture.
    """

    time_s: float
    bgr: U8
    scale: float

    @property
    def native_size_px(self) -> tuple[float, float]:
        """Width and height of the displayed picture that this was made from."""
        return self.bgr.shape[1] / self.scale, self.bgr.shape[0] / self.scale


@dataclass(frozen=True, slots=True)
class Moment:
    """A time worth a still, and what it shows."""

    time_s: float
    name: str


def strip_moments(shot: Shot) -> tuple[Moment, ...]:
    """Return the five moments of a shot's strip, in order of time."""
    crossed_s = shot.crossing_time_s
    line_s = shot.end_time_s if crossed_s is None else crossed_s
    line_name = "last seen" if crossed_s is None else "at the line"
    return (
        Moment(shot.kick_time_s - AROUND_S, "before the kick"),
        Moment(shot.kick_time_s, "contact"),
        Moment((shot.kick_time_s + line_s) / 2, "on its way"),
        Moment(line_s, line_name),
        Moment(max(line_s, shot.end_time_s) + AROUND_S, "after"),
    )


@dataclass(frozen=True, slots=True)
class SceneView:
    """What is needed to draw the scene over a picture; all px are of the displayed picture."""

    camera: Camera
    goal: GoalFrame
    ball_diameter_m: float
    left_px: ImagePoint
    right_px: ImagePoint

    @classmethod
    def of(cls, scene: SceneRecord) -> SceneView:
        """Take the view from a stored scene.

        Raises
        ------
        GoalNotPlausibleError
            The stored markers do not stand on the stored ground.
        """
        goal = goal_from_markers(scene.camera, scene.left_px, scene.right_px)
        return cls(scene.camera, goal, scene.ball_diameter_m.value, scene.left_px, scene.right_px)

    def to_px(self, goal_m: npt.ArrayLike) -> F64:
        """Image (N, 2) px of goal-frame points (N, 3) m; NaN behind the camera."""
        return self.goal.to_px(self.camera, goal_m)

    def ball_px(self, spot_m: tuple[float, float]) -> tuple[ImagePoint, float]:
        """Outline, centre and diameter in px, of a ball lying at (x, y) of the goal frame."""
        place = self.goal.from_goal([[*spot_m, self.ball_diameter_m / 2]])
        centre, diameter = self.camera.ball_image(place, self.ball_diameter_m)
        return ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(diameter[0])

    def spot_m(self, centre_px: ImagePoint) -> tuple[float, float] | None:
        """(x, y) in the goal frame of a lying ball whose disc is centred here; None off ground."""
        pixels = [(centre_px.x_px, centre_px.y_px)]
        ground = self.camera.ball_on_ground(pixels, self.ball_diameter_m)
        x_m, y_m = self.goal.to_goal(ground)[0]
        return (float(x_m), float(y_m)) if np.isfinite([x_m, y_m]).all() else None

    def goal_line_px(self, pieces: int = 24) -> F64:
        """Goal line from left to right marker as (pieces + 1, 2) px; curved where the lens is."""
        half = self.goal.width_m / 2
        along = np.linspace(-half, half, pieces + 1)
        return self.to_px(np.column_stack([along, np.zeros_like(along), np.zeros_like(along)]))
