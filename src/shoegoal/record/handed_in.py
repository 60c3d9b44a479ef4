"""Clips handed in from phones: a queue in the book's database.

A clip waits as a row. A worker claims the row for a short time and renews the claim before it runs
out. When a worker dies, its claim runs out and another worker takes the clip. A result is stored
only under a valid claim, in one transaction with the set that it makes. So no clip is lost and none
becomes two sets, whatever dies and when.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    and_,
    func,
    insert,
    or_,
    select,
    update,
)

from shoegoal.analysis.model import StageRecord
from shoegoal.errors import OutputError, ShoegoalError
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.journal import canonical_text, now_text, time_text
from shoegoal.types import ImagePoint

CLAIM_S = 20.0
MOST_TRIES = 3
TOKEN_BYTES = 24
BROKE_OFF = "counting it was interrupted several times"
CLIPS_VARIABLE = "SHOEGOAL_CLIPS"


class ClipState(StrEnum):
    """The state of a clip that was handed in."""

    RECEIVING = "receiving"  # being uploaded
    RECEIVED = "received"  # complete; the filming is to be checked
    CHECKED = "checked"  # the check advises to film again; the pupil decides
    WAITING = "waiting"  # for a worker
    COUNTING = "counting"
    COUNTED = "counted"  # a set in the book
    NOT_COUNTED = "cannot be counted"
    SET_ASIDE = "set aside"  # replaced by another clip


OPEN_STATES = (ClipState.RECEIVED, ClipState.WAITING, ClipState.COUNTING)


class ClaimLostError(ShoegoalError):
    """Another worker has the clip now, so this result is dropped."""


@dataclass(frozen=True, slots=True)
class HandedIn:
    """A clip that a pupil hands in.

    Attributes
    ----------
    clip_id, token : number in the book; unguessable name in addresses.
    pupil_id, pupil, class_id, class_name : whose it is.
    ladder_id, stage : what it was filmed for.
    clip_path : where the file is, or will be.
    size_bytes, sha256 : of the file; no hash before it is complete.
    state, why : its state; why it cannot be counted, or what the pupil was asked to change.
    filming : result of the filming check, serialised; None before it.
    markers_px : left and right foot of the markers where a person pointed at them.
    made_at, changed_at : times.
    tries : number of counts begun.
    set_id : the set that it became.
    """

    clip_id: int
    token: str
    pupil_id: int
    pupil: str
    class_id: int
    class_name: str
    ladder_id: int | None
    stage: StageRecord
    clip_path: Path
    size_bytes: int
    sha256: str | None
    state: ClipState
    why: str
    filming: dict[str, Any] | None
    markers_px: tuple[ImagePoint, ImagePoint] | None
    made_at: str
    changed_at: str
    tries: int
    set_id: int | None

    @property
    def part_path(self) -> Path:
        """Where its bytes are stored until the upload is complete."""
        return self.clip_path.with_name(f"{self.clip_path.name}.part")


def begin(
    connection: Connection,
    pupil_id: int,
    ladder_id: int | None,
    stage: StageRecord,
    folder: Path,
    clip_name: str,
    size_bytes: int,
) -> HandedIn:
    """Enter a clip that is about to be uploaded.

    Parameters
    ----------
    connection : from `Book.writing`.
    pupil_id, ladder_id, stage : whose clip, and for what.
    folder : of all clips; this one gets its own folder in it.
    clip_name : file name with its ending.
    size_bytes : to be uploaded.
    """
    token = secrets.token_urlsafe(TOKEN_BYTES)
    at = now_text()
    connection.execute(
        insert(schema.handed_in).values(
            token=token, pupil_id=pupil_id, ladder_id=ladder_id,
            stage=canonical_text(asdict(stage)), clip_path=str(folder / token / clip_name),
            size_bytes=size_bytes, state=ClipState.RECEIVING.value, made_at=at, changed_at=at,
        )
    )  # fmt: skip
    found = by_token(connection, token)
    assert found is not None
    return found


def by_token(connection: Connection, token: str) -> HandedIn | None:
    """Find a clip by its name in addresses."""
    row = connection.execute(_clips().where(schema.handed_in.c.token == token)).first()
    return None if row is None else _of(row)


def by_id(connection: Connection, clip_id: int) -> HandedIn | None:
    """Find a clip by its number."""
    row = connection.execute(_clips().where(schema.handed_in.c.id == clip_id)).first()
    return None if row is None else _of(row)


def clips_of(
    connection: Connection,
    *,
    pupil_id: int | None = None,
    states: Sequence[ClipState] | None = None,
) -> list[HandedIn]:
    """List clips, the newest first."""
    table = schema.handed_in.c
    query = _clips().order_by(table.id.desc())
    if pupil_id is not None:
        query = query.where(table.pupil_id == pupil_id)
    if states is not None:
        query = query.where(table.state.in_([state.value for state in states]))
    return [_of(row) for row in connection.execute(query)]


def count_since(connection: Connection, pupil_id: int, since: datetime) -> int:
    """Count the clips that a pupil began to hand in since a given time."""
    table = schema.handed_in.c
    query = select(func.count()).where(
        table.pupil_id == pupil_id, table.made_at >= time_text(since)
    )
    return connection.scalar(query) or 0


def twin_of(connection: Connection, clip: HandedIn, sha256: str) -> str | None:
    """Return the pupil whose clip has the same bytes; None where there is none."""
    table, sets, pupils = schema.handed_in.c, schema.sets.c, schema.pupils.c
    here = (
        select(pupils.name)
        .join(schema.handed_in, table.pupil_id == pupils.id)
        .where(
            table.sha256 == sha256,
            table.id != clip.clip_id,
            table.state.not_in([ClipState.SET_ASIDE.value, ClipState.CHECKED.value]),
        )
    )
    in_book = (
        select(pupils.name)
        .join(schema.sets, sets.pupil_id == pupils.id)
        .where(sets.clip_sha256 == sha256)
    )
    return connection.scalar(here.limit(1)) or connection.scalar(in_book.limit(1))


def move(
    connection: Connection, clip: HandedIn, state: ClipState, *, why: str = "", **values: Any
) -> bool:
    """Change a clip's state, unless it has changed since it was read.

    Parameters
    ----------
    connection : from `Book.writing`.
    clip, state : which clip, and its new state.
    why : see `HandedIn`.
    values : further columns.

    Returns
    -------
    Whether the state was changed.
    """
    table = schema.handed_in
    changed = connection.execute(
        update(table)
        .where(table.c.id == clip.clip_id, table.c.state == clip.state.value)
        .values(state=state.value, why=why, changed_at=now_text(), **values)
    )
    return changed.rowcount == 1


def count_again(
    connection: Connection, clip: HandedIn, left_px: ImagePoint, right_px: ImagePoint
) -> bool:
    """Queue a clip to be counted with the markers that a person pointed at.

    Parameters
    ----------
    connection : from `Book.writing`.
    clip : as it was read; refused if its state has changed since.
    left_px, right_px : inner feet of the markers in the displayed picture, px.

    Returns
    -------
    Whether it was queued.
    """
    markers = canonical_text([[left_px.x_px, left_px.y_px], [right_px.x_px, right_px.y_px]])
    return move(connection, clip, ClipState.WAITING, markers=markers, tries=0)


def claim_next(
    connection: Connection,
    *,
    check: bool,
    claim_s: float = CLAIM_S,
    now: datetime | None = None,
) -> tuple[HandedIn, str] | None:
    """Claim the oldest clip that is to be checked or counted.

    Parameters
    ----------
    connection : from `Book.writing`.
    check : take clips whose filming is to be checked, instead of those to be counted.
    claim_s : for how long; `keep_claim` extends it.
    now : UTC; the clock's when None.

    Returns
    -------
    The clip and the claim under which its end is recorded; None where nothing waits.
    """
    at = now or datetime.now(UTC)
    table = schema.handed_in
    found = connection.scalar(
        select(table.c.id)
        .where(_ready(check=check, at=at))
        .order_by(table.c.changed_at, table.c.id)
        .limit(1)
        .with_for_update(skip_locked=True)  # ignored by SQLite, which has one writer at a time
    )
    if found is None:
        return None
    claim = secrets.token_urlsafe(TOKEN_BYTES)
    values: dict[str, Any] = {"claim": claim, "claimed_until": _until(at, claim_s)}
    if not check:
        values |= {"state": ClipState.COUNTING.value, "tries": table.c.tries + 1}
    connection.execute(update(table).where(table.c.id == found).values(**values))
    clip = by_id(connection, found)
    assert clip is not None
    return clip, claim


def is_anything_ready(connection: Connection, *, check: bool) -> bool:
    """Whether `claim_next` would find a clip; does not block other writers."""
    ready = select(schema.handed_in.c.id).where(_ready(check=check, at=datetime.now(UTC)))
    return connection.scalar(ready.limit(1)) is not None


def keep_claim(
    connection: Connection, clip: HandedIn, claim: str, claim_s: float = CLAIM_S
) -> bool:
    """Extend a claim by ``claim_s`` seconds from now; return False if it was lost."""
    table = schema.handed_in
    changed = connection.execute(
        update(table)
        .where(table.c.id == clip.clip_id, table.c.claim == claim)
        .values(claimed_until=_until(datetime.now(UTC), claim_s))
    )
    return changed.rowcount == 1


def finish(
    connection: Connection,
    clip: HandedIn,
    claim: str,
    state: ClipState,
    *,
    why: str = "",
    **values: Any,
) -> None:
    """Record the end of work on a clip, in the caller's transaction.

    Parameters
    ----------
    connection : from `Book.writing`.
    clip, claim : from `claim_next`.
    state, why : what came out, and the reason where it cannot be counted.
    values : further columns of the clip's row.

    Raises
    ------
    ClaimLostError
        The claim ran out and another worker took the clip; roll this transaction back.
    """
    table = schema.handed_in
    changed = connection.execute(
        update(table)
        .where(table.c.id == clip.clip_id, table.c.claim == claim)
        .values(
            state=state.value, why=why, claim=None, claimed_until=None, changed_at=now_text(),
            **values,
        )
    )  # fmt: skip
    if changed.rowcount != 1:
        raise ClaimLostError("another worker took the clip over; its count is the valid one")


def _ready(*, check: bool, at: datetime) -> ColumnElement[bool]:
    table = schema.handed_in.c
    free = or_(table.claimed_until.is_(None), table.claimed_until < time_text(at))
    if check:
        return and_(table.state == ClipState.RECEIVED.value, free)
    return or_(
        table.state == ClipState.WAITING.value,
        and_(table.state == ClipState.COUNTING.value, free),
    )


def _until(at: datetime, claim_s: float) -> str:
    return time_text(at + timedelta(seconds=claim_s))


def _clips() -> Select[Any]:
    table, pupils, classes = schema.handed_in.c, schema.pupils.c, schema.classes.c
    return (
        select(
            schema.handed_in,
            pupils.name.label("pupil"),
            classes.id.label("class_id"),
            classes.name.label("class_name"),
        )
        .join(schema.pupils, pupils.id == table.pupil_id)
        .join(schema.classes, classes.id == pupils.class_id)
    )


def _of(row: Row[Any]) -> HandedIn:
    markers = None if row.markers is None else json.loads(row.markers)
    return HandedIn(
        clip_id=row.id,
        token=row.token,
        pupil_id=row.pupil_id,
        pupil=row.pupil,
        class_id=row.class_id,
        class_name=row.class_name,
        ladder_id=row.ladder_id,
        stage=StageRecord(**json.loads(row.stage)),
        clip_path=Path(row.clip_path),
        size_bytes=row.size_bytes,
        sha256=row.sha256,
        state=ClipState(row.state),
        why=row.why,
        filming=None if row.filming is None else json.loads(row.filming),
        markers_px=None if markers is None else (ImagePoint(*markers[0]), ImagePoint(*markers[1])),
        made_at=row.made_at,
        changed_at=row.changed_at,
        tries=row.tries,
        set_id=row.set_id,
    )


def clips_folder(book: Book) -> Path:
    """Return the folder of clips; make it, readable by its owner only, if it is missing.

    The variable ``SHOEGOAL_CLIPS`` names another one. Workers on other computers must reach it by
    the same name.

    Raises
    ------
    OutputError
        It cannot be made.
    """
    named = os.environ.get(CLIPS_VARIABLE)
    if named:
        folder = Path(named).expanduser().absolute()
    elif book.file is not None:
        folder = book.file.with_name(f"{book.file.stem}-clips")
    else:
        from platformdirs import user_data_path

        folder = user_data_path("shoegoal", appauthor=False) / "clips"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder {folder} for the clips cannot be made ({error.strerror or error}); name "
            f"another one in the variable {CLIPS_VARIABLE}"
        ) from error
    return folder
