"""One pupil's data to hand over: all that the book holds about them, and pictures without faces."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, select

from shoegoal.analysis.folders import cannot_write, check_writable_file, fresh_folder
from shoegoal.analysis.form_file import FORM_FILE_NAME, FORM_FOLDER_NAME, form_pictures
from shoegoal.analysis.form_file import MAX_BYTES as MOST_FORM_BYTES
from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.outside import read_inside
from shoegoal.pictures.evidence import (
    EVIDENCE_FOLDER_NAME,
    LARGEST_PICTURE_BYTES,
    OVERVIEW_NAME,
    decoded_picture,
)
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, detail, load_sets, summary
from shoegoal.record.journal import now_text, rows
from shoegoal.record.people import PERSON, Detected, detect
from shoegoal.record.pictures import SetPictures, files_of_pictures
from shoegoal.written import whole_file

EXPORT_FORMAT = 1
DATA_NAME = "data.json"
JPEG_QUALITY = 88
U8 = npt.NDArray[np.uint8]
Box = tuple[int, int, int, int]  # left, top, right, bottom; px
LEAST_PERSON = 0.3
HEAD_SHARE = 0.35  # of a standing person's box, from its top: head, neck and some of the shoulders
SIDE_MARGIN = 0.15  # of the box's width, to either side
TOP_MARGIN = 0.12  # of the box's height: boxes often cut hair off
UPRIGHT_RATIO = 1.25  # height over width; lower boxes (bent, sitting, cut off) are covered whole
WINDOW_SHARES = (1.0, 0.6)  # of the picture's shorter side
WINDOW_STEP = 0.5
FACE_MARGIN = 0.35
LEAST_FACE_SHARE = 0.03  # of the picture's shorter side
FACE_LONG_SIDE_PX = 1280  # larger pictures are scaled to this before faces are searched for
MOSAIC_CELLS = 4  # across a covered patch: far too few to recognise a face
FRAME_DARKEST = 70  # grey: the dark bars between stills, JPEG's ringing included
FRAME_BODY = 0.3  # above this share of a picture is its heading
LEAST_STILL_SHARE = 0.3  # of the picture's height: narrower pieces are no stills
_CASCADES = (
    "haarcascade_frontalface_default.xml",
    "haarcascade_profileface.xml",
)


def export_pupil(book: Book, pupil: str, out: Path) -> int:
    """Write a pupil's data as a folder, or as a zip file where ``out`` ends in ``.zip``.

    Parameters
    ----------
    book : the record book.
    pupil : name in the book.
    out : where to write; a folder that shoegoal wrote is replaced.

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
        content = detail(history, history.status(analysis), analysis)
    except BadSettingsError:  # a count written by another version; it is exported as it is
        content = summary(history, None)
    for machine_path in ("clip_path", "folder_path"):
        content.pop(machine_path, None)
    return content | {
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
            if safe is not None:  # what cannot be decoded cannot be made safe
                yield f"set-{history.set_id}/{name}", safe


def _pictures(history: SetHistory, folder: Path) -> Iterator[tuple[str, bytes]]:
    """Return the set's pictures; of a count that this version cannot read, as written."""
    try:
        yield from SetPictures(history, history.count.analysis()).all()
    except BadSettingsError:
        evidence = folder / EVIDENCE_FOLDER_NAME
        for file in files_of_pictures(folder):
            coded = read_inside(evidence, file.name, LARGEST_PICTURE_BYTES)
            if file.parent == evidence and coded is not None:
                yield file.name, coded


def without_faces(content: bytes) -> bytes | None:
    """Cover the faces of an encoded picture; None where it cannot be decoded."""
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


def cover_faces(bgr: U8) -> tuple[U8, int]:
    """Cover every head and face that is found.

    Parameters
    ----------
    bgr : (H, W, 3) uint8; left as it is.

    Returns
    -------
    covered : a copy with a coarse mosaic over each.
    number : how many patches were covered.
    """
    covered = bgr.copy()
    patches = [*head_boxes(bgr), *face_boxes(bgr)]
    # The largest last: its cells are the coarsest, and no finer ones may show through.
    for patch in sorted(patches, key=_area):
        _cover(covered, bgr, patch)
    return covered, len(patches)


def head_boxes(bgr: U8) -> list[Box]:
    """Find where heads of persons are or may be, px."""
    boxes = []
    for first, last in _stills(bgr):
        still = bgr[:, first:last]
        height, width = still.shape[:2]
        for left, top, right, bottom in _windows(width, height):
            for person in detect(still[top:bottom, left:right], (PERSON,), LEAST_PERSON):
                head = _clipped(_head_of(person, left, top), width, height)
                boxes.append((head[0] + first, head[1], head[2] + first, head[3]))
    return _distinct([box for box in boxes if _area(box) > 0])


def face_boxes(bgr: U8) -> list[Box]:
    """Find faces, frontal or in profile to either side, with a margin, px."""
    height, width = bgr.shape[:2]
    scale = min(1.0, FACE_LONG_SIDE_PX / max(height, width))
    size = (max(1, round(scale * width)), max(1, round(scale * height)))
    grey = cv2.cvtColor(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2GRAY)
    grey = cv2.equalizeHist(grey)
    least = max(20, round(LEAST_FACE_SHARE * min(size)))
    found: list[Box] = []
    for cascade in _cascades():
        for mirrored in (False, True):
            looked = cv2.flip(grey, 1) if mirrored else grey
            hits = cascade.detectMultiScale(looked, 1.15, 6, minSize=(least, least))
            for x, y, w, h in np.asarray(hits).reshape(-1, 4).tolist():
                left = size[0] - x - w if mirrored else x
                margin = FACE_MARGIN * w
                box = (left - margin, y - margin, left + w + margin, y + h + margin)
                native = (round(box[0] / scale), round(box[1] / scale),
                          round(box[2] / scale), round(box[3] / scale))  # fmt: skip
                found.append(_clipped(native, width, height))
    return _distinct(found)


def _stills(bgr: U8) -> list[tuple[int, int]]:
    """Return the first and last column of every still of a strip, or of a single still."""
    height, width = bgr.shape[:2]
    body = cv2.cvtColor(bgr[round(FRAME_BODY * height) :], cv2.COLOR_BGR2GRAY)
    bright = np.concatenate([[False], body.max(axis=0) > FRAME_DARKEST, [False]])
    edges = np.flatnonzero(np.diff(bright.astype(np.int8)))
    pieces = [
        (int(first), int(last))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if last - first >= LEAST_STILL_SHARE * height
    ]
    return pieces or [(0, width)]


def _windows(width: int, height: int) -> Iterator[Box]:
    """Return the whole picture, then squares of every size that overlap by half."""
    yield 0, 0, width, height
    for share in WINDOW_SHARES:
        side = max(32, round(share * min(width, height)))
        for top in _starts(height, side):
            for left in _starts(width, side):
                yield left, top, min(width, left + side), min(height, top + side)


def _starts(length: int, side: int) -> list[int]:
    last = max(0, length - side)
    return sorted({*range(0, last, max(1, round(side * WINDOW_STEP))), last})


def _head_of(person: Detected, left: int, top: int) -> Box:
    wide, high = person.right_px - person.left_px, person.bottom_px - person.top_px
    share = HEAD_SHARE if high >= UPRIGHT_RATIO * wide else 1.0
    return (
        round(left + person.left_px - SIDE_MARGIN * wide),
        round(top + person.top_px - TOP_MARGIN * high),
        round(left + person.right_px + SIDE_MARGIN * wide),
        round(top + person.top_px + share * high),
    )


def _clipped(box: Box, width: int, height: int) -> Box:
    left, top, right, bottom = box
    return max(0, left), max(0, top), min(width, right), min(height, bottom)


def _area(box: Box) -> int:
    return max(0, box[2] - box[0]) * max(0, box[3] - box[1])


def _distinct(boxes: list[Box]) -> list[Box]:
    """Leave out boxes that lie wholly inside another."""
    kept: list[Box] = []
    for box in sorted(set(boxes), key=_area, reverse=True):
        inside = any(
            k[0] <= box[0] and k[1] <= box[1] and box[2] <= k[2] and box[3] <= k[3] for k in kept
        )
        if not inside:
            kept.append(box)
    return kept


def _cover(canvas: U8, source: U8, box: Box) -> None:
    """Lay a coarse mosaic over a patch; nothing finer than its cells remains."""
    left, top, right, bottom = box
    patch = source[top:bottom, left:right]
    high, wide = patch.shape[:2]
    cells = (MOSAIC_CELLS, max(1, round(MOSAIC_CELLS * high / wide)))
    coarse = cv2.resize(patch, cells, interpolation=cv2.INTER_AREA)
    canvas[top:bottom, left:right] = cv2.resize(
        coarse, (wide, high), interpolation=cv2.INTER_NEAREST
    )


@cache
def _cascades() -> tuple[cv2.CascadeClassifier, ...]:
    folder = Path(cv2.__file__).parent / "data"
    loaded = tuple(cv2.CascadeClassifier(str(folder / name)) for name in _CASCADES)
    if any(cascade.empty() for cascade in loaded):
        raise ShoegoalError(f"The face detector's files in {folder} cannot be read: install again.")
    return loaded
