"""The bands of the cues and the measured errors, read from the two files that come with them."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any

from shoegoal.cues.space import View
from shoegoal.errors import ShoegoalError

BANDS_NAME, ERRORS_NAME = "bands.toml", "errors.toml"


@dataclass(frozen=True, slots=True)
class Band:
    """What is looked for in one cue; see the comments in ``bands.toml``.

    Attributes
    ----------
    cue : key.
    title : what a person calls it.
    unit : of all numbers.
    low, high : the band's ends.
    well : said of a value in the band.
    look_below, look_above : what to look at where the value lies below or above it.
    try_below, try_above : what a kicker may try then.
    source : of the band, or "common practice, no source".
    open_above : nothing can lie above the band, so that a number above it is in it.
    """

    cue: str
    title: str
    unit: str
    low: float
    high: float
    well: str
    look_below: str
    look_above: str
    try_below: str
    try_above: str
    source: str
    open_above: bool = False

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"{self.cue}: low must lie below high")

    @property
    def ends(self) -> tuple[float, float]:
        """Ends beyond which a number is out of the band."""
        return self.low, math.inf if self.open_above else self.high

    def holds(self, value: float) -> bool:
        """Whether a number lies in the band."""
        low, top = self.ends
        return low <= value <= top


@dataclass(frozen=True, slots=True)
class Measurement:
    """A cue's number as one method gave it, before anything is known of that method's error.

    Attributes
    ----------
    cue : key of the cue in the bands' file.
    method : how it was worked out, as the file of errors calls it.
    value : in the cue's unit; NaN where it could not be measured.
    sigma : its own spread over the pictures, same unit; 0 where it rests on one moment.
    why_not : why it could not be measured; empty otherwise.
    """

    cue: str
    method: str
    value: float
    sigma: float = 0.0
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class MeasuredError:
    """How far a cue's number is off from one view, measured on kicks whose truth is known.

    Attributes
    ----------
    cue, view, method : of what.
    gain, bias : the number is gain times the truth, and bias, in the cue's unit.
    spread : its standard deviation beside that line, over what the number knows of its own.
    scale : what the number's own standard deviation is multiplied by first.
    sure : the cue is called in or out of its band from this probability on.
    shots : kicks that this rests on.
    claimed : whether the cue is given from this view; false where it was found wanting.
    """

    cue: str
    view: View
    method: str
    gain: float
    bias: float
    spread: float
    scale: float
    sure: float
    shots: int
    claimed: bool

    def __post_init__(self) -> None:
        if min(self.spread, self.gain, self.scale, self.shots) <= 0:
            raise ValueError(
                f"{self.cue} from {self.view}: gain, spread, scale and shots must be positive"
            )
        if not 0.5 < self.sure < 1:
            raise ValueError(f"{self.cue} from {self.view}: sure must lie between 0.5 and 1")

    def truth(self, value: float, own: float) -> tuple[float, float]:
        """Give what a number and its own standard deviation say of the truth: value and sigma."""
        sigma = math.hypot(self.spread, self.scale * own) / self.gain
        return (value - self.bias) / self.gain, sigma


@cache
def load_bands() -> dict[str, Band]:
    """Read the bands, by cue, in the order in which they are listed.

    Raises
    ------
    ShoegoalError
        The file is damaged.
    """
    try:
        bands = {cue: Band(cue=cue, **row) for cue, row in _read(BANDS_NAME).items()}
    except (TypeError, ValueError) as error:
        raise _damaged(BANDS_NAME, error) from error
    return bands


@cache
def load_errors() -> dict[str, tuple[MeasuredError, ...]]:
    """Read the measured errors, by cue.

    Raises
    ------
    ShoegoalError
        The file is damaged.
    """
    try:
        return {
            cue: tuple(
                MeasuredError(cue=cue, view=View(view), **_known(row)) for view, row in rows.items()
            )
            for cue, rows in _read(ERRORS_NAME).items()
        }
    except (AttributeError, TypeError, ValueError) as error:
        raise _damaged(ERRORS_NAME, error) from error


def _known(row: dict[str, Any]) -> dict[str, Any]:
    """Leave out what the bench writes down beside the numbers for readers of the file."""
    names = {field.name for field in fields(MeasuredError)}
    return {name: value for name, value in row.items() if name in names}


def _read(name: str) -> dict[str, Any]:
    try:
        return tomllib.loads((files("shoegoal.cues") / name).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _damaged(name, error) from error


def _damaged(name: str, error: Exception) -> ShoegoalError:
    return ShoegoalError(f"{name} is damaged ({error}): install shoegoal again.")
