"""The space round one kick: from the picture to metres about the ball, along and across the shot.

Shot frame: origin where the ball lies on the ground, `right` to the kicker's right, `ahead` towards
the middle of the goal, `up` upwards; metres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
import numpy.typing as npt

from shoegoal.cues.pose import Square
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalFrame
from shoegoal.scene.posterior import LOG_BALL, LOG_FOCAL, LOG_HEIGHT, PITCH, ROLL
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]

# From which angle a view is called the next one's name: measured errors are kept per view.
OBLIQUE_DEG, SIDE_DEG, FRONT_DEG, FACING_DEG = 25.0, 60.0, 120.0, 150.0
LEAST_ACROSS = 0.4  # sine of the sight line's angle to the shot: errors grow by one over it
# A kicker and the way of the legs, about the ball: metres behind, ahead, beside, up.
BODY_BEHIND_M, BODY_AHEAD_M, BODY_BESIDE_M, BODY_UP_M = 1.2, 0.8, 0.8, 2.0
LEAST_DEPTH_M = 0.5  # corners of that box nearer to the camera say nothing of the picture
LEAST_SIDE_PX = 64


class View(StrEnum):
    """From where a kick is filmed, by the angle between the sight line and the shot."""

    BEHIND = "behind"
    OBLIQUE = "oblique"
    SIDE = "side"
    FRONT_OBLIQUE = "front oblique"
    FACING = "facing"

    @property
    def words(self) -> str:
        """Where to stand to film so."""
        return _WORDS[self]

    @classmethod
    def of(cls, azimuth_deg: float) -> View:
        """Name an angle."""
        edges = (OBLIQUE_DEG, SIDE_DEG, FRONT_DEG, FACING_DEG)
        return list(cls)[int(np.searchsorted(edges, azimuth_deg, side="right"))]


_WORDS = {
    View.BEHIND: "from behind the kicker",
    View.OBLIQUE: "from behind and to one side",
    View.SIDE: "from the side",
    View.FRONT_OBLIQUE: "from the goal's side and aslant",
    View.FACING: "from the goal's side",
}


@dataclass(frozen=True)
class ShotSpace:
    """Camera, goal and ball of one kick.

    Attributes
    ----------
    camera : the camera over its ground.
    goal : the goal on that ground.
    spot_m : (x, y) of the ball before the kick, goal frame.
    ball_diameter_m : of the ball.
    neighbours : the same kick in scenes that are one standard deviation off, one for each way in
        which the scene is uncertain independently of the others; none where it is known.
    """

    camera: Camera
    goal: GoalFrame
    spot_m: tuple[float, float]
    ball_diameter_m: float
    neighbours: tuple[ShotSpace, ...] = ()

    def __post_init__(self) -> None:
        if not np.isfinite(self.spot_m).all() or np.hypot(*self.spot_m) < 1e-6:
            raise ValueError("the ball must lie off the middle of the goal line")

    @cached_property
    def azimuth_deg(self) -> float:
        """Angle of the sight line to the shot, over the ground: 0 from behind, 180 facing."""
        right, ahead = -self._eye[:2]
        return float(np.degrees(np.arctan2(abs(right), ahead)))

    @cached_property
    def films_from_right(self) -> bool:
        """Whether the camera stands to the right of the shot's line, as the kicker sees it."""
        return bool(self._eye[0] > 0)

    @property
    def is_across(self) -> bool:
        """Whether the shot runs enough across the picture to read places off its upright plane."""
        return bool(np.sin(np.radians(self.azimuth_deg)) >= LEAST_ACROSS)

    @property
    def view(self) -> View:
        """Name of the view."""
        return View.of(self.azimuth_deg)

    @cached_property
    def ball_px(self) -> tuple[ImagePoint, float]:
        """Centre and diameter, px, of the ball as it lies before the kick."""
        place = self._to_ground(np.array([[0.0, 0.0, self.ball_diameter_m / 2]]))
        centre, diameter = self.camera.ball_image(place, self.ball_diameter_m)
        return ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(diameter[0])

    def to_px(self, points_m: npt.ArrayLike) -> F64:
        """Image (N, 2) px of points (N, 3) of the shot frame; NaN behind the camera."""
        return self.camera.project(self._to_ground(np.array(points_m, np.float64, ndmin=2)))

    def shows(self, points_px: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether pixels (N, 2) lie in the picture, whose middle is the camera's."""
        middle = np.array([self.camera.cx_px, self.camera.cy_px])
        inside: npt.NDArray[np.bool_] = np.all(np.abs(points_px - middle) <= middle + 0.5, axis=-1)
        return inside

    def on_level(self, points_px: npt.ArrayLike, up_m: npt.ArrayLike = 0.0) -> F64:
        """(right, ahead) m, (N, 2), of pixels (N, 2) known to lie at a height (scalar or (N,))."""
        rays = self._rays(points_px)
        reach = _ahead_of_camera(np.asarray(up_m) - self._eye[2], rays[:, 2])
        met: F64 = self._eye[:2] + rays[:, :2] * reach[:, None]
        return met

    def ball_places(self, centres_px: npt.ArrayLike, diameters_px: npt.ArrayLike) -> F64:
        """(right, ahead, up) m, (N, 3), of balls from their centres (N, 2) and sizes (N,)."""
        rays = self._rays(centres_px)
        axis = self.camera.rotation()[2] + [0.0, 0.0, self.camera.height_m]
        forward = rays @ (self._from_ground(axis[None])[0] - self._eye)
        depth_m = self.camera.focal_px * self.ball_diameter_m / np.asarray(diameters_px)
        places: F64 = self._eye + rays * (depth_m / forward)[:, None]
        return places

    def along_shot(self, points_px: npt.ArrayLike, right_m: float = 0.0) -> F64:
        """(ahead, up) m, (N, 2), of pixels (N, 2) in the upright plane along the shot.

        The plane lies ``right_m`` to the right of the ball. NaN where the sight line does not meet
        it; the farther the view is from the side, the less it says.
        """
        rays = self._rays(points_px)
        reach = _ahead_of_camera(np.asarray(right_m - self._eye[0]), rays[:, 0])
        met: F64 = self._eye[1:] + rays[:, 1:] * reach[:, None]
        return met

    def nearest_on_sight(self, points_px: npt.ArrayLike, places_m: F64) -> F64:
        """Points (N, 3) of the sight lines of pixels (N, 2) that are nearest to places (N, 3)."""
        rays = self._rays(points_px)
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        reach = np.sum(rays * (places_m - self._eye), axis=1)
        met: F64 = self._eye + rays * reach[:, None]
        return met

    def turned_world(self, world_m: F64, about_px: tuple[float, float]) -> F64:
        """Turn a body (N, 3), in axes of a camera that looks straight at it, into the shot frame.

        Parameters
        ----------
        world_m : x right, y down, z away from the camera; metres about the body's middle.
        about_px : where that middle is in the picture.

        Returns
        -------
        (N, 3) right, ahead, up; metres about the body's middle.
        """
        away = self._rays([about_px])[0]
        level = np.array([away[1], -away[0], 0.0])  # to the right of the sight line, level
        right = level / np.linalg.norm(level)
        roll = np.radians(self.camera.roll_deg)
        down = -np.cross(right, away)
        across = np.cos(roll) * right + np.sin(roll) * down
        below = -np.sin(roll) * right + np.cos(roll) * down
        turned: F64 = world_m @ np.stack([across, below, away])
        return turned

    def square(self, size_px: tuple[int, int]) -> Square | None:
        """Square of a picture (width, height) that holds the kicker; None where there is none."""
        corners = np.array(
            [
                (right, ahead, up)
                for right in (-BODY_BESIDE_M, BODY_BESIDE_M)
                for ahead in (-BODY_BEHIND_M, BODY_AHEAD_M)
                for up in (0.0, BODY_UP_M)
            ]
        )
        depth = (self._to_ground(corners) - [0.0, 0.0, self.camera.height_m]) @ (
            self.camera.rotation()[2]
        )
        seen = self.to_px(corners[depth > LEAST_DEPTH_M])
        seen = seen[np.isfinite(seen).all(axis=1)]
        if len(seen) < 2:
            return None
        width, height = size_px
        low = np.clip(seen.min(axis=0), 0.0, size_px)
        high = np.clip(seen.max(axis=0), 0.0, size_px)
        side = int(np.ceil(max(high - low)))
        if side < LEAST_SIDE_PX or min(high - low) < LEAST_SIDE_PX / 2:
            return None
        left, top = np.round((low + high - side) / 2).astype(int)
        # A piece with as little beyond the picture's edge as can be.
        left = int(np.clip(left, min(0, width - side), max(0, width - side)))
        top = int(np.clip(top, min(0, height - side), max(0, height - side)))
        return Square(left, top, side)

    @cached_property
    def _axes(self) -> F64:
        """Rows right and ahead in the goal frame's x and y."""
        ahead = -np.asarray(self.spot_m) / np.hypot(*self.spot_m)
        return np.array([[-ahead[1], ahead[0]], ahead])

    @cached_property
    def _eye(self) -> F64:
        """Return the camera's place in the shot frame, (3,)."""
        eye: F64 = self._from_ground(np.array([[0.0, 0.0, self.camera.height_m]]))[0]
        return eye

    def _from_ground(self, ground_m: F64) -> F64:
        points = self.goal.to_goal(ground_m)
        points[:, :2] = (points[:, :2] - self.spot_m) @ self._axes.T
        return points

    def _to_ground(self, points_m: F64) -> F64:
        points = points_m.copy()
        points[:, :2] = points[:, :2] @ self._axes + self.spot_m
        return self.goal.from_goal(points)

    def _rays(self, points_px: npt.ArrayLike) -> F64:
        """Return directions (N, 3) in the shot frame in which pixels look."""
        rays = self.camera.sight_rays(points_px)
        rays[:, 2] += self.camera.height_m
        return self._from_ground(rays) - self._eye


def cameras_round(
    camera: Camera, theta: npt.ArrayLike, covariance: npt.ArrayLike
) -> list[tuple[Camera, float]]:
    """Cameras and ball diameters, m, that are one standard deviation off a fitted scene.

    Parameters
    ----------
    camera : the fitted one.
    theta, covariance : the fitted unknowns (`scene.posterior.UNKNOWNS`) and their covariance.

    Returns
    -------
    One for each principal axis of the covariance.
    """
    sizes, axes = np.linalg.eigh(np.asarray(covariance, np.float64))
    out = []
    for size, axis in zip(sizes, axes.T, strict=True):
        off = np.asarray(theta, np.float64) + np.sqrt(max(float(size), 0.0)) * axis
        other = replace(
            camera,
            focal_px=float(np.exp(off[LOG_FOCAL])),
            height_m=float(np.exp(off[LOG_HEIGHT])),
            pitch_deg=float(np.degrees(off[PITCH])),
            roll_deg=float(np.degrees(off[ROLL])),
        )
        out.append((other, float(np.exp(off[LOG_BALL]))))
    return out


def _ahead_of_camera(gap_m: F64, slope: F64) -> F64:
    """How far along a ray a plane is met; NaN where it is not met ahead."""
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = gap_m / slope
    return np.where(np.isfinite(reach) & (reach > 0), reach, np.nan)
