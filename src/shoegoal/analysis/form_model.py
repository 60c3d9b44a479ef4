"""The form of a set as it is kept: one record per shot and cue, and the set in a few words."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.cues.legs import Side
from shoegoal.cues.reading import Advice, Answer, Reading
from shoegoal.cues.space import View

FORM_FORMAT_VERSION = 1


@dataclass(frozen=True, slots=True)
class ShotForm:
    """The form of one shot.

    Attributes
    ----------
    number : of the shot, as counted.
    kick_time_s : presentation time of contact.
    view : from where it was filmed; None where the ball's place before the kick was not seen.
    azimuth_deg : angle of the sight line to the shot, 0 from behind, 180 facing; None likewise.
    side : kicking foot; None where it could not be told.
    readings : one for each cue.
    why_not : why nothing could be read of it; empty otherwise.
    """

    number: int
    kick_time_s: float
    view: View | None
    azimuth_deg: float | None
    side: Side | None
    readings: tuple[Reading, ...]
    why_not: str

    @property
    def told(self) -> tuple[Reading, ...]:
        """The cues that could be told."""
        return tuple(r for r in self.readings if r.answer is not Answer.CANNOT_TELL)


@dataclass(frozen=True, slots=True)
class SetForm:
    """The form of a set.

    Attributes
    ----------
    format_version : of the form file.
    tool_version : version of shoegoal that read it.
    clip_name, clip_sha256 : of the clip.
    start_s : presentation time of the clip's first picture.
    shots : in order of time.
    advice : the set in a few words.
    pictures_looked_at, pictures_decoded : what it took.
    """

    format_version: int
    tool_version: str
    clip_name: str
    clip_sha256: str
    start_s: float
    shots: tuple[ShotForm, ...]
    advice: Advice
    pictures_looked_at: int
    pictures_decoded: int
