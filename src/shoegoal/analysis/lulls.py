"""Stretches of a set in which no shot was found for oddly long: one may have been missed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from shoegoal.clip.clock import clock_text
from shoegoal.ladder.rules import MakesInARow, MakesOfShots, StageRule
from shoegoal.ladder.verdict import HiddenTime
from shoegoal.types import Shot

# A pupil's own rhythm tells best. Fetching a ball takes 5 to 30 s: common practice, no source.
LONG_FACTOR = 1.8
LONG_S = 40.0
ENOUGH_GAPS = 3
LIKELY = 0.5  # chance of a shot from which on it fills a gap


def lull_times(
    rule: StageRule,
    shots: Sequence[Shot],
    start_s: float,
    end_s: float,
    retaken_s: Sequence[float] = (),
) -> list[HiddenTime]:
    """List the times after which a shot may have been missed.

    A set that shows as many shots as its rule asks for has no gap to fill.

    Parameters
    ----------
    shots : in order of time.
    start_s, end_s : presentation times of the clip's first and last picture.
    retaken_s : times of kicks that do not count but took their time, too.
    """
    asked = rule.shots if isinstance(rule, MakesOfShots | MakesInARow) else None
    likely = [shot for shot in shots if shot.p_shot >= LIKELY]
    if asked is not None and len(likely) >= asked:
        return []
    kicked_s = sorted([*(shot.kick_time_s for shot in likely), *retaken_s])
    gaps_s = [later - earlier for earlier, later in pairwise(kicked_s)]
    long_s = LONG_FACTOR * median(gaps_s) if len(gaps_s) >= ENOUGH_GAPS else LONG_S
    return [
        HiddenTime(
            earlier,
            later,
            f"no shot was found from {clock_text(earlier - start_s)} to "
            f"{clock_text(later - start_s)}",
        )
        for earlier, later in pairwise([start_s, *kicked_s, end_s])
        if later - earlier > long_s
    ]
