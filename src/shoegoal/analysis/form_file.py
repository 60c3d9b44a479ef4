"""The form of a set on disk: numbers, pictures, and a page to print, beside the count's files."""

from __future__ import annotations

import json
import shutil
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from shoegoal.analysis.folders import MARK_FILE_NAME, fresh_folder
from shoegoal.analysis.form_model import FORM_FORMAT_VERSION, SetForm
from shoegoal.analysis.form_page import page_html
from shoegoal.analysis.form_sheet import draw_sheet
from shoegoal.analysis.marks import coded_picture
from shoegoal.errors import BadSettingsError
from shoegoal.outside import is_inside, read_outside
from shoegoal.written import write_whole

if TYPE_CHECKING:
    from pydantic import TypeAdapter

    from shoegoal.analysis.form_run import FormSeen

FORM_FOLDER_NAME = "form"
FORM_FILE_NAME = "form.json"
PAGE_NAME, SHEET_NAME = "summary.html", "form-summary.png"
READ_AGAIN = "run shoegoal form again"
MAX_BYTES = 10_000_000


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


def write_form(folder: Path, seen: FormSeen) -> None:
    """Write form.json, the pictures and the page into a folder that is being written."""
    place = folder / FORM_FOLDER_NAME
    place.mkdir()
    write_whole(place / FORM_FILE_NAME, form_to_json(seen.form).encode())
    for number, picture in seen.pictures.items():
        (place / picture_name(number)).write_bytes(picture)
    names = {number: picture_name(number) for number in seen.pictures}
    (place / PAGE_NAME).write_text(page_html(seen.form, names), encoding="utf-8")
    sheet = draw_sheet(seen.form, seen.pictures)
    (place / SHEET_NAME).write_bytes(coded_picture(sheet, ".png"))


def add_form(folder: Path, seen: FormSeen) -> None:
    """Put a form into a count's folder, in place of an earlier one; whole or not at all.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds what shoegoal did not write.
    """
    with fresh_folder(folder) as fresh:
        leave_out = shutil.ignore_patterns(MARK_FILE_NAME)
        shutil.copytree(folder, fresh, dirs_exist_ok=True, ignore=leave_out)
        shutil.rmtree(fresh / FORM_FOLDER_NAME, ignore_errors=True)
        write_form(fresh, seen)


@cache
def _adapter() -> TypeAdapter[SetForm]:
    from pydantic import TypeAdapter

    return TypeAdapter(SetForm)
