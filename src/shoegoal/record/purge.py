"""Removing clips and pictures that were kept long enough; what was counted and signed stays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import update

from shoegoal.analysis.evidence import OVERVIEW_NAME
from shoegoal.errors import OutputError
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.pictures import files_of_pictures


@dataclass(frozen=True, slots=True)
class Due:
    """What is to be removed of one set.

    Attributes
    ----------
    set_id, signed : the set; of one that is not signed, nobody can check the shots afterwards.
    files : clip and pictures that show the kicker.
    left_alone : a clip that is not the one that was counted, so it may be somebody's own.
    """

    set_id: int
    signed: bool
    files: tuple[Path, ...]
    left_alone: Path | None


def due_for_purge(book: Book, older_than_days: float, now: datetime | None = None) -> list[Due]:
    """List what is older than so many days, counted from when it came into the book.

    Parameters
    ----------
    book : the record book.
    older_than_days : age limit.
    now : UTC; the clock's when None.
    """
    limit = (now or datetime.now(UTC)) - timedelta(days=older_than_days)
    with book.reading() as connection:
        histories = load_sets(connection)
    due = [
        _due(history) for history in histories if datetime.fromisoformat(history.added_at) <= limit
    ]
    return [one for one in due if one.files or one.left_alone]


def purge(book: Book, due: list[Due]) -> int:
    """Remove the files, and forget where the clips lay; return how many files are gone.

    Raises
    ------
    OutputError
        A file cannot be removed; those before it are gone, and a second purge goes on from there.
    """
    gone = 0
    for one in due:
        for file in one.files:
            try:
                file.unlink(missing_ok=True)
            except OSError as error:
                raise OutputError(
                    f"{file} cannot be removed ({error.strerror or error}); {gone} files were "
                    "removed before it. Check your right to its folder and purge again"
                ) from error
            gone += 1
        with book.writing() as connection:
            places = schema.places
            connection.execute(
                update(places).where(places.c.set_id == one.set_id).values(clip_path=None)
            )
    return gone


def _due(history: SetHistory) -> Due:
    files: list[Path] = []
    left_alone = None
    clip, state = history.clip_path, history.clip_state()
    if clip is not None and state == "as counted":
        files.append(clip)
    elif clip is not None and state == "changed":
        left_alone = clip
    if history.folder_path is not None:
        pictures = files_of_pictures(history.folder_path)
        files += [picture for picture in pictures if picture.name != OVERVIEW_NAME]
    return Due(history.set_id, history.signature is not None, tuple(files), left_alone)
