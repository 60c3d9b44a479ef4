"""How good the ball network is on photographs kept apart.

`python -m training.ball.photographs_measured DIR` prints it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from shoegoal.ball.ball_net import Place, apart_diameters, measure_balls, run_network
from shoegoal.ball.lying import MOST_SPOTS, RADII, SURELY, find_lying
from shoegoal.clip.reduced import SMALL_LONG_SIDE_PX, Halvings
from training.ball.photographs import Photograph, anywhere, other_windows, pictures

GUESSES = 6  # of each ball
FOUND_WITHIN = 0.35  # diameters
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figures:
    """What was measured; shares are 0..1.

    Attributes
    ----------
    windows, over_half, over_most : windows round what is no ball, and the shares scored over 0.5
        and 0.8.
    empty, with_ball_shown : pictures without a ball, and those of them where one is found lying.
    balls : how many balls were looked for.
    moving, lying, at_start : shares of them found: before a background model without them, before
        one with them, and all over the picture, as at a clip's start.
    off : median distance of the found ones' middles from the label, diameters.
    size : median of their size over the label's.
    """

    windows: int
    over_half: float
    over_most: float
    empty: int
    with_ball_shown: int
    balls: int
    moving: float
    lying: float
    at_start: float
    off: float
    size: float

    def table(self) -> str:
        """As Markdown."""
        rows = (
            ("windows without a ball", f"{self.windows}"),
            ("scored over 0.5 / 0.8", f"{self.over_half:.2%} / {self.over_most:.2%}"),
            ("pictures without a ball that show one", f"{self.with_ball_shown} of {self.empty}"),
            ("balls", f"{self.balls}"),
            ("found moving / lying", f"{self.moving:.1%} / {self.lying:.1%}"),
            ("found all over the picture", f"{self.at_start:.1%}"),
            ("centre off, diameters (median)", f"{self.off:.3f}"),
            ("size over the label's (median)", f"{self.size:.3f}"),
        )
        return "\n".join(f"| {name} | {value} |" for name, value in rows)


def measure(folder: Path, *, few: bool = False) -> Figures:
    """Measure on all pictures of a folder that are kept apart, by `few` windows or all."""
    rng = np.random.default_rng(5)
    logits: list[F64] = []
    found: list[tuple[float, float]] = []
    at_start: list[bool] = []
    near: list[tuple[float, float]] = []
    empty = shown = 0
    for path in pictures(folder, apart=True):
        photo = Photograph.read(path)
        logits.append(_other_logits(photo, rng, few=few))
        lying = _lying(photo)
        if not photo.balls:
            empty += 1
            shown += bool(lying)
        settled = photo.emptied(rng)
        for ball in photo.balls:
            if ball.sight == "doubtful":
                continue
            guesses = _guesses(ball.place, rng)
            shares = []
            for behind in (settled, photo.now):
                hits = _hits(photo, behind, guesses, ball.place)
                shares.append(len(hits) / GUESSES)
                if ball.sight == "ball":
                    near += hits
            found.append((shares[0], shares[1]))
            at_start.append(any(apart_diameters(p, ball.place) < FOUND_WITHIN for p in lying))
    scores = 1 / (1 + np.exp(-np.concatenate(logits)))
    moving, resting = np.mean(found, axis=0)
    off, size = np.median(near, axis=0)
    return Figures(
        len(scores),
        float(np.mean(scores > 0.5)),
        float(np.mean(scores > 0.8)),
        empty,
        shown,
        len(found),
        float(moving),
        float(resting),
        float(np.mean(at_start)),
        float(off),
        float(size),
    )


def _lying(photo: Photograph) -> list[Place]:
    scale = min(1.0, SMALL_LONG_SIDE_PX / max(photo.size))
    small = photo.now.at(1) if scale <= 0.5 else photo.now.planes
    return [r.place for r in find_lying(photo.now, small, scale, 0.0) if r.ball_score >= SURELY]


def _other_logits(photo: Photograph, rng: np.random.Generator, *, few: bool) -> F64:
    each = MOST_SPOTS // (6 if few else 3)
    places = [*photo.spots(RADII, each), *anywhere(photo, rng, each)]
    places = [p for p in places if not photo.near(p)]
    crops = np.array([crop for pair in other_windows(photo, places, rng) for crop in pair])
    return run_network(crops)[:, 0].astype(np.float64)


def _guesses(place: Place, rng: np.random.Generator) -> list[Place]:
    """As far off as what moves, or a round spot, is from the ball that it is."""
    x, y, size = place
    return [
        (x + size * dx, y + size * dy, size * float(np.exp(grow)))
        for dx, dy, grow in rng.normal(0, (0.08, 0.08, 0.12), (GUESSES, 3))
    ]


def _hits(
    photo: Photograph, behind: Halvings, guesses: list[Place], place: Place
) -> list[tuple[float, float]]:
    """Distance and size, in the ball's diameters, of the detections that found it."""
    x, y, size = place
    return [
        (float(np.hypot(r.x_px - x, r.y_px - y)) / size, r.diameter_px / size)
        for r in measure_balls(photo.now, behind, guesses, 0.0)
        if r.ball_score > 0.5 and apart_diameters(r.place, place) < FOUND_WITHIN
    ]


if __name__ == "__main__":
    print(measure(Path(sys.argv[1])).table())
