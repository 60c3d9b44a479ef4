"""What to say of a whole set: what went well first, then at most two things to try."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shoegoal.cues.bands import load_bands
from shoegoal.cues.reading import Answer, Reading

MOST_TO_TRY = 2
LEAST_SHARE = 0.5  # of the kicks in which a cue was told must say the same; no source


@dataclass(frozen=True, slots=True)
class Advice:
    """A set in a few words.

    Attributes
    ----------
    went_well : what was in its band most often, first; empty where nothing was told so.
    to_try : at most `MOST_TO_TRY` things, the one seen most often first.
    """

    went_well: tuple[str, ...]
    to_try: tuple[str, ...]


def advise(kicks: Sequence[Sequence[Reading]]) -> Advice:
    """Sum up a set.

    Parameters
    ----------
    kicks : the readings of each kick.

    Returns
    -------
    A cue is named where at least two kicks, and half of those in which it was told, agree; of a
    single kick it is named as it is. Whether that was seen, and how often, is said with it.
    """
    least = min(2, len(kicks))
    well: list[tuple[float, str]] = []
    attempts: list[tuple[int, str]] = []
    for cue, band in load_bands().items():
        told = [
            reading
            for kick in kicks
            for reading in kick
            if reading.cue == cue and reading.answer is not Answer.CANNOT_TELL
        ]
        inside = [r for r in told if r.answer is Answer.IN_BAND]
        below = [r for r in told if r.answer is Answer.LOOK and r.lies_below]
        above = [r for r in told if r.answer is Answer.LOOK and not r.lies_below]
        enough = max(least, LEAST_SHARE * len(told))
        if len(inside) >= enough and len(inside) > len(told) / 2:
            words = f"{band.well[0].upper()}{band.well[1:]}"
            well.append((len(inside) / len(told), f"{words} ({_seen(inside, told)})."))
        for side, words in ((below, band.try_below), (above, band.try_above)):
            if side and len(side) >= enough:
                attempts.append((len(side), f"{words} (Seen in {_seen(side, told)}.)"))
    well.sort(key=lambda one: -one[0])
    attempts.sort(key=lambda one: -one[0])
    return Advice(
        tuple(words for _, words in well), tuple(words for _, words in attempts[:MOST_TO_TRY])
    )


def _seen(those: Sequence[Reading], told: Sequence[Reading]) -> str:
    return f"{len(those)} of {len(told)} kick{'s' if len(told) > 1 else ''} that show it"
