"""The learnt numbers of the story; their file says what they were learnt on.

``python -m training.story`` learns them from development yards by maximum likelihood.
"""

from __future__ import annotations

import json
from bisect import bisect
from dataclasses import asdict, dataclass
from functools import cache
from importlib.resources import files
from math import comb, exp
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import betaln

F64 = npt.NDArray[np.float64]
CALIBRATIONS = ("shot_calibration", "make_calibration")
CALIBRATION_PARTS = ("edges", "checked", "came_true")


@dataclass(frozen=True, slots=True)
class Calibration:
    """How often what was given a probability came true, counted in classes of probability.

    Attributes
    ----------
    edges : between the classes, rising; one less than there are classes.
    checked, came_true : counts in each class.
    """

    edges: tuple[float, ...] = ()
    checked: tuple[int, ...] = ()
    came_true: tuple[int, ...] = ()

    def of(self, p: float) -> float:
        """Return a probability as calibrated: the mean of Beta(k + 1/2, n - k + 1/2).

        No class comes nearer to 0 or 1 than its counts allow (Jeffreys' prior). Between a class's
        edges the order of the probabilities is kept only by class. Without counts, p itself.
        """
        if not self.checked:
            return p
        k = bisect(self.edges, p)
        return (self.came_true[k] + 0.5) / (self.checked[k] + 1)

    def bound(self, p: float) -> float:
        """Return a probability, no nearer to 0 or 1 than its calibration allows."""
        return min(p, self.of(p)) if p >= 0.5 else max(p, self.of(p))


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """Everything learnt.

    Attributes
    ----------
    ball : log odds that a segment is a ball's, by `shoegoal.shots.segments.ball_features`.
    link : the odds of what may lie between two segments; see `shoegoal.shots.rebounds`.
    shot : log odds that a run is a shot, by `shoegoal.shots.events.shot_features`.
    unseen : the same for a ball that left its place and was not seen again.
    shot_calibration, make_calibration : of P(shot) and P(make).
    missed : alpha and beta of the distribution from which each set's share of shots comes of which
        nothing is shown. Where the kicker hides one shot, others are often hidden, too.
    """

    ball: F64
    link: F64
    shot: F64
    unseen: F64
    shot_calibration: Calibration = Calibration()
    make_calibration: Calibration = Calibration()
    missed: tuple[float, float] = (0.5, 0.5)

    def as_json(self) -> dict[str, Any]:
        """Plain lists."""
        plain: dict[str, Any] = {
            name: [round(float(v), 4) for v in getattr(self, name)]
            for name in ("ball", "link", "shot", "unseen")
        }
        for name in CALIBRATIONS:
            plain[name] = asdict(getattr(self, name))
        plain["missed"] = [round(v, 3) for v in self.missed]
        return plain

    def odds_missed(self, shown: int, missed: int) -> float:
        """Odds that a set holds so many shots more than are shown, against that it holds none.

        All numbers of shots are taken as equally likely beforehand; each set's share of missed
        shots is of a beta distribution, narrowed by the shots that are shown.
        """
        alpha, beta = self.missed
        share = betaln(alpha + missed, beta + shown) - betaln(alpha, beta + shown)
        return comb(shown + missed, missed) * exp(share)


@cache
def shipped_weights() -> Weights:
    """Return the weights that come with the package."""
    text = (files("shoegoal.shots") / "weights.json").read_text(encoding="utf-8")
    table = json.loads(text)["weights"]

    def calibration(name: str) -> Calibration:
        return Calibration(*(tuple(table[name][part]) for part in CALIBRATION_PARTS))

    ball, link, shot, unseen = (np.array(table[n]) for n in ("ball", "link", "shot", "unseen"))
    shots, makes = (calibration(name) for name in CALIBRATIONS)
    alpha, beta = table["missed"]
    return Weights(ball, link, shot, unseen, shots, makes, (alpha, beta))
