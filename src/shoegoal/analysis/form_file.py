"""The form of a set as it is kept: a record for each shot and cue, in a file beside the count."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from shoegoal.cues.legs import Side
from shoegoal.cues.reading import Advice, Answer, Reading
from shoegoal.cues.space import View
from shoegoal.errors import BadSettingsError
from shoegoal.outside import is_inside, read_outside

if TYPE_CHECKING:
    from pydantic import TypeAdapter


FORM_FORMAT_VERSION = 1
FORM_FOLDER_NAME = "form"
FORM_FILE_NAME = "form.json"
PAGE_NAME, SHEET_NAME = "summary.html", "form-summary.png"
READ_AGAIN = "run shoegoal form again"
MAX_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class ShotForm:
    """The form of one shot.

    Attributes
    ----------
    number : of the shot, as counted.
    kick_time_s : presentation time of contact.
    view : from where it was filmed; None where the ball's place before the kick was not seen.
    azimuth_deg : angle of the sight line to the shot, 0 from behind, 180 facing; None likewise.
    side : kicking foot; None where that is not clear.
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
    def given(self) -> tuple[Reading, ...]:
        """The cues that are in band or a look."""
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


def picture_name(number: int) -> str:
    """File name of a shot's picture."""
    return f"form-{number:02d}.jpg"


def form_pictures(folder: Path) -> list[Path]:
    """Pictures of people that reading form writes into a result folder, those that are there."""
    place = folder / FORM_FOLDER_NAME
    named = (place / SHEET_NAME, *sorted(place.glob("form-[0-9]*.jpg")))
    return [file for file in named if is_inside(folder, str(file.relative_to(folder)))]


def form_to_json(form: SetForm) -> str:
    """Write a set's form as indented JSON text, ending in a line feed."""
    plain = _adapter().dump_python(form, mode="json")
    return json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def load_form(folder: Path) -> SetForm | None:
    """Read the form in a result folder; None where none was read.

    Raises
    ------
    BadSettingsError
        The file is damaged or of another version.
    """
    from pydantic import ValidationError

    file = folder / FORM_FOLDER_NAME / FORM_FILE_NAME
    try:
        content = read_outside(file, MAX_BYTES)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BadSettingsError(f"{file} cannot be read ({error.strerror or error})") from error
    try:
        form = _adapter().validate_json(content, strict=True, extra="forbid")
    except ValidationError as error:
        raise BadSettingsError(
            f"{file} is damaged or of another version; {READ_AGAIN} ({error.error_count()} faults)"
        ) from error
    if form.format_version != FORM_FORMAT_VERSION:
        raise BadSettingsError(f"{file} has format {form.format_version}; {READ_AGAIN}")
    return form


@cache
def _adapter() -> TypeAdapter[SetForm]:
    from pydantic import TypeAdapter

    return TypeAdapter(SetForm)
