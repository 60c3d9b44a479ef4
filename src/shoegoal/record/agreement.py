"""How far two judges agree, and how surely that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

CONFIDENCE = 0.95
MOST_CHECKS = 1_000_000


def wilson_interval(hits: int, of: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval for a share (Wilson 1927, without correction for continuity).

    Parameters
    ----------
    hits, of : counted among how many; 0..1 is all that is known of none.
    confidence : of the interval.

    Raises
    ------
    ValueError
        More hits than checks, or a number below 0.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"{hits} of {of} is no share")
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share = hits / of
    scale = 1 + z * z / of
    middle = (share + z * z / (2 * of)) / scale
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / scale
    return max(0.0, middle - half), min(1.0, middle + half)


def cohens_kappa(table: Sequence[Sequence[int]]) -> float | None:
    """Agreement of two judges beyond chance (Cohen 1960).

    Parameters
    ----------
    table : (K, K) counts, rows one judge's answers, columns the other's, in the same order.

    Returns
    -------
    Kappa, or None where both gave one and the same answer throughout, which leaves it undefined.
    """
    total = sum(map(sum, table))
    if total == 0:
        return None
    rows = [sum(row) / total for row in table]
    columns = [sum(column) / total for column in zip(*table, strict=True)]
    agreed = sum(table[i][i] for i in range(len(table))) / total
    by_chance: float = sum(row * column for row, column in zip(rows, columns, strict=True))
    if by_chance >= 1.0:
        return None
    return (agreed - by_chance) / (1 - by_chance)


def checks_missing(hits: int, of: int, width: float, confidence: float = CONFIDENCE) -> int:
    """How many more checks make the interval no wider than wanted, if the share stays as it is.

    Parameters
    ----------
    hits, of : checked so far; with none, the share that needs most is taken, a half.
    width : wanted, from the interval's lower to its upper end; above 0.
    confidence : of the interval.

    Raises
    ------
    ValueError
        The width is not above 0, or takes more than a million checks.
    """
    share = hits / of if of else 0.5

    def wide_enough(checks: int) -> bool:
        low, high = wilson_interval(round(share * checks), checks, confidence)
        return high - low <= width

    if width <= 0 or not wide_enough(MOST_CHECKS):
        raise ValueError(f"an interval {width} wide takes more than {MOST_CHECKS} checks")
    low, high = of, MOST_CHECKS
    if of and wide_enough(of):
        return 0
    # Rounding the hits makes the width wobble by a hair: bisect, then step up to the first.
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if wide_enough(middle) else (middle, high)
    return high - of
