"""Proving the book: every hash and seal is worked out anew, every table held against the journal.

Without anything from outside the book this proves that it agrees with itself: every row that a
result hangs on stands as an entry tells, tallies and verdicts follow from the calls, nothing was
done to a signed set. Keys, noted heads and receipts, which lie outside, prove that it is the same
book as before: whoever has the book alone can compute every hash anew, but no seal.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, func, select, text

from shoegoal import __version__
from shoegoal.errors import BadSettingsError, RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.accuracy import AS_SHIPPED
from shoegoal.record.book import Book, Seen, note_seen, seen_of
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.journal import FIRST_PREVIOUS, canonical_text, rows
from shoegoal.record.keys import key_if_there
from shoegoal.record.migrations.append_only import (
    postgresql_bodies,
    postgresql_guards,
    sqlite_guards,
)
from shoegoal.record.queue import wrong_state
from shoegoal.record.receipts import Receipt
from shoegoal.record.replay import MisfitError, Replay
from shoegoal.record.reviewing import signed_content

SHORTEST_KEY = 16  # digits of a key's name that tell it from any other


@dataclass(frozen=True, slots=True)
class Proof:
    """A book whose history fits together.

    Attributes
    ----------
    entries, sets, signatures : how many were checked; signatures that stand.
    head : hash of the newest entry; it stands for the whole book at this moment.
    sealed : how many entries each key sealed, by the key's name.
    own_key : this computer's; None while it has none.
    seen : the entry that this computer noted earlier, found again; None where none was noted.
    withdrawn : entries of the receipts whose signature was withdrawn since.
    """

    entries: int
    sets: int
    signatures: int
    head: str
    sealed: dict[str, int] = field(default_factory=dict)
    own_key: str | None = None
    seen: int | None = None
    withdrawn: tuple[int, ...] = ()


def verify_book(
    book: Book,
    head: str | None = None,
    *,
    receipts: Sequence[Receipt] = (),
    keys: Sequence[str] = (),
    restored: bool = False,
) -> Proof:
    """Check everything.

    Parameters
    ----------
    book : the record book.
    head : a hash noted earlier, which must still be in the book.
    receipts : whose entries must still be in the book, as they were.
    keys : names of keys, or their first 16 digits or more; no other may have sealed anything.
    restored : an older copy was put back on purpose: what this computer noted is noted anew.

    Raises
    ------
    RecordNotTrueError
        Names the first entry that does not fit, and what is wrong with it.
    BadSettingsError
        A key's name is too short to tell one.
    RecordBookError
        The database itself is damaged.
    """
    seen = None if restored else seen_of(book.name)
    with book.reading() as connection:
        proof = prove(connection, head, receipts=receipts, keys=keys, seen=seen)
    if proof.entries:
        note_seen(book.name, proof.entries, proof.head)
    return proof


def prove(
    connection: Connection,
    head: str | None = None,
    *,
    receipts: Sequence[Receipt] = (),
    keys: Sequence[str] = (),
    seen: Seen | None = None,
) -> Proof:
    """Check everything, as `verify_book` does, at the moment of the book that a connection sees."""
    _check_names(keys)
    own = key_if_there()
    _check_database(connection)
    replay = Replay(connection)
    for row in rows(connection):
        try:
            replay.take(row)
        except MisfitError as misfit:
            of = "the book" if row["set_id"] is None else f"set {row['set_id']}"
            raise RecordNotTrueError(
                f"entry {row['seq']} of the journal ({of}, {row['kind']}) does not fit: {misfit}. "
                "Entries before it do; put back a copy of the book from before the change"
            ) from misfit
    replay.finish()
    check_signed(connection, replay.signatures)
    _check_guards(connection)
    _check_states(connection)
    sets = connection.scalar(select(func.count()).select_from(schema.sets)) or 0
    _check_keys(replay, keys)
    _check_head(replay, head)
    withdrawn = [_check_receipt(replay, receipt) for receipt in receipts]
    _check_seen(replay, seen)
    newest = replay.hashes[-1] if replay.hashes else FIRST_PREVIOUS
    return Proof(
        len(replay.hashes),
        sets,
        len(replay.standing),
        newest,
        dict(replay.sealed),
        None if own is None else own.name,
        None if seen is None else seen.entry,
        tuple(seq for seq in withdrawn if seq is not None),
    )


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


def _check_guards(connection: Connection) -> None:
    missing = missing_guard(connection)
    if missing is not None:
        raise RecordNotTrueError(
            f"{missing}: somebody worked on the database itself, though every entry fits. "
            "Put back a copy of the book from before"
        )


def _check_states(connection: Connection) -> None:
    wrong = wrong_state(connection)
    if wrong is not None:
        raise RecordNotTrueError(
            f"the queue's row of set {wrong} does not say what the set waits for, though every "
            "entry fits: somebody worked on the database itself. Put back a copy of the book from "
            "before"
        )


def _check_names(keys: Sequence[str]) -> None:
    for key in keys:
        if len(key) < SHORTEST_KEY or set(key.lower()) - set("0123456789abcdef"):
            raise BadSettingsError(
                f"{key} names no key; give {SHORTEST_KEY} to 64 of the digits that "
                "shoegoal record key prints"
            )


def _check_keys(replay: Replay, keys: Sequence[str]) -> None:
    if not keys:
        return
    wanted = tuple(key.lower() for key in keys)
    other = next((name for name in replay.sealed if not name.startswith(wanted)), None)
    if other is not None:
        raise RecordNotTrueError(
            f"{replay.sealed[other]} entries were sealed by another key, {other}; ask whose it is"
        )
    if replay.hashes and not replay.sealed:
        raise RecordNotTrueError(
            "nothing in the book is sealed by that key: it was rewritten, or is older than keys"
        )


def _check_head(replay: Replay, head: str | None) -> None:
    if head is not None and head not in {FIRST_PREVIOUS, *replay.hashes}:
        raise RecordNotTrueError(
            f"the noted head {head} is not in the book: its newest entries were cut off, or it is "
            "another book"
        )


def _check_seen(replay: Replay, seen: Seen | None) -> None:
    if seen is not None and replay.hash_at(seen.entry) != seen.head:
        raise RecordNotTrueError(
            f"this computer saw entry {seen.entry} of this book on {seen.at[:10]}, and it is not "
            "in the book any more: its newest entries were cut off, it was rewritten, or an older "
            "copy was put back. If you put it back yourself, say so with --restored"
        )


def _check_receipt(replay: Replay, receipt: Receipt) -> int | None:
    """Find a receipt's entry in the book; return it where its signature was withdrawn since."""
    if replay.hash_at(receipt.seq) != receipt.hash:
        raise RecordNotTrueError(
            f"the receipt's entry {receipt.seq} is not in the book as it was: the book was cut "
            "off or rewritten since the receipt was made, or it is another book"
        )
    if receipt.sealed_by != replay.sealers[receipt.seq - 1]:
        raise RecordNotTrueError(
            f"entry {receipt.seq} was sealed by another key than its receipt says"
        )
    return receipt.seq if receipt.seq in replay.withdrawn else None


