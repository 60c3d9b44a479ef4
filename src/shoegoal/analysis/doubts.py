"""Where a shot may be hidden in a clip: at its breaks, and in oddly long gaps between shots."""

from __future__ import annotations

from collections.abc import Sequence

from shoegoal.analysis.interruptions import hidden_times
from shoegoal.analysis.lulls import lull_times
from shoegoal.clip.take import Break
from shoegoal.ladder.rules import StageRule, TouchesInARow
from shoegoal.ladder.verdict import HiddenTime
from shoegoal.types import Shot

WANDER_S = 0.3  # kick times, where gaps begin and end, wander when a set is worked out anew


def doubtful_times(
    rule: StageRule,
    shots: Sequence[Shot],
    breaks: Sequence[Break],
    start_s: float,
    end_s: float,
    *,
    retaken_s: Sequence[float] = (),
    looked_s: Sequence[tuple[float, float]] = (),
    counted_doubts: Sequence[HiddenTime] = (),
) -> list[HiddenTime]:
    """List what a count, a recount and a review alike have to leave to a person.

    Parameters
    ----------
    rule, shots : of the set; shots in order of time, those that count alone.
    breaks : of the clip.
    start_s, end_s : presentation times of the clip's first and last picture.
    retaken_s : times of kicks that do not count.
    looked_s : stretches that a person has looked through, from and until.
    counted_doubts : that the count itself found, for instance where a view hardly shows touches.

    Returns
    -------
    In order of time, without those that lie within what was looked through.
    """
    doubts = hidden_times(rule, breaks, start_s)
    doubts += counted_doubts
    if not isinstance(rule, TouchesInARow):  # between two rows, a pupil may take any time
        doubts += lull_times(rule, shots, start_s, end_s, retaken_s)
    left = [one for one in doubts if not _covered(one, sorted(looked_s))]
    return sorted(left, key=lambda one: (one.time_s, one.until_s))


def _covered(doubt: HiddenTime, looked_s: Sequence[tuple[float, float]]) -> bool:
    """Whether stretches, in order of time, leave nothing of a doubt out but its very ends."""
    spare_s = min(WANDER_S, (doubt.until_s - doubt.time_s) / 2)
    reached_s, inside = doubt.time_s + spare_s, False
    for from_s, until_s in looked_s:
        if from_s <= reached_s <= until_s:
            reached_s, inside = until_s, True
    return inside and reached_s >= doubt.until_s - spare_s
