"""The tally of a set: makes, misses, unsure ones, and how far the number can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shoegoal.ladder.chances import checked_probabilities, makes_distribution
from shoegoal.types import Call

DEFAULT_INTERVAL = 0.95


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted.

    Attributes
    ----------
    makes, misses, unsure : shots by call.
    likely_makes : the most likely number of makes, unsure shots included by their probability.
    low_makes, high_makes : shortest interval around it that holds at least the asked probability.
    interval_probability : what that interval really holds.
    exact_probability : probability that ``likely_makes`` is the true number.
    all_calls_right_probability : probability that each single shot is what it more likely is.
    """

    makes: int
    misses: int
    unsure: int
    likely_makes: int
    low_makes: int
    high_makes: int
    interval_probability: float
    exact_probability: float
    all_calls_right_probability: float

    @property
    def shots(self) -> int:
        """Number of shots shown."""
        return self.makes + self.misses + self.unsure

    @property
    def sentence(self) -> str:
        """The tally as a person would say it."""
        make_word = "make" if self.makes == 1 else "makes"
        miss_word = "miss" if self.misses == 1 else "misses"
        parts = [f"{self.makes} {make_word}, {self.misses} {miss_word}"]
        if self.unsure:
            parts.append(f"{self.unsure} unsure")
        if self.low_makes != self.high_makes:
            parts.append(
                f"most likely {self.likely_makes} makes ({self.low_makes} to {self.high_makes})",
            )
        return "; ".join(parts)


def tally_of(
    calls: Sequence[Call],
    p_make: Sequence[float],
    interval: float = DEFAULT_INTERVAL,
) -> Tally:
    """Count the calls and say what the probabilities make of them.

    Parameters
    ----------
    calls, p_make : call and P(make) per shot.
    interval : least probability of the interval for the number of makes, above 0 and up to 1.

    Raises
    ------
    ValueError
        Lengths differ, a probability or the interval is out of range.
    """
    p = checked_probabilities(p_make)
    if len(calls) != len(p):
        raise ValueError(f"{len(calls)} calls for {len(p)} probabilities")
    if not 0.0 < interval <= 1.0:
        raise ValueError(f"interval is {interval}; it must lie above 0 and up to 1")
    distribution = makes_distribution(p).tolist()
    likely = max(range(len(distribution)), key=distribution.__getitem__)
    low = high = likely
    held = distribution[likely]
    # A Poisson-binomial has one peak, so growing towards the higher side gives the shortest one.
    while held < interval - 1e-12 and (low > 0 or high < len(p)):
        below = distribution[low - 1] if low > 0 else -1.0
        above = distribution[high + 1] if high < len(p) else -1.0
        if above >= below:
            high += 1
            held += above
        else:
            low -= 1
            held += below
    return Tally(
        makes=sum(call is Call.MAKE for call in calls),
        misses=sum(call is Call.MISS for call in calls),
        unsure=sum(call is Call.UNSURE for call in calls),
        likely_makes=likely,
        low_makes=low,
        high_makes=high,
        interval_probability=min(1.0, held),
        exact_probability=distribution[likely],
        all_calls_right_probability=math.prod(max(value, 1.0 - value) for value in p),
    )
