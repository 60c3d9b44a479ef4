"""Proving the book: every hash is worked out anew, and every table held against the journal.

What it finds: any entry or row changed, added, taken out or put elsewhere after it was written.
What a chain alone cannot tell is that its newest entries were cut off together with their rows; the
head that is printed, written down somewhere else, tells that too.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, RowMapping, func, select, text

from shoegoal.errors import BadSettingsError, RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.chain import FIRST_PREVIOUS, Entry, canonical_text
from shoegoal.record.filing import calibration_sha256
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.journal import entry_of, rows
from shoegoal.record.reviewing import signed_calls


@dataclass(frozen=True, slots=True)
class Proof:
    """A book whose history fits together.

    Attributes
    ----------
    entries, sets, signatures : how many were checked.
    head : hash of the newest entry; it stands for the whole book at this moment.
    """

    entries: int
    sets: int
    signatures: int
    head: str


class _MisfitError(Exception):
    """What does not fit, without where."""


def verify_book(book: Book, head: str | None = None) -> Proof:
    """Check everything.

    Parameters
    ----------
    book : the record book.
    head : a hash noted earlier, which must still be in the book.

    Raises
    ------
    RecordNotTrueError
        Names the first entry that does not fit, and what is wrong with it.
    RecordBookError
        The database itself is damaged.
    """
    with book.reading() as connection:
        _check_database(connection)
        chained: list[Entry] = []
        versions: Counter[int] = Counter()  # entries of each set so far
        seen: set[str] = {FIRST_PREVIOUS}
        for row in rows(connection):
            try:
                entry = _chained(row, chained, versions[row["set_id"]] + 1)
                _check_beside(connection, entry)
            except _MisfitError as misfit:
                raise RecordNotTrueError(
                    f"entry {row['seq']} of the journal (set {row['set_id']}, {row['kind']}) does "
                    f"not fit: {misfit}. Entries before it do; put back a copy of the book from "
                    "before the change"
                ) from misfit
            chained.append(entry)
            versions[entry.set_id] += 1
            seen.add(row["hash"])
        _check_nothing_beside(connection)
        histories = load_sets(connection)
        _check_sets(histories, chained)
    if head is not None and head not in seen:
        raise RecordNotTrueError(
            f"the noted head {head} is not in the book: its newest entries were cut off, or it is "
            "another book"
        )
    signatures = sum(history.signature is not None for history in histories)
    newest = chained[-1].hash if chained else FIRST_PREVIOUS
    return Proof(len(chained), len(histories), signatures, newest)


def _check_database(connection: Connection) -> None:
    if connection.dialect.name != "sqlite":
        return  # PostgreSQL checks its pages as it reads them, where checksums are on
    said = connection.scalars(text("PRAGMA integrity_check(1)")).all()
    if said != ["ok"]:
        raise RecordNotTrueError(
            f"the book's file is damaged ({said[0]}); keep it, and put back a copy"
        )
    loose = connection.execute(text("PRAGMA foreign_key_check")).first()
    if loose is not None:
        raise RecordNotTrueError(f"a row of {loose[0]} points at a row that is not there")


def _chained(row: RowMapping, chained: list[Entry], version: int) -> Entry:
    expected = len(chained) + 1
    if row["seq"] != expected:
        raise _MisfitError(f"entry {expected} is missing before it")
    previous = chained[-1].hash if chained else FIRST_PREVIOUS
    if row["previous"] != previous:
        raise _MisfitError("it does not follow from the entry before it")
    try:
        entry = entry_of(row)
        fits = entry.hash == row["hash"] and canonical_text(entry.payload) == row["payload"]
    except ValueError as error:
        raise _MisfitError(f"it cannot be read ({error})") from error
    if not fits:
        raise _MisfitError("its content was changed")
    if entry.set_version != version:
        raise _MisfitError(f"it should be number {version} of its set")
    return entry


def _check_beside(connection: Connection, entry: Entry) -> None:
    """Hold the rows that go with an entry against it."""
    payload = entry.payload
    if entry.kind == "analysis" or payload.get("what") == "marker-moved":
        _check_count(connection, entry)
    if entry.kind == "correction":
        table = schema.corrections
        _check_content(connection, entry, table, {"kind": payload.get("what")})
    elif entry.kind == "signature":
        _check_content(connection, entry, schema.signatures, {"by_name": payload.get("by")})
    elif entry.kind != "analysis":
        raise _MisfitError(f'"{entry.kind}" is no kind of entry')


def _check_content(
    connection: Connection, entry: Entry, table: Any, others: dict[str, Any]
) -> None:
    row = connection.execute(select(table).where(table.c.seq == entry.seq)).mappings().first()
    if row is None:
        raise _MisfitError(f"its row in {table.name} is missing")
    expected = {"set_id": entry.set_id, "content": canonical_text(entry.payload), **others}
    for name, value in expected.items():
        if row[name] != value:
            raise _MisfitError(f"{name} of its row in {table.name} was changed")


def _check_count(connection: Connection, entry: Entry) -> None:
    table = schema.analyses
    row = connection.execute(select(table).where(table.c.seq == entry.seq)).mappings().first()
    if row is None:
        raise _MisfitError("its count is missing")
    told = entry.payload
    content = row["content"]
    if hashlib.sha256(content.encode()).hexdigest() != told["analysis_sha256"]:
        raise _MisfitError("its count was changed")
    held = (row["set_id"], row["sha256"], row["tool_version"], row["calibration_sha256"])
    expected = (
        entry.set_id,
        told["analysis_sha256"],
        told["tool_version"],
        calibration_sha256(content),
    )
    if held != expected or told["calibration_sha256"] != expected[-1]:
        raise _MisfitError("the description of its count was changed")
    analysis = json.loads(content)
    if analysis["clip"]["sha256"] != told["clip_sha256"]:
        raise _MisfitError("its count is of another clip")
    calls = schema.calls.c
    query = select(calls.shot, calls.kick_time_s, calls.call, calls.p_make)
    found = connection.execute(
        query.where(calls.analysis_seq == entry.seq).order_by(calls.shot)
    ).all()
    names = ("shot", "kick_time_s", "call", "p_make")
    if [tuple(call[name] for name in names) for call in told["calls"]] != [*map(tuple, found)]:
        raise _MisfitError("its calls were changed")


def _check_nothing_beside(connection: Connection) -> None:
    """Find rows that no entry of the journal tells of."""
    journal = schema.journal.c
    by_kind = {
        row.kind: row.entries
        for row in connection.execute(
            select(journal.kind, func.count().label("entries")).group_by(journal.kind)
        )
    }
    for table, kind in ((schema.corrections, "correction"), (schema.signatures, "signature")):
        if connection.scalar(select(func.count()).select_from(table)) != by_kind.get(kind, 0):
            raise RecordNotTrueError(f"{table.name} holds a row that the journal does not tell of")
    moved = select(schema.corrections.c.seq).where(schema.corrections.c.kind == "marker-moved")
    told = select(journal.seq).where(journal.kind == "analysis")
    loose = select(schema.analyses.c.seq).where(
        schema.analyses.c.seq.not_in(told), schema.analyses.c.seq.not_in(moved)
    )
    if connection.scalar(loose.limit(1)) is not None:
        raise RecordNotTrueError("analyses holds a row that the journal does not tell of")


def _check_sets(histories: list[SetHistory], chained: list[Entry]) -> None:
    """Hold what is said of whole sets, and what was signed, against the journal."""
    firsts: dict[int, Entry] = {}
    for entry in chained:
        firsts.setdefault(entry.set_id, entry)
    for history in histories:
        first = firsts.get(history.set_id)
        if first is None or first.kind != "analysis":
            raise RecordNotTrueError(f"set {history.set_id} has no entry that brought it in")
        told = (first.payload["pupil"], first.payload["stage"], first.payload["clip_sha256"])
        if told != (history.pupil_id, _as_json(asdict(history.stage)), history.clip_sha256):
            raise RecordNotTrueError(
                f"set {history.set_id} does not fit entry {first.seq}: its pupil, stage or clip "
                "was changed"
            )
        signature = history.signature
        if signature is not None and not _signed_what_stood(history):
            raise RecordNotTrueError(
                f"entry {signature.seq} of the journal (set {history.set_id}, signature) does not "
                "fit: its calls are not those of the count with its corrections"
            )


def _signed_what_stood(history: SetHistory) -> bool:
    assert history.signature is not None
    try:
        calls = signed_calls(history.standing())
    except BadSettingsError:
        return True  # counted in a form of another version: the hashes above vouch for it
    signed = history.signature.content["calls"]
    # Shots are known by their times; their numbers were counted otherwise in earlier versions.
    return bool([*map(_unnumbered, _as_json(calls))] == [*map(_unnumbered, signed)])


def _unnumbered(call: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in call.items() if name != "shot"}


def _as_json(value: Any) -> Any:
    return json.loads(canonical_text(value))


def head_lines(proof: Proof) -> Iterator[str]:
    """Say in words what was proved."""
    yield (
        f"true: {proof.entries} entries about {proof.sets} sets, {proof.signatures} of them signed"
    )
    yield f"head {proof.head}"
    yield "note the head down elsewhere; --head HASH then also finds newest entries cut off"
