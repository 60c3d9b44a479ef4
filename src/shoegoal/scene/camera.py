"""A pinhole camera over flat ground, and how a ball looks through it.

The camera ground frame: origin on the ground straight below the camera, X to the right, Y forward
along the horizontal viewing direction, Z up; metres. Positive pitch looks down. Positive roll is
the camera turned clockwise as seen from behind it, so the horizon climbs to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_UNDISTORT_STEPS = 20
_BALL_STEPS = 12
# A lens model is good only where it was measured; past this the polynomial may fold back.
_MAX_RAY_SLOPE = 10.0


@lru_cache(maxsize=256)
def _rotation(pitch_deg: float, roll_deg: float) -> F64:
    """Return the (3, 3) rotation of `Camera.rotation`, kept: a flight's fit asks for it often."""
    pitch, roll = np.deg2rad(pitch_deg), np.deg2rad(roll_deg)
    right = np.array([1.0, 0.0, 0.0])
    ahead = np.array([0.0, np.cos(pitch), -np.sin(pitch)])
    down = np.cross(ahead, right)
    rotation: F64 = np.stack(
        [
            np.cos(roll) * right + np.sin(roll) * down,
            -np.sin(roll) * right + np.cos(roll) * down,
            ahead,
        ]
    )
    rotation.flags.writeable = False
    return rotation