def proof_lines(proof: Proof) -> Iterator[str]:
    """Say in words what was proved, and what was not."""
    yield (
        f"true: {proof.entries} entries about {proof.sets} sets, {proof.signatures} of them signed"
    )
    for name, count in proof.sealed.items():
        whose = "this computer's key" if name == proof.own_key else "the key"
        yield f"sealed by {whose} {name}: {count} entries"
    older = proof.entries - sum(proof.sealed.values())
    if older:
        yield f"older than any key: {older} entries"
    for seq in proof.withdrawn:
        yield f"the signature in entry {seq}, of a receipt, was withdrawn since"
    if proof.seen is not None:
        yield f"entry {proof.seen}, the newest this computer had noted, is there unchanged"
    yield f"head {proof.head}"
    if proof.seen is None:
        yield "not proved: that nothing was cut off or rewritten as a whole before today; that take"
        yield "a receipt, a head noted down earlier (--head) or the name of the key (--key)"


# The words of a verdict may change between versions, and so may names of parts.
_NOT_COMPARED = frozenset({"by", "sentence", "tool_version"})
_OF_THE_VERDICT = frozenset({"tally", "decision"})


def check_signed(connection: Connection, signatures: dict[int, int]) -> None:
    """Work out anew what every signature stands for, withdrawn ones included.

    Parameters
    ----------
    connection : to the book, whose entries were checked.
    signatures : every signature's entry, and its set.

    Raises
    ------
    RecordNotTrueError
        Names the first signature that stands for something else.
    """
    table = schema.signatures.c
    for seq, set_id in signatures.items():
        told = connection.scalar(select(table.content).where(table.seq == seq))
        signed = json.loads(str(told))
        history = _as_of(load_set(connection, set_id), seq)
        wrong = _wrong_part(history, signed)
        if wrong is not None:
            raise RecordNotTrueError(
                f"entry {seq} of the journal (set {set_id}, signature) does not fit: its {wrong} "
                f"{'are' if wrong == 'calls' else 'is'} not that of the count with its corrections"
            )


