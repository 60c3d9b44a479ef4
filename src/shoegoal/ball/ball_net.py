"""The ball network: a small network that says whether a ball is there, and measures it.

It sees a window of the picture beside the same window of the background model, so it can use both
the look of a ball and what has changed. It was trained on drawn clips and on
photographs under free licences (``training/``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from shoegoal.clip.reduced import Halvings, Window
from shoegoal.networks import Network, load_network
from shoegoal.types import Detection

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Place = tuple[float, float, float]  # x, y, diameter of a disc, native px

SIDE = 48  # of the window that the network sees, in its own pixels
SPAN_DIAMETERS = 2.6  # side of the window in diameters of the guess
ONE_BALL_DIAMETERS = 0.6  # two detections no further apart are of one ball
SAME_WINDOW_DIAMETERS = 0.1  # a tenth of the offsets that the network was trained with (`training`)
LOOK_AGAIN_AT = 0.2  # least score for a second look, in a window centred on what was found


def window_round(x_px: float, y_px: float, diameter_px: float) -> Window:
    """Return the window round a guessed ball."""
    wanted = SPAN_DIAMETERS * diameter_px
    halvings = max(0, int(np.log2(max(wanted, SIDE) / SIDE)))
    step = max(2, 1 << halvings)
    side = max(8, step * round(wanted / step))
    x0, y0 = (step * round((at + 0.5 - side / 2) / step) for at in (x_px, y_px))
    return Window(x0, y0, side, halvings)


def look_through(windows: Sequence[Window], now: Halvings, settled: Halvings) -> U8:
    """Cut windows out of two pictures and bring them to the network's size.

    Parameters
    ----------
    windows : may reach over the edge, where the picture's border is repeated.
    now, settled : what is seen, and the yard without what moves.

    Returns
    -------
    (N, 6, SIDE, SIDE) uint8: luma, u, v now, then settled.
    """
    crops: U8 = np.empty((len(windows), 2, 3, SIDE, SIDE), np.uint8)
    for crop, window in zip(crops, windows, strict=True):
        crop[0], crop[1] = now.window(window, SIDE), settled.window(window, SIDE)
    return crops.reshape(-1, 6, SIDE, SIDE)


def measure_balls(
    now: Halvings,
    settled: Halvings,
    guesses: Sequence[Place],
    time_s: float,
    *,
    at_rest: bool = False,
) -> list[Detection]:
    """Measure at some places of one picture.

    Parameters
    ----------
    now, settled : what is seen, and the yard without what moves.
    guesses : (x, y, diameter) native pixels; the ball may be half or twice that large.
    time_s, at_rest : when it is seen, and whether it lies still; copied into the result.

    Returns
    -------
    One detection for each guess, however low its score; two guesses may find the same ball.
    """
    if not guesses:
        return []
    found = _read(now, settled, guesses, time_s, at_rest)
    again: dict[int, int] = {}  # guess to place
    places: list[Place] = []
    for k, (one, guess) in enumerate(zip(found, guesses, strict=True)):
        if one.ball_score >= LOOK_AGAIN_AT and not _is_one_window(one.place, guess):
            again[k] = next(
                (n for n, other in enumerate(places) if _is_one_window(one.place, other)),
                len(places),
            )
            places += [one.place] * (again[k] == len(places))
    better = _read(now, settled, places, time_s, at_rest) if places else []
    return [better[again[k]] if k in again else one for k, one in enumerate(found)]


def _is_one_window(a: Place, b: Place) -> bool:
    """Whether windows round two places show practically the same."""
    log_size = abs(math.log(a[2] / b[2]))
    return log_size <= SAME_WINDOW_DIAMETERS and apart_diameters(a, b) <= SAME_WINDOW_DIAMETERS


def apart_diameters(a: Place, b: Place) -> float:
    """Distance between two discs' middles, in diameters of the larger."""
    return math.hypot(a[0] - b[0], a[1] - b[1]) / max(a[2], b[2])


def distinct(found: Sequence[Detection], least: float) -> list[Detection]:
    """Keep one detection of each ball, the surest, among those of at least some score."""
    kept: list[Detection] = []
    for one in sorted(found, key=lambda d: -d.ball_score):
        if one.ball_score < least:
            break
        if all(apart_diameters(one.place, k.place) > ONE_BALL_DIAMETERS for k in kept):
            kept.append(one)
    return kept


def _read(
    now: Halvings, settled: Halvings, guesses: Sequence[Place], time_s: float, at_rest: bool
) -> list[Detection]:
    windows = [window_round(*guess) for guess in guesses]
    rows = measures_of(run_network(look_through(windows, now, settled)), windows)
    return [
        Detection(time_s, x, y, size, sigma, size_sigma, at_rest, score)
        for x, y, size, sigma, size_sigma, score in rows.tolist()
    ]


def measures_of(answers: F32, windows: Sequence[Window]) -> F64:
    """Bring the network's answers back into native pixels.

    Parameters
    ----------
    answers : (N, 6): the score's logit, then in shares of the window's side: x and y off its
        middle, log diameter, log sigma of x and y, and log sigma of the log diameter.
    windows : N of them.

    Returns
    -------
    (N, 6): x, y, diameter, sigma of x and y, sigma of the diameter, all px, and the score.
    """
    logit, off_x, off_y, log_size, log_sigma, log_size_sigma = answers.astype(np.float64).T
    x0, y0, side = np.array([(w.x0, w.y0, w.side) for w in windows], np.float64).T
    middle = (side - 1) / 2
    diameter_px = np.exp(np.clip(log_size, -4.0, 1.0)) * side
    columns = (
        x0 + middle + off_x * side,
        y0 + middle + off_y * side,
        diameter_px,
        np.exp(np.clip(log_sigma, -8.0, 0.0)) * side,
        np.exp(np.clip(log_size_sigma, -8.0, 0.0)) * diameter_px,
        1 / (1 + np.exp(-np.clip(logit, -30.0, 30.0))),
    )
    return np.stack(columns, axis=1)


def run_network(crops: U8) -> F32:
    """Run the network on (N, 6, SIDE, SIDE) windows; (N, 6) as `measures_of` takes them."""
    return _network().run(crops.astype(np.float32))[0]


@cache
def _network() -> Network:
    return load_network("ball", "ball_gauge.onnx")
