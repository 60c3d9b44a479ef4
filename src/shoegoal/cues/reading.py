"""From a measured number to what may be said of it: in band, look, or can't tell from here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

from shoegoal.cues.bands import Band, MeasuredError
from shoegoal.cues.space import View

F64 = npt.NDArray[np.float64]

# Now and then the pose model loses a leg, so errors have wider tails than the normal distribution:
# Student's t of so many degrees of freedom. A sigma is half the width that holds 68 of 100.
FREEDOM = 4.0
SIGMA_WIDTH = float(stdtrit(FREEDOM, 0.8413))


class Answer(StrEnum):
    """What is said of one cue; never a grade."""

    IN_BAND = "in band"
    LOOK = "look"
    CANNOT_TELL = "can't tell from here"


@dataclass(frozen=True, slots=True)
class Measurement:
    """A cue's number as one method gave it, before anything is known of that method's error.

    Attributes
    ----------
    cue : key of the cue in the bands' file.
    method : how it was worked out, as the file of errors calls it.
    value : in the cue's unit.
    sigma : its own spread over the pictures, same unit; 0 where it rests on one moment.
    """

    cue: str
    method: str
    value: float
    sigma: float = 0.0


@dataclass(frozen=True, slots=True)
class Reading:
    """What is said of one cue of one kick.

    Attributes
    ----------
    cue, title, unit : which cue.
    value, sigma : with its standard deviation; None where nothing is told from here.
    low, high : the band.
    answer : in band, look, or can't tell.
    sentence : the same in words, with what to film instead where it cannot be told.
    views : from which views the cue can be judged.
    """

    cue: str
    title: str
    unit: str
    value: float | None
    sigma: float | None
    low: float
    high: float
    answer: Answer
    sentence: str
    views: tuple[View, ...]

    @property
    def lies_below(self) -> bool:
        """Whether the value lies nearer to the band's lower end than to its upper one."""
        return self.value is not None and self.value < (self.low + self.high) / 2


def chance_in_band(band: Band, value: npt.ArrayLike, sigma: npt.ArrayLike) -> F64:
    """Probability that the truth lies in the band, of values with their standard deviations."""
    width = np.asarray(sigma, np.float64) / SIGMA_WIDTH
    ends = [stdtr(FREEDOM, (end - np.asarray(value)) / width) for end in band.ends]
    return np.asarray(ends[1] - ends[0], np.float64)


def judge(
    band: Band,
    measurements: Iterable[Measurement],
    view: View,
    errors: Sequence[MeasuredError],
    why_missing: str = "",
) -> Reading:
    """Say what may be said of one cue.

    Parameters
    ----------
    band : the cue's band.
    measurements : of this cue, by any methods.
    view : from where the kick was filmed.
    errors : measured errors of this cue, from all views.
    why_missing : why nothing of the kick could be measured, where that is so.

    Returns
    -------
    The value with gain and bias taken off, and what was measured and what the number knows of its
    own spread as its sigma. It is told only where
    the error from this view was measured and found small enough, and called in or out of the band
    only where that is sure enough.
    """
    known = {error.view: error for error in errors if error.claimed}
    views = tuple(view for view in View if view in known)
    error = known.get(view)
    given = next((m for m in measurements if error and m.method == error.method), None)
    if why_missing:
        return cannot_tell(band, views, why_missing)
    if error is None:
        return cannot_tell(band, views, _film_instead(views))
    if given is None or not np.isfinite([given.value, given.sigma]).all():
        return cannot_tell(band, views, "the body was not seen well enough")
    value, sigma = error.truth(given.value, given.sigma)
    inside = float(chance_in_band(band, value, sigma))
    told = f"{value:.0f} ± {sigma:.0f} {band.unit}"
    span = f"band {band.low:g} to {band.high:g} {band.unit}"
    if inside >= error.sure:
        answer, sentence = Answer.IN_BAND, f"{band.well} ({told}, {span})"
    elif 1 - inside >= error.sure:
        below = value < (band.low + band.high) / 2
        answer = Answer.LOOK
        sentence = f"{band.look_below if below else band.look_above} ({told}, {span})"
    else:
        answer = Answer.CANNOT_TELL
        sentence = f"too near the edge of the band to tell ({told}, {span}): look yourself"
    return Reading(
        band.cue, band.title, band.unit, value, sigma, band.low, band.high, answer, sentence, views
    )


def cannot_tell(band: Band, views: tuple[View, ...], why: str) -> Reading:
    """Say that a cue cannot be told, and why."""
    return Reading(
        band.cue,
        band.title,
        band.unit,
        None,
        None,
        band.low,
        band.high,
        Answer.CANNOT_TELL,
        why,
        views,
    )


_FILM_FROM = {
    View.BEHIND: "from behind the kicker",
    View.OBLIQUE: "from behind and to one side",
    View.SIDE: "from the side",
    View.FRONT_OBLIQUE: "from the goal's side and aslant",
    View.FACING: "from the goal's side",
}


def _film_instead(views: tuple[View, ...]) -> str:
    if not views:
        return "no view was found to show this well enough; look yourself"
    return "film " + " or ".join(_FILM_FROM[view] for view in views)