def _as_of(history: SetHistory, seq: int) -> SetHistory:
    """Take a set back to what it was before an entry; what is signed rests on the count alone."""
    return replace(
        history,
        trust=AS_SHIPPED,
        counts=tuple(count for count in history.counts if count.seq < seq),
        corrections=tuple(change for change in history.corrections if change.seq < seq),
    )


def _wrong_part(history: SetHistory, signed: dict[str, Any]) -> str | None:
    if not history.counts:
        return "count"
    try:
        standing = history.standing()
    except BadSettingsError:
        return None  # counted in a form of another version: the hashes vouch for it
    content = signed_content(history, standing, "")
    expected = json.loads(canonical_text(content))
    left_out = set(_NOT_COMPARED)
    if signed.get("tool_version", __version__) != __version__:
        left_out |= _OF_THE_VERDICT  # worked out by another version's arithmetic
    for part in sorted(signed.keys() - left_out):
        if _comparable(expected.get(part)) != _comparable(signed[part]):
            return part.replace("_sha256", "").replace("_", " ")
    return None


def _comparable(part: Any) -> Any:
    """Leave numbers of shots out: they are known by their times, and were numbered otherwise."""
    if not isinstance(part, list):
        return part
    return [{name: value for name, value in call.items() if name != "shot"} for call in part]


# tgtype is a sum of bits (pg_trigger.h): for each row 1, before 2, insert 4, delete 8, update 16,
# truncate 32. A condition or a list of columns would let some changes through.
_POSTGRESQL_TYPES = {"journal_signed": 7, "change": 27, "truncate": 34}
_POSTGRESQL_TRIGGERS = text(
    "SELECT c.relname, t.tgname, p.proname, t.tgtype, t.tgenabled = 'O' AND t.tgqual IS NULL "
    "AND t.tgattr::text = '' AS whole FROM pg_trigger t "
    "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
    "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
)
_POSTGRESQL_BODIES = text(
    "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = current_schema()::regnamespace"
)


def missing_guard(connection: Connection) -> str | None:
    """Say which trigger is missing, changed or strange; None where all is as it was made."""
    if connection.dialect.name == "sqlite":
        return _missing_in_sqlite(connection)
    found = set()
    for table, name, function, kind, whole in connection.execute(_POSTGRESQL_TRIGGERS):
        wanted = _POSTGRESQL_TYPES.get(name) or _POSTGRESQL_TYPES.get(name.rsplit("_", 1)[-1])
        if not whole or kind != wanted:
            return f"the trigger {name} was changed"
        found.add((table, name, function))
    strange = found ^ postgresql_guards()
    if strange:
        table, name, _ = min(strange)
        return f"the trigger {name} of {table} is missing, or was added"
    bodies = {row.proname: row.prosrc for row in connection.execute(_POSTGRESQL_BODIES)}
    changed = [name for name, body in postgresql_bodies().items() if bodies.get(name) != body]
    return f"the function {changed[0]} was changed" if changed else None


def _missing_in_sqlite(connection: Connection) -> str | None:
    found = connection.execute(
        text("SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'view')")
    )
    there, wanted = {row.name: row.sql for row in found}, sqlite_guards()
    for name in sorted({*there, *wanted}):
        if there.get(name) != wanted.get(name):
            what = "is missing" if name not in there else "was changed or added"
            return f"the trigger {name} {what}"
    return None
