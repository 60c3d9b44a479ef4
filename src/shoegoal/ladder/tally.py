"""The tally of a set: makes, misses, unsure ones, and how far the number can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from shoegoal.ladder.chances import (
    checked_probabilities,
    longest_row_distribution,
    makes_distribution,
)
from shoegoal.types import Call

DEFAULT_INTERVAL = 0.95


@dataclass(frozen=True, slots=True)
class RowTally:
    """Touches in a row without losing the ball.

    Attributes
    ----------
    losses : times that the ball was lost, by the calls.
    likely_longest : the most likely length of the longest row.
    low_longest, high_longest : shortest interval round it that holds at least the asked
        probability.
    exact_probability : probability that ``likely_longest`` is true.
    """

    losses: int
    likely_longest: int
    low_longest: int
    high_longest: int
    exact_probability: float


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted; of touches, ``makes`` are those that were touches.

    Attributes
    ----------
    makes, misses, unsure : shots by call.
    likely_makes : the most likely number of makes, unsure shots included by their probability.
    low_makes, high_makes : shortest interval around it that holds at least the asked probability.
    interval_probability : what that interval really holds.
    exact_probability : probability that ``likely_makes`` is the true number.
    all_calls_right_probability : probability that each single shot is what it more likely is.
    rows : of touches, how many in a row; None for shots.
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
    rows: RowTally | None = None

    @property
    def shots(self) -> int:
        """Number of shots shown."""
        return self.makes + self.misses + self.unsure

    @property
    def sentence(self) -> str:
        """The tally as a person would say it."""
        if self.rows is not None:
            return self._touch_sentence(self.rows)
        make_word = "make" if self.makes == 1 else "makes"
        miss_word = "miss" if self.misses == 1 else "misses"
        parts = [f"{self.makes} {make_word}, {self.misses} {miss_word}"]
        if self.unsure:
            parts.append(f"{self.unsure} unsure")
        if self.low_makes != self.high_makes:
            likely = f"{self.likely_makes} {'make' if self.likely_makes == 1 else 'makes'}"
            parts.append(f"most likely {likely} ({self.low_makes} to {self.high_makes})")
        return "; ".join(parts)

    def _touch_sentence(self, rows: RowTally) -> str:
        parts = [f"{self.makes} {'touch' if self.makes == 1 else 'touches'}"]
        if self.unsure:
            parts.append(f"{self.unsure} unsure")
        times = "once" if rows.losses == 1 else f"{rows.losses} times"
        parts.append(f"the ball was lost {times}" if rows.losses else "the ball was not lost")
        longest = f"longest row {rows.likely_longest}"
        if rows.low_longest != rows.high_longest:
            longest += f" ({rows.low_longest} to {rows.high_longest})"
        return "; ".join([*parts, longest])


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
    likely, low, high, held = _shortest_interval(distribution, interval)
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


def touch_tally_of(
    calls: Sequence[Call],
    p_real: Sequence[float],
    is_loss: Sequence[bool],
    interval: float = DEFAULT_INTERVAL,
) -> Tally:
    """Count touches, and the longest row of them without losing the ball.

    Parameters
    ----------
    calls, p_real, is_loss : per event, in order of time; a loss that happened has the call make.
    interval : as for `tally_of`.

    Raises
    ------
    ValueError
        As for `tally_of`.
    """
    lost = [bool(loss) for loss in is_loss]
    if not len(calls) == len(p_real) == len(lost):
        raise ValueError(f"{len(calls)} calls, {len(p_real)} probabilities, {len(lost)} losses")
    touched = [place for place, loss in enumerate(lost) if not loss]
    tally = tally_of([calls[k] for k in touched], [p_real[k] for k in touched], interval)
    longest = longest_row_distribution(p_real, lost).tolist()
    likely, low, high, _ = _shortest_interval(longest, interval)
    losses = sum(call is Call.MAKE for call, loss in zip(calls, lost, strict=True) if loss)
    return replace(tally, rows=RowTally(losses, likely, low, high, longest[likely]))


def _shortest_interval(
    distribution: Sequence[float], interval: float
) -> tuple[int, int, int, float]:
    """Most likely number, lower and upper end of an interval round it, and what that holds."""
    last = len(distribution) - 1
    likely = max(range(last + 1), key=distribution.__getitem__)
    low = high = likely
    held = distribution[likely]
    # A Poisson-binomial has one peak, so growing towards the higher side gives the shortest one.
    while held < interval - 1e-12 and (low > 0 or high < last):
        below = distribution[low - 1] if low > 0 else -1.0
        above = distribution[high + 1] if high < last else -1.0
        if above >= below:
            high += 1
            held += above
        else:
            low -= 1
            held += below
    return likely, low, high, held
