"""One pupil's data, to hand over: all that the book holds of them, and pictures without faces."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
from sqlalchemy import Connection, select

from shoegoal.analysis.evidence import EVIDENCE_FOLDER_NAME, OVERVIEW_NAME
from shoegoal.analysis.folders import cannot_write, check_writable_file, fresh_folder
from shoegoal.analysis.form_file import FORM_FILE_NAME, FORM_FOLDER_NAME, form_pictures
from shoegoal.analysis.form_file import MAX_BYTES as MOST_FORM_BYTES
from shoegoal.analysis.kept import LARGEST_PICTURE_BYTES, decoded_picture
from shoegoal.errors import BadSettingsError
from shoegoal.outside import read_inside
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.faces import cover_faces
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.journal import now_text, rows
from shoegoal.record.pictures import SetPictures, files_of_pictures
from shoegoal.record.plain import detail, summary
from shoegoal.written import whole_file

EXPORT_FORMAT = 1
DATA_NAME = "data.json"
JPEG_QUALITY = 88


def export_pupil(book: Book, pupil: str, out: Path) -> int:
    """Write a pupil's data as a folder, or as a zip file where ``out`` ends in ``.zip``.

    Parameters
    ----------
    book : the record book.
    pupil : name as it stands in the book.
    out : to be written whole or not at all; a folder that shoegoal wrote is replaced.

    Returns
    -------
    Number of sets written.

    Raises
    ------
    BadSettingsError
        No such pupil.
    OutputError
        It cannot be written there.
    """
    with book.reading() as connection:
        _check_pupil(connection, pupil)
        histories = load_sets(connection, pupil=pupil)
        data = {
            "format": EXPORT_FORMAT,
            "exported_at": now_text(),
            "pupil": pupil,
            "class": histories[0].class_name if histories else None,
            "sets": [_set_data(connection, history) for history in histories],
        }
    if out.suffix.lower() == ".zip":
        check_writable_file(out)
        _write_zip(out, data, histories)
    else:
        with fresh_folder(out) as folder:
            for name, content in _files(data, histories):
                place = folder / name
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(content)
    return len(histories)


def _check_pupil(connection: Connection, pupil: str) -> None:
    pupils = schema.pupils.c
    if connection.scalar(select(pupils.id).where(pupils.name == pupil)) is None:
        raise BadSettingsError(f'there is no pupil "{pupil}" in the book (shoegoal record list)')


def _set_data(connection: Connection, history: SetHistory) -> dict[str, Any]:
    try:
        analysis = history.count.analysis()
        plain = detail(history, history.standing(analysis), analysis)
    except BadSettingsError:  # a count in a form of another version; it goes along as it is
        plain = summary(history, None)
    for machine_path in ("clip_path", "folder_path"):
        plain.pop(machine_path, None)
    return plain | {
        "counts": [json.loads(count.content) for count in history.counts],
        "signature": None if history.signature is None else asdict(history.signature),
        "journal": [dict(row) for row in rows(connection, history.set_id)],
    }


def _files(data: dict[str, Any], histories: list[SetHistory]) -> Iterator[tuple[str, bytes]]:
    """Every file of an export: its name and its bytes."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    yield DATA_NAME, text.encode()
    for history in histories:
        if history.folder_path is None:
            continue
        name = f"{FORM_FOLDER_NAME}/{FORM_FILE_NAME}"
        form = read_inside(history.folder_path, name, MOST_FORM_BYTES)
        if form is not None:
            yield f"set-{history.set_id}/{FORM_FILE_NAME}", form
        for picture in form_pictures(history.folder_path):
            if picture.suffix != ".jpg":
                continue
            coded = read_inside(picture.parent, picture.name, LARGEST_PICTURE_BYTES)
            safe = None if coded is None else without_faces(coded)
            if safe is not None:
                yield f"set-{history.set_id}/{picture.name}", safe
        for name, content in _pictures(history, history.folder_path):
            # The overview is drawn from numbers; all others hold parts of the clip.
            safe = content if name == OVERVIEW_NAME else without_faces(content)
            if safe is not None:  # what cannot be looked at cannot be made safe
                yield f"set-{history.set_id}/{name}", safe


def _pictures(history: SetHistory, folder: Path) -> Iterator[tuple[str, bytes]]:
    """Pictures as the set stands; of a count that this version cannot read, as they lie there."""
    try:
        yield from SetPictures(history, history.count.analysis()).all()
    except BadSettingsError:
        evidence = folder / EVIDENCE_FOLDER_NAME
        for file in files_of_pictures(folder):
            coded = read_inside(evidence, file.name, LARGEST_PICTURE_BYTES)
            if file.parent == evidence and coded is not None:
                yield file.name, coded


def without_faces(content: bytes) -> bytes | None:
    """Cover the faces of a coded picture; None where it is none."""
    bgr = decoded_picture(content)
    if bgr is None:
        return None
    covered, _ = cover_faces(bgr)
    done, coded = cv2.imencode(".jpg", covered, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return coded.tobytes() if done else None


def _write_zip(out: Path, data: dict[str, Any], histories: list[SetHistory]) -> None:
    try:
        with whole_file(out) as file, zipfile.ZipFile(file, "w") as bundle:
            for part, content in _files(data, histories):
                bundle.writestr(part, content, zipfile.ZIP_DEFLATED)
    except OSError as error:
        raise cannot_write(out, error) from error