@dataclass(frozen=True, slots=True)
class Camera:
    """A still camera: pinhole, lens distortion, height, pitch and roll.

    Attributes
    ----------
    focal_px : focal length in pixels of the displayed frame (square pixels).
    cx_px, cy_px : principal point.
    height_m : height of the camera above the ground.
    pitch_deg : angle of the optical axis below the horizontal.
    roll_deg : turn about the optical axis, clockwise seen from behind the camera.
    distortion : () or (k1, k2, p1, p2, k3), OpenCV's model and order.
    """

    focal_px: float
    cx_px: float
    cy_px: float
    height_m: float
    pitch_deg: float
    roll_deg: float = 0.0
    distortion: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.focal_px) and self.focal_px > 0):
            raise ValueError(f"focal_px must be positive, not {self.focal_px}")
        if not (np.isfinite(self.height_m) and self.height_m > 0):
            raise ValueError(f"height_m must be positive, not {self.height_m}")
        if len(self.distortion) not in (0, 4, 5):
            raise ValueError("distortion must hold no, 4 or 5 coefficients (k1, k2, p1, p2, k3)")

    def rotation(self) -> F64:
        """Return the (3, 3) rotation from ground axes to camera axes (x right, y down, z ahead)."""
        return _rotation(self.pitch_deg, self.roll_deg)

    def matrix(self) -> F64:
        """Return the (3, 3) intrinsic matrix K."""
        return np.array(
            [[self.focal_px, 0.0, self.cx_px], [0.0, self.focal_px, self.cy_px], [0.0, 0.0, 1.0]]
        )

    def project(self, points_m: npt.ArrayLike) -> F64:
        """Image of points.

        Parameters
        ----------
        points_m : (N, 3) in the camera ground frame.

        Returns
        -------
        (N, 2) px; NaN for points that are not in front of the camera.
        """
        return self._to_pixels(_slopes(self._in_camera(points_m)))

    def ground_points(self, pixels: npt.ArrayLike, z_m: float = 0.0) -> F64:
        """Where the sight rays of pixels meet the level plane z = z_m.

        Parameters
        ----------
        pixels : (N, 2) px.
        z_m : height of the plane.

        Returns
        -------
        (N, 2) metres, X and Y; NaN where the ray does not meet the plane ahead of the camera
        (on or above the horizon for a plane below the camera).
        """
        return self._meet_plane(self._to_slopes(pixels), z_m)

    def sight_rays(self, pixels: npt.ArrayLike) -> F64:
        """Directions in which pixels look, from the camera at (0, 0, height_m).

        Parameters
        ----------
        pixels : (N, 2) px.

        Returns
        -------
        (N, 3) unit vectors in the camera ground frame.
        """
        slopes = self._to_slopes(pixels)
        rays: F64 = np.column_stack([slopes, np.ones(len(slopes))]) @ self.rotation()
        return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))

    def ball_image(self, center_m: npt.ArrayLike, diameter_m: float) -> tuple[F64, F64]:
        """Outline of a ball: centre and mean diameter of the ellipse that is its image.

        A sphere of radius R centred at (x, y, Z) in camera axes is bounded by the tangent cone
        (r.c)^2 = (|c|^2 - R^2) |r|^2. Cutting that cone with the image plane gives an ellipse
        centred at f (x, y) Z / (Z^2 - R^2), with semi-axes f R / sqrt(Z^2 - R^2) across and
        f R sqrt(|c|^2 - R^2) / (Z^2 - R^2) along the line from the principal point.

        Parameters
        ----------
        center_m : (N, 3) ball centres in the camera ground frame.
        diameter_m : diameter of the ball.

        Returns
        -------
        centre_px : (N, 2), the ellipse's centre (not the image of the ball's centre).
        diameter_px : (N,), diameter of the circle of the same area.
        NaN for balls that are not wholly in front of the camera.
        """
        radius = diameter_m / 2
        centers = self._in_camera(center_m)
        depth = centers[:, 2]
        depth = np.where(depth > radius, depth, np.nan)
        margin = depth**2 - radius**2
        slopes = centers[:, :2] * (depth / margin)[:, None]
        reach = np.sum(centers**2, axis=1) - radius**2
        with np.errstate(invalid="ignore"):  # a ball round the camera has no outline: NaN
            diameter = 2 * self.focal_px * radius * reach**0.25 / margin**0.75
        return self._to_pixels(slopes), diameter * self._magnification(slopes)

    def ball_on_ground(self, pixels: npt.ArrayLike, diameter_m: float) -> F64:
        """Ground position of balls that touch the ground, from the centres of their discs.

        Parameters
        ----------
        pixels : (N, 2) px, centres of the discs (as `ball_image` gives them).
        diameter_m : diameter of the ball.

        Returns
        -------
        (N, 2) metres, X and Y of the point where the ball touches; NaN above the horizon.
        """
        radius = diameter_m / 2
        disc = self._to_slopes(pixels)
        ahead = self.rotation()[2]
        ground = self._meet_plane(disc, radius)
        for _ in range(_BALL_STEPS):
            before = ground
            depth = ground[:, 0] * ahead[0] + ground[:, 1] * ahead[1]
            depth = depth + (radius - self.height_m) * ahead[2]
            # The disc's centre lies Z^2 / (Z^2 - R^2) times as far out as the ball's centre.
            with np.errstate(invalid="ignore", divide="ignore"):
                shrink = np.where(depth > radius, 1 - (radius / depth) ** 2, np.nan)
            ground = self._meet_plane(disc * shrink[:, None], radius)
            if np.array_equal(ground, before):
                break  # further steps would change nothing
        return ground

    def ball_position(
        self, pixels: npt.ArrayLike, diameter_px: npt.ArrayLike, diameter_m: float
    ) -> F64:
        """Centre of a ball anywhere in space, from its disc alone: the inverse of `ball_image`.

        Its depth is only as good as the measured diameter.

        Parameters
        ----------
        pixels : (N, 2) px, centres of the discs.
        diameter_px : (N,) diameters of circles of the discs' areas.
        diameter_m : diameter of the ball.

        Returns
        -------
        (N, 3) metres in the camera ground frame.
        """
        radius = diameter_m / 2
        disc = self._to_slopes(pixels)
        angular = np.asarray(diameter_px, dtype=np.float64) / (2 * self.focal_px)
        angular = angular / self._magnification(disc)
        tilt = np.sum(disc**2, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            margin = (radius / angular) ** 2
            for _ in range(_BALL_STEPS):
                margin = (radius / angular) ** 2 * np.sqrt(1 + tilt * margin / (margin + radius**2))
            depth = np.sqrt(margin + radius**2)
        in_camera = np.column_stack([disc * (margin / depth)[:, None], depth])
        ground: F64 = in_camera @ self.rotation()
        ground[:, 2] += self.height_m
        return ground

    def undistort(self, pixels: npt.ArrayLike) -> F64:
        """Move pixels (N, 2) to where a lens without distortion would have shown them, px."""
        return self._to_slopes(pixels) * self.focal_px + [self.cx_px, self.cy_px]

    def magnification(self, pixels: npt.ArrayLike) -> F64:
        """How much the lens's distortion enlarges small things at pixels (N, 2); shape (N,)."""
        return self._magnification(self._to_slopes(pixels))

    def _in_camera(self, points_m: npt.ArrayLike) -> F64:
        points = np.asarray(points_m, dtype=np.float64).reshape(-1, 3)
        moved: F64 = (points - [0.0, 0.0, self.height_m]) @ self.rotation().T
        return moved

    def _meet_plane(self, slopes: F64, z_m: float) -> F64:
        rays = np.column_stack([slopes, np.ones(len(slopes))]) @ self.rotation()
        with np.errstate(invalid="ignore", divide="ignore"):
            reach = (z_m - self.height_m) / rays[:, 2]
            reach = np.where(np.isfinite(reach) & (reach > 0), reach, np.nan)
            met: F64 = rays[:, :2] * reach[:, None]
        return met

    def _to_pixels(self, slopes: F64) -> F64:
        bent = distort(slopes, self.distortion)
        pixels: F64 = bent * self.focal_px + [self.cx_px, self.cy_px]
        return pixels

    def _to_slopes(self, pixels: npt.ArrayLike) -> F64:
        points = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
        bent = (points - [self.cx_px, self.cy_px]) / self.focal_px
        return undistort(bent, self.distortion)

    def _magnification(self, slopes: F64) -> F64:
        """Local enlargement by the lens: square root of the Jacobian's determinant, (N,)."""
        if not any(self.distortion):
            return np.ones(len(slopes))
        jacobian = _distortion_jacobian(slopes, self.distortion)
        enlarged: F64 = np.sqrt(np.abs(np.linalg.det(jacobian)))
        return enlarged


def distort(slopes: F64, distortion: tuple[float, ...]) -> F64:
    """Bend ray slopes as the lens does: Brown-Conrady, OpenCV's five coefficients.

    Source of the formula: OpenCV documentation, calib3d, "Detailed Description".

    Parameters
    ----------
    slopes : (N, 2) x/z, y/z of undistorted rays.
    distortion : () or (k1, k2, p1, p2[, k3]).
    """
    if not any(distortion):
        return slopes
    k1, k2, p1, p2, k3 = (*distortion, 0.0)[:5]
    x, y = slopes[:, 0], slopes[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def undistort(bent: F64, distortion: tuple[float, ...]) -> F64:
    """Undo `distort` by Newton steps; NaN where it does not converge.

    Parameters
    ----------
    bent : (N, 2) distorted ray slopes.
    distortion : () or (k1, k2, p1, p2[, k3]).
    """
    if not any(distortion):
        return bent
    straight = bent.copy()
    for _ in range(_UNDISTORT_STEPS):
        missing = bent - distort(straight, distortion)
        jacobian = _distortion_jacobian(straight, distortion)
        with np.errstate(invalid="ignore", divide="ignore"):
            det = jacobian[:, 0, 0] * jacobian[:, 1, 1] - jacobian[:, 0, 1] * jacobian[:, 1, 0]
            step_x = (jacobian[:, 1, 1] * missing[:, 0] - jacobian[:, 0, 1] * missing[:, 1]) / det
            step_y = (jacobian[:, 0, 0] * missing[:, 1] - jacobian[:, 1, 0] * missing[:, 0]) / det
        step = np.nan_to_num(np.column_stack([step_x, step_y]), posinf=0.0, neginf=0.0)
        straight = np.clip(straight + step, -_MAX_RAY_SLOPE, _MAX_RAY_SLOPE)
    left_over = np.abs(bent - distort(straight, distortion)).max(axis=1)
    straight[~(left_over < 1e-7)] = np.nan
    return straight


def _slopes(in_camera: F64) -> F64:
    depth = np.where(in_camera[:, 2] > 0, in_camera[:, 2], np.nan)
    divided: F64 = in_camera[:, :2] / depth[:, None]
    return divided


def _distortion_jacobian(slopes: F64, distortion: tuple[float, ...]) -> F64:
    """Differentiate `distort` by the slopes, (N, 2, 2)."""
    k1, k2, p1, p2, k3 = (*distortion, 0.0)[:5]
    x, y = slopes[:, 0], slopes[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    growth = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
    cross = x * y * growth + 2 * p1 * x + 2 * p2 * y
    jacobian = np.empty((len(slopes), 2, 2))
    jacobian[:, 0, 0] = radial + x * x * growth + 2 * p1 * y + 6 * p2 * x
    jacobian[:, 0, 1] = cross
    jacobian[:, 1, 0] = cross
    jacobian[:, 1, 1] = radial + y * y * growth + 6 * p1 * y + 2 * p2 * x
    return jacobian
