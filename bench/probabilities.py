"""How far probabilities and intervals keep what they promise; plain Python, no library."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Chance = tuple[float, bool]


def brier_score(chances: Sequence[Chance]) -> float:
    """Mean squared difference between P and what happened (0 or 1).

    Notes
    -----
    G. W. Brier, Monthly Weather Review 78 (1950), sums over all classes; for two classes that is
    twice the figure used here and everywhere since.
    """
    return sum((p - y) ** 2 for p, y in chances) / len(chances)


@dataclass(frozen=True, slots=True)
class Bin:
    """Shots whose P lies in [low, high): how many, their mean P, and the share that were makes."""

    low: float
    high: float
    count: int
    mean_p: float
    share: float


def reliability(chances: Sequence[Chance], bins: int = 10) -> list[Bin]:
    """Bins of equal width over 0..1 that hold anything; P = 1 falls into the last."""
    out = []
    for k in range(bins):
        inside = [(p, y) for p, y in chances if min(bins - 1, math.floor(p * bins)) == k]
        if inside:
            n = len(inside)
            mean_p = sum(p for p, _ in inside) / n
            out.append(Bin(k / bins, (k + 1) / bins, n, mean_p, sum(y for _, y in inside) / n))
    return out


def expected_calibration_error(chances: Sequence[Chance], bins: int = 10) -> float:
    """Mean gap between P and share over the bins, by how much they hold.

    Notes
    -----
    Naeini, Cooper, Hauskrecht, AAAI 2015; Guo, Pleiss, Sun, Weinberger, ICML 2017, eq. 3.
    """
    rows = reliability(chances, bins)
    return sum(b.count * abs(b.mean_p - b.share) for b in rows) / len(chances)


def coverage(errors_in_sigmas: Sequence[float], sigmas: float) -> float:
    """Share of errors no larger than so many standard deviations."""
    return sum(abs(e) <= sigmas for e in errors_in_sigmas) / len(errors_in_sigmas)
