"""The tally of a set: makes, misses, unsure ones, and how far the number can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.ladder.chances import NO_SHOT, CountedSet, Floats, longest_row_distribution
from shoegoal.ladder.rules import TouchesInARow
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
    makes, misses, unsure : by call, the events that count if all are what they more likely are:
        a shot, or none.
    likely_makes : the most likely number of makes among the shots that count, unsure ones included
        by their probability.
    low_makes, high_makes : shortest interval around it that holds at least the asked probability.
    interval_probability : what that interval really holds.
    exact_probability : probability that ``likely_makes`` is the true number.
    all_calls_right_probability : probability that each single event is what it most likely is: no
        shot, a miss or a make.
    rows : of touches, how many in a row; None for shots.
    maybe_shots : unsure events beside these, each more likely no shot, that would count as one.
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
    maybe_shots: int = 0

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
        if self.maybe_shots:
            parts.append(f"{self.maybe_shots} more may be a shot")
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
    counted: CountedSet, calls: Sequence[Call], interval: float = DEFAULT_INTERVAL
) -> Tally:
    """Count the calls and say what the probabilities make of them.

    Parameters
    ----------
    counted : the set as its rule counts it.
    calls : one per event; a loss of the ball that happened has the call make.
    interval : least probability of the interval for the number of makes, above 0 and up to 1.

    Raises
    ------
    ValueError
        Lengths differ, or the interval is out of range.
    """
    if len(calls) != len(counted.odds):
        raise ValueError(f"{len(calls)} calls for {len(counted.odds)} events")
    if not 0.0 < interval <= 1.0:
        raise ValueError(f"interval is {interval}; it must lie above 0 and up to 1")
    makes = counted.number_of_makes()
    likely, low, high, held = shortest_interval(makes, interval)
    within = [event for event in counted.within_count if not counted.is_loss[event]]
    told = [calls[event] for event in within if counted.p_shot[event] >= 0.5]
    maybe = [calls[event] for event in within if 0.0 < counted.p_shot[event] < 0.5]
    return Tally(
        makes=told.count(Call.MAKE),
        misses=told.count(Call.MISS),
        unsure=told.count(Call.UNSURE),
        likely_makes=likely,
        low_makes=low,
        high_makes=high,
        interval_probability=min(1.0, held),
        exact_probability=float(makes[likely]),
        all_calls_right_probability=float(np.prod(counted.odds[within].max(axis=1))),
        rows=_rows_of(counted, calls, interval),
        maybe_shots=maybe.count(Call.UNSURE),
    )


def _rows_of(counted: CountedSet, calls: Sequence[Call], interval: float) -> RowTally | None:
    if not isinstance(counted.rule, TouchesInARow):
        return None
    lost = [call is Call.MAKE for call, loss in zip(calls, counted.is_loss, strict=True) if loss]
    real = counted.odds[:, NO_SHOT + 1 :].sum(axis=1).tolist()
    longest = longest_row_distribution(real, counted.is_loss)
    likely, low, high, _ = shortest_interval(longest, interval)
    return RowTally(sum(lost), likely, low, high, float(longest[likely]))


def shortest_interval(distribution: Floats, interval: float) -> tuple[int, int, int, float]:
    """Most likely number, lower and upper end of an interval round it, and what that holds.

    Where a doubtful event moves all that counts, a distribution may have more than one peak.
    """
    likely = int(np.argmax(distribution))
    below = np.concatenate([[0.0], np.cumsum(distribution)])
    low = np.arange(likely + 1)
    beyond = np.maximum(np.searchsorted(below, below[low] + interval - 1e-12), likely + 1)
    width = beyond - low  # one too wide for any number where the interval is not reached
    held = below[np.minimum(beyond, len(distribution))] - below[low]
    width[beyond > len(distribution)] = len(below)
    best = int(np.lexsort((-held, width))[0])
    return likely, best, int(beyond[best]) - 1, float(held[best])
