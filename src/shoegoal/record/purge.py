"""Delete old clips and pictures; counts and signatures stay.

This includes clips that were handed in and never counted, and unfinished uploads.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection, update

from shoegoal.errors import OutputError
from shoegoal.pictures.evidence import OVERVIEW_NAME
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.handed_in import ClipState, HandedIn, clips_of, move
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.pictures import files_of_pictures

# No worker will take these any more, and they became no set.
NEVER_COUNTED = (
    ClipState.RECEIVING,
    ClipState.CHECKED,
    ClipState.NOT_COUNTED,
    ClipState.SET_ASIDE,
)
PURGED = "It was deleted, as old clips are. Film another one."


@dataclass(frozen=True, slots=True)
class Due:
    """What is to be deleted of one set, or of a clip that was handed in and never counted.

    Attributes
    ----------
    name : of the set or clip, for messages.
    set_id, signed : the set; nobody can check the shots of an unsigned set afterwards. None and
        False for a clip that is no set.
    files : clip and pictures that show the kicker.
    left_alone : a clip that is not the one that was counted, so it may be another file.
    clip : the clip that is no set.
    """

    name: str
    set_id: int | None
    signed: bool
    files: tuple[Path, ...]
    left_alone: Path | None = None
    clip: HandedIn | None = None


def due_for_purge(book: Book, older_than_days: float, now: datetime | None = None) -> list[Due]:
    """List what was added to the book more than so many days ago.

    Parameters
    ----------
    book : the record book.
    older_than_days : age limit.
    now : UTC; the clock's when None.
    """
    limit = (now or datetime.now(UTC)) - timedelta(days=older_than_days)
    with book.reading() as connection:
        histories = load_sets(connection)
        handed_in = clips_of(connection)
    beside = {clip.set_id: _stills(clip) for clip in handed_in}
    due = [
        _due(history, beside.get(history.set_id, []))
        for history in histories
        if datetime.fromisoformat(history.added_at) <= limit
    ]
    due += [
        Due(f"a clip of {clip.pupil} ({clip.state})", None, False, _all_of(clip), clip=clip)
        for clip in reversed(handed_in)
        if clip.state in NEVER_COUNTED and _last_touched(clip) <= limit
    ]
    return [one for one in due if one.files or one.left_alone]


def purge(book: Book, due: list[Due]) -> int:
    """Delete the files and the clips' paths; return the number of deleted files.

    Raises
    ------
    OutputError
        A file cannot be deleted; those before it are gone, and another purge continues there.
    """
    gone = 0
    for one in due:
        for file in one.files:
            try:
                file.unlink(missing_ok=True)
            except OSError as error:
                raise OutputError(
                    f"{file} cannot be deleted ({error.strerror or error}); {gone} files were "
                    "deleted before it. Check your right to its folder and purge again"
                ) from error
            gone += 1
        with book.writing(history=one.set_id is not None) as connection:
            _forget(connection, one)
    return gone


def _forget(connection: Connection, one: Due) -> None:
    if one.clip is not None:
        move(connection, one.clip, ClipState.SET_ASIDE, why=PURGED)
        return
    places = schema.places
    connection.execute(update(places).where(places.c.set_id == one.set_id).values(clip_path=None))


def _all_of(clip: HandedIn) -> tuple[Path, ...]:
    """List the files in a clip's own folder."""
    return tuple(sorted(path for path in clip.clip_path.parent.rglob("*") if path.is_file()))


def _stills(clip: HandedIn) -> list[Path]:
    """List the pictures that the filming check wrote beside a clip."""
    return sorted(clip.clip_path.parent.glob("*.jpg"))


def _last_touched(clip: HandedIn) -> datetime:
    """Return when a clip's state last changed or some of its bytes arrived."""
    changed = datetime.fromisoformat(clip.changed_at)
    try:
        came = datetime.fromtimestamp(clip.part_path.stat().st_mtime, UTC)
    except OSError:
        return changed
    return max(changed, came)


def _due(history: SetHistory, beside: list[Path]) -> Due:
    files: list[Path] = list(beside)
    left_alone = None
    clip, state = history.clip_path, history.clip_state()
    if clip is not None and state == "as counted":
        files.append(clip)
    elif clip is not None and state == "changed":
        left_alone = clip
    if history.folder_path is not None:
        pictures = files_of_pictures(history.folder_path)
        files += [picture for picture in pictures if picture.name != OVERVIEW_NAME]
    name = f"set {history.set_id}"
    return Due(name, history.set_id, history.signature is not None, tuple(files), left_alone)
