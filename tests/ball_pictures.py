"""Drawn balls and yards whose truth is known: coverage by counting sub-samples, nothing of ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.ball.watch import BallRecord, BallWatcher
from shoegoal.clip.frame import Frame
from shoegoal.clip.reduced import SmallFrame, small_frame

U8 = npt.NDArray[np.uint8]
F64 = npt.NDArray[np.float64]
Colour = tuple[float, float, float]  # luma, u, v

SUB = 8  # sub-samples per pixel and axis
GRASS: Colour = (95.0, 118.0, 122.0)
WHITE: Colour = (215.0, 128.0, 128.0)
CLOTH: Colour = (45.0, 150.0, 110.0)
SHADE = 0.6  # of the light that is left in a shadow


def disc_share(
    shape: tuple[int, int], x_px: float, y_px: float, diameter_px: float, sub: int = SUB
) -> F64:
    """Share of each pixel (its centre at whole numbers) that a disc covers, (H, W)."""
    height, width = shape
    offsets = (np.arange(sub) + 0.5) / sub - 0.5
    xs = (np.arange(width)[:, None] + offsets).ravel() - x_px
    ys = (np.arange(height)[:, None] + offsets).ravel() - y_px
    inside = ys[:, None] ** 2 + xs[None, :] ** 2 <= (diameter_px / 2) ** 2
    return np.asarray(inside.reshape(height, sub, width, sub).mean(axis=(1, 3)), np.float64)


def box_share(shape: tuple[int, int], box: tuple[float, float, float, float]) -> F64:
    """Share of each pixel that a box (left, top, right, bottom; px) covers, (H, W)."""
    left, top, right, bottom = box
    across = np.clip(np.minimum(np.arange(shape[1]) + 0.5, right) - np.maximum(
        np.arange(shape[1]) - 0.5, left), 0, 1)  # fmt: skip
    along = np.clip(np.minimum(np.arange(shape[0]) + 0.5, bottom) - np.maximum(
        np.arange(shape[0]) - 0.5, top), 0, 1)  # fmt: skip
    return np.asarray(along[:, None] * across[None, :], np.float64)


class Canvas:
    """One picture being painted, luma and chroma at full size as floats."""

    def __init__(self, ground: F64) -> None:
        self.planes = ground.copy()

    @property
    def shape(self) -> tuple[int, int]:
        return self.planes.shape[1], self.planes.shape[2]

    def paint(self, share: F64, colour: Colour) -> None:
        self.planes += share * (np.array(colour)[:, None, None] - self.planes)

    def ball(self, x_px: float, y_px: float, diameter_px: float, colour: Colour = WHITE) -> None:
        left, top = (max(0, int(v - diameter_px)) for v in (x_px, y_px))
        window = self.planes[
            :, top : top + 2 * int(diameter_px), left : left + 2 * int(diameter_px)
        ]
        share = disc_share((window.shape[1], window.shape[2]), x_px - left, y_px - top, diameter_px)
        window += share * (np.array(colour)[:, None, None] - window)

    def box(self, box: tuple[float, float, float, float], colour: Colour = CLOTH) -> None:
        self.paint(box_share(self.shape, box), colour)

    def shade(self, share: F64) -> None:
        """Take light away: luma and chroma shrink alike, as a shadow does."""
        light = 1 - (1 - SHADE) * share
        self.planes[0] *= light
        self.planes[1:] = 128 + (self.planes[1:] - 128) * light


class Yard:
    """A textured yard in front of a still camera; scenes are painted on it by time.

    Parameters
    ----------
    paint : called with a time and a canvas.
    width_px, height_px : size of the pictures.
    noise : standard deviation of the sensor's noise, luma levels.
    """

    def __init__(
        self,
        paint: Callable[[float, Canvas], None],
        width_px: int = 640,
        height_px: int = 360,
        noise: float = 1.5,
        seed: int = 5,
    ) -> None:
        self._paint = paint
        self._noise = noise
        self._rng = np.random.default_rng(seed)
        grain = cv2.GaussianBlur(self._rng.normal(0.0, 14.0, (height_px, width_px)), (0, 0), 1.5)
        self._ground = np.stack([np.full((height_px, width_px), v) for v in GRASS])
        self._ground[0] += 3 * grain

    def frames(self, times_s: Sequence[float] | F64) -> Iterator[tuple[Frame, SmallFrame]]:
        for index, time_s in enumerate(times_s):
            canvas = Canvas(self._ground)
            self._paint(float(time_s), canvas)
            luma = canvas.planes[0] + self._rng.normal(0.0, self._noise, canvas.shape)
            half = (canvas.shape[1] // 2, canvas.shape[0] // 2)
            u, v = (
                cv2.resize(p, half, interpolation=cv2.INTER_AREA)
                + self._rng.normal(0.0, self._noise / 2, half[::-1])
                for p in canvas.planes[1:]
            )
            frame = Frame(float(time_s), _bytes(luma), _bytes(u), _bytes(v), index)
            yield frame, small_frame(frame)


def uneven_times(stop_s: float, start_s: float = 0.0, seed: int = 3) -> F64:
    """Presentation times as phones give them: about 30 a second, steps of 20 to 50 ms."""
    steps = np.random.default_rng(seed).uniform(0.020, 0.0467, int(stop_s * 60) + 2)
    times = start_s + np.concatenate([[0.0], np.cumsum(steps)])
    return times[times <= start_s + stop_s]


def _bytes(plane: npt.NDArray[np.floating]) -> U8:
    return np.asarray(np.clip(np.rint(plane), 0, 255), np.uint8)


def watch(yard: Yard, stop_s: float, start_s: float = 0.0) -> BallRecord:
    """What the ball floor records of a yard."""
    watcher = BallWatcher()
    for frame, small in yard.frames(uneven_times(stop_s, start_s)):
        watcher.update(frame, small)
    return watcher.finish()
