"""Scenes by seed for the fit's tests: drawn by cv2.projectPoints, not by the code under test."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera
from shoegoal.types import Detection, ImagePoint

F64 = npt.NDArray[np.float64]

IMAGE_SIZE_PX = (1280, 720)


@dataclass(frozen=True)
class SimulatedScene:
    """One scene with its truth."""

    camera: Camera
    ball_diameter_m: float
    left_px: ImagePoint
    right_px: ImagePoint
    kick_spot_px: ImagePoint
    width_m: float
    distance_m: float
    width_steps: float
    back_steps: float
    sightings: list[Detection]


def opencv_pixels(camera: Camera, points: F64) -> F64:
    rotation_vector, _ = cv2.Rodrigues(camera.rotation())
    shift = -camera.rotation() @ np.array([0.0, 0.0, camera.height_m])
    distortion = np.array(camera.distortion or (0.0,) * 5)
    pixels, _ = cv2.projectPoints(points, rotation_vector, shift, camera.matrix(), distortion)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def ball_disc(camera: Camera, center: F64, diameter: float) -> tuple[F64, float]:
    """Centroid and area-equivalent diameter of the traced outline (Euclid's tangent circle)."""
    eye = np.array([0.0, 0.0, camera.height_m])
    radius = diameter / 2
    axis = center - eye
    reach = float(np.linalg.norm(axis))
    axis = axis / reach
    side = np.cross(axis, [0.0, 0.0, 1.0])
    side = side / np.linalg.norm(side)
    up = np.cross(side, axis)
    middle = center - axis * radius**2 / reach
    ring = radius * np.sqrt(1 - (radius / reach) ** 2)
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)[:, None]
    points = middle + ring * (np.cos(turn) * side + np.sin(turn) * up)
    x, y = opencv_pixels(camera, points).T
    nx, ny = np.roll(x, -1), np.roll(y, -1)
    cross = x * ny - nx * y
    area = cross.sum() / 2
    centroid = np.array([((x + nx) * cross).sum(), ((y + ny) * cross).sum()]) / (6 * area)
    return centroid, float(2 * np.sqrt(abs(area) / np.pi))


def simulate(
    seed: int,
    *,
    view: str = "behind",
    shots: int = 3,
    frames: int = 18,
    wrong_share: float = 0.0,
    size_noise_rel: float = 0.02,
    distortion: tuple[float, ...] = (),
    bias_rel: float = 0.02,
    marker_noise_px: float = 1.9,
) -> SimulatedScene:
    """Draw a scene: a phone, a goal paced by a child, rolling shots and measured discs.

    Parameters
    ----------
    seed : everything comes from it.
    view : "behind" the kicker or from the "side".
    shots, frames : rolling shots, and sightings of each.
    wrong_share : share of sightings that are something else: elsewhere, of any size.
    size_noise_rel : standard deviation of a measured diameter, besides 0.3 px.
    distortion : lens distortion of the drawn picture.
    bias_rel : standard deviation of the share by which all diameters of a scene are off.
    marker_noise_px : standard deviation of the marker bases, per axis.
    """
    rng = np.random.default_rng([seed, 7])
    width, height = IMAGE_SIZE_PX
    fov = np.deg2rad(np.clip(rng.normal(67.0, 5.0), 55.0, 80.0))
    focal = width / 2 / np.tan(fov / 2)
    camera_height = float(np.clip(np.exp(rng.normal(np.log(0.9), 0.45)), 0.3, 2.2))
    ball = float(rng.uniform(0.68, 0.70) / np.pi)  # IFAB Laws of the Game, Law 2
    step = rng.uniform(0.45, 0.75)
    width_steps, back_steps = float(rng.integers(3, 7)), float(rng.choice([10.0, 15.0]))
    goal_width = width_steps * step * np.exp(rng.normal(0.0, 0.1))
    distance = back_steps * step * np.exp(rng.normal(0.0, 0.1))
    if view == "behind":
        spot = np.array([rng.uniform(-0.8, 0.8), rng.uniform(2.0, 5.0)])
        heading = rng.normal(0.0, np.deg2rad(6.0))
        aim = spot[1] + 0.5 * distance
    else:
        spot = np.array([-0.75 * distance, rng.uniform(6.0, 9.0)])
        heading = np.deg2rad(90.0) + rng.normal(0.0, np.deg2rad(8.0))
        aim = spot[1]
    ahead = np.array([np.sin(heading), np.cos(heading)])
    right = np.array([ahead[1], -ahead[0]])
    goal_middle = spot + distance * ahead
    pitch = np.rad2deg(np.arctan2(camera_height, aim)) + rng.normal(0.0, 2.0)
    camera = Camera(
        focal,
        (width - 1) / 2,
        (height - 1) / 2,
        camera_height,
        float(pitch),
        float(rng.normal(0.0, 2.0)),
        distortion,
    )
    bases = np.zeros((2, 3))
    bases[0, :2] = goal_middle - right * goal_width / 2
    bases[1, :2] = goal_middle + right * goal_width / 2
    placed = opencv_pixels(camera, bases) + rng.normal(0.0, marker_noise_px, (2, 2))
    left_px, right_px = (ImagePoint(float(x), float(y)) for x, y in placed)
    bias = 1.0 + rng.normal(0.0, bias_rel)
    sightings: list[Detection] = []

    def see(ground: F64, time_s: float, at_rest: bool) -> None:
        centre, diameter = ball_disc(camera, np.array([*ground, ball / 2]), ball)
        if not (0 < centre[0] < width and 0 < centre[1] < height):
            return
        noise = float(np.hypot(size_noise_rel * diameter, 0.3))
        x, y = centre + rng.normal(0.0, 0.4, 2)
        measured = diameter * bias + rng.normal(0.0, noise)
        if rng.random() < wrong_share:
            x, y = rng.uniform([0, height / 3], [width, height])
            measured = float(np.exp(rng.uniform(np.log(6.0), np.log(90.0))))
        sightings.append(Detection(time_s, x, y, measured, 0.4, noise, at_rest))

    spot_px, _ = ball_disc(camera, np.array([*spot, ball / 2]), ball)
    for shot in range(shots):
        for k in range(8):
            see(spot, 20.0 * shot + k / 30, True)
        turn = rng.normal(0.0, np.deg2rad(7.0))
        way = ahead * np.cos(turn) + right * np.sin(turn)
        for k, share in enumerate(np.linspace(0.0, 1.15, frames)):
            see(spot + way * distance * share, 20.0 * shot + 1 + k / 15, False)
    return SimulatedScene(
        camera,
        ball,
        left_px,
        right_px,
        ImagePoint(float(spot_px[0]), float(spot_px[1])),
        float(goal_width),
        float(distance),
        width_steps,
        back_steps,
        sightings,
    )
