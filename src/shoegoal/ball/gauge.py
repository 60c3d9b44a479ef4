"""The ball gauge: a small network that tells whether a ball is there, and measures it.

It looks at a window of the picture beside the same window of the settled picture, so that it may
use both what a ball looks like and what has changed. It was trained on drawn clips alone
(``training/``): no real person's picture is in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.networks import load_network
from shoegoal.types import BallSighting

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Planes = tuple[U8, U8, U8]
Place = tuple[float, float, float]  # x, y, diameter of a disc, native px

SIDE = 48  # of the window that the network sees, in its own pixels
SPAN_DIAMETERS = 2.6  # side of the window in diameters of the guess
ONE_BALL_DIAMETERS = 0.6  # two readings no further apart are of one ball
LOOK_AGAIN_AT = 0.2  # score from which on a window is laid anew round what was found in it


@dataclass(frozen=True, slots=True)
class Reading:
    """What the gauge reads at a place.

    Attributes
    ----------
    x_px, y_px, diameter_px : middle and size of the disc, native pixels; meant only where there is
        a ball.
    sigma_px, diameter_sigma_px : their standard deviations, as the network expects them.
    ball_score : how surely this is a ball, 0..1.
    """

    x_px: float
    y_px: float
    diameter_px: float
    sigma_px: float
    diameter_sigma_px: float
    ball_score: float

    @property
    def place(self) -> Place:
        """Where it is and how large, as a guess for another reading."""
        return self.x_px, self.y_px, self.diameter_px

    def sighting(self, time_s: float, *, at_rest: bool) -> BallSighting:
        """Take the reading for a ball seen at a time."""
        return BallSighting(
            time_s,
            self.x_px,
            self.y_px,
            self.diameter_px,
            self.sigma_px,
            self.diameter_sigma_px,
            at_rest,
            self.ball_score,
        )


@dataclass(frozen=True, slots=True)
class Window:
    """A square of native pixels; even numbers, so that the chroma planes share it."""

    x0: int
    y0: int
    side: int


def window_round(x_px: float, y_px: float, diameter_px: float) -> Window:
    """Return the window that is laid round a guessed ball."""
    side = 2 * max(4, round(SPAN_DIAMETERS * diameter_px / 2))
    x0, y0 = (2 * round((at + 0.5 - side / 2) / 2) for at in (x_px, y_px))
    return Window(x0, y0, side)


def look_through(window: Window, now: Planes, settled: Planes) -> U8:
    """Cut a window out of two pictures and bring it to the network's size.

    Parameters
    ----------
    window : may reach over the edge, where the picture's border is repeated.
    now, settled : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2).

    Returns
    -------
    (6, SIDE, SIDE) uint8: luma, u, v now, then settled.
    """
    half = Window(window.x0 // 2, window.y0 // 2, window.side // 2)
    return np.stack(
        [
            _resized(_cut(plane, window if k == 0 else half))
            for planes in (now, settled)
            for k, plane in enumerate(planes)
        ]
    )


def _cut(plane: U8, window: Window) -> U8:
    height, width = plane.shape
    x0, y0, x1, y1 = window.x0, window.y0, window.x0 + window.side, window.y0 + window.side
    if x0 >= 0 and y0 >= 0 and x1 <= width and y1 <= height:
        return plane[y0:y1, x0:x1]
    rows = np.clip(np.arange(y0, y1), 0, height - 1)
    columns = np.clip(np.arange(x0, x1), 0, width - 1)
    return plane[np.ix_(rows, columns)]


def _resized(plane: U8) -> U8:
    how = cv2.INTER_AREA if plane.shape[0] > SIDE else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, (SIDE, SIDE), interpolation=how), np.uint8)


def gauge_balls(now: Planes, settled: Planes, guesses: Sequence[Place]) -> list[Reading]:
    """Read the gauge at some places of one picture.

    Parameters
    ----------
    now, settled : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2).
    guesses : (x, y, diameter) native pixels; the ball may be half or twice that large.

    Returns
    -------
    One reading for each guess; two guesses may find the same ball.
    """
    if not guesses:
        return []
    readings = _read(now, settled, guesses)
    again = [k for k, r in enumerate(readings) if r.ball_score >= LOOK_AGAIN_AT]
    if again:
        found = [readings[k].place for k in again]
        for k, reading in zip(again, _read(now, settled, found), strict=True):
            readings[k] = reading
    return readings


def apart_diameters(a: Place, b: Place) -> float:
    """Distance between two discs' middles, in diameters of the larger."""
    return float(np.hypot(a[0] - b[0], a[1] - b[1]) / max(a[2], b[2]))


def distinct(readings: Sequence[Reading], least: float) -> list[Reading]:
    """Keep one reading of each ball, the surest, among those of at least some score."""
    kept: list[Reading] = []
    for reading in sorted(readings, key=lambda r: -r.ball_score):
        if reading.ball_score < least:
            break
        if all(apart_diameters(reading.place, k.place) > ONE_BALL_DIAMETERS for k in kept):
            kept.append(reading)
    return kept


def _read(now: Planes, settled: Planes, guesses: Sequence[Place]) -> list[Reading]:
    windows = [window_round(*guess) for guess in guesses]
    crops = np.stack([look_through(window, now, settled) for window in windows])
    return [
        reading_of(row, window) for row, window in zip(run_network(crops), windows, strict=True)
    ]


def reading_of(row: F32, window: Window) -> Reading:
    """Bring one row of the network's answer back into native pixels.

    The row holds the score's logit, then in shares of the window's side: x and y off its middle,
    log diameter, log sigma of x and y, and log sigma of the log diameter.
    """
    logit, off_x, off_y, log_size, log_sigma, log_size_sigma = (float(v) for v in row)
    middle = (window.side - 1) / 2
    diameter_px = float(np.exp(np.clip(log_size, -4.0, 1.0))) * window.side
    return Reading(
        x_px=window.x0 + middle + off_x * window.side,
        y_px=window.y0 + middle + off_y * window.side,
        diameter_px=diameter_px,
        sigma_px=float(np.exp(np.clip(log_sigma, -8.0, 0.0))) * window.side,
        diameter_sigma_px=float(np.exp(np.clip(log_size_sigma, -8.0, 0.0))) * diameter_px,
        ball_score=float(1 / (1 + np.exp(-np.clip(logit, -30.0, 30.0)))),
    )


def run_network(crops: U8) -> F32:
    """Run the network on (N, 6, SIDE, SIDE) windows; (N, 6) as `reading_of` takes them."""
    network = _network()
    network.setInput(crops.astype(np.float32))
    return np.asarray(network.forward(), np.float32)


@cache
def _network() -> cv2.dnn.Net:
    return load_network("ball", "ball_gauge.onnx")
