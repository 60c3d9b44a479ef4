"""Small pictures of a yard by seed for the marker tests: drawn through cv2.projectPoints.

The camera is OpenCV's own, not the one under test, so a base is known to the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from scene_simulation import opencv_pixels
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit
from shoegoal.types import Estimate

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

SIZE_PX = (1280, 720)
BALL_M = 0.22
CONE_M = (0.1, 0.3)  # half width at the foot, height
# Colours as BGR.
ORANGE, BLUE, WHITE = (30, 100, 220), (170, 80, 30), (225, 225, 225)
YELLOW = (40, 200, 220)


@dataclass
class Yard:
    """A picture in the making: flat textured ground, perhaps a wall, things drawn onto it."""

    camera: Camera
    seed: int = 0
    wall_y_m: float | None = None
    picture: U8 = field(init=False)

    def __post_init__(self) -> None:
        width, height = SIZE_PX
        rng = np.random.default_rng([self.seed, 3])
        far = 60.0 if self.wall_y_m is None else self.wall_y_m
        foot = opencv_pixels(self.camera, np.array([[-0.3, far, 0.0], [0.3, far, 0.0]]))
        slope = (foot[1, 1] - foot[0, 1]) / (foot[1, 0] - foot[0, 0])
        rows, cols = np.mgrid[0:height, 0:width].astype(np.float64)
        ground = rows > foot[0, 1] + slope * (cols - foot[0, 0])
        grain = cv2.GaussianBlur(rng.normal(0, 30, (height, width)), (0, 0), 2.2, sigmaY=0.9)
        patches = cv2.GaussianBlur(rng.normal(0, 500, (height, width)), (0, 0), 45, sigmaY=9)
        noise = np.where(ground, grain + patches, 0.4 * grain)[..., None]
        plain = np.where(ground[..., None], (70.0, 120.0, 100.0), (150.0, 155.0, 160.0))
        self.picture = np.clip(plain + noise, 0, 255).astype(np.uint8)

    def fill(self, corners_m: npt.ArrayLike, colour: tuple[int, int, int]) -> None:
        """Paint a convex outline (N, 3) in the camera ground frame."""
        pixels = opencv_pixels(self.camera, np.asarray(corners_m, dtype=np.float64))
        hull = cv2.convexHull(np.round(pixels * 16).astype(np.int32))
        cv2.fillConvexPoly(self.picture, hull, colour, cv2.LINE_AA, 4)

    def cone(
        self,
        x_m: float,
        y_m: float,
        colour: tuple[int, int, int] = ORANGE,
        shadow_m: tuple[float, float] | None = None,
    ) -> None:
        """Stand a cone on the ground, its shadow's tip at an offset from it."""
        half, height = CONE_M
        turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        rim = np.column_stack([x_m + half * np.cos(turn), y_m + half * np.sin(turn), 0 * turn])
        if shadow_m is not None:
            tip = [[x_m + shadow_m[0], y_m + shadow_m[1], 0.0]]
            mask = Yard.__new__(Yard)
            mask.camera, mask.picture = self.camera, np.zeros_like(self.picture)
            mask.fill(np.concatenate([rim, tip]), (255, 255, 255))
            share = mask.picture[..., :1] / 255.0
            self.picture = (self.picture * (1 - 0.35 * share)).astype(np.uint8)
        self.fill(np.concatenate([rim, [[x_m, y_m, height]]]), colour)

    def line(self, ends_m: npt.ArrayLike, colour: tuple[int, int, int], wide_m: float) -> None:
        """Paint a line (2, 2) on the ground, as a sports hall has them."""
        start, end = np.asarray(ends_m, dtype=np.float64)
        along = (end - start) / np.hypot(*(end - start))
        aside = wide_m / 2 * np.array([along[1], -along[0]])
        corners = np.array([start - aside, start + aside, end + aside, end - aside])
        self.fill(np.column_stack([corners, np.zeros(4)]), colour)

    def ball(self, x_m: float, y_m: float) -> None:
        """Lay a ball on the ground."""
        turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        radius = BALL_M / 2
        disc = np.column_stack(
            [x_m + radius * np.cos(turn), np.full(40, y_m), radius + radius * np.sin(turn)]
        )
        self.fill(disc, WHITE)

    def filmed(self, looks: int = 3) -> list[U8]:
        """Return pictures as a phone's file holds them, each with its noise and lossy blocks."""
        return [self._filmed(np.random.default_rng([self.seed, 4, k])) for k in range(looks)]

    def _filmed(self, rng: np.random.Generator) -> U8:
        noisy = np.clip(self.picture + rng.normal(0, 2.5, self.picture.shape), 0, 255)
        _, packed = cv2.imencode(".jpg", noisy.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 80])
        return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)


def ground_of(camera: Camera) -> GroundFit:
    """Wrap a known camera as a fit."""
    return GroundFit(camera, Estimate(BALL_M, 0.002), (), np.zeros(5), np.eye(5), 10, 10, 1.0, 0.01)
