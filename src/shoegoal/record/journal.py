"""Writing the journal: every entry is chained to the one before it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785
from sqlalchemy import Connection, RowMapping, insert, select, update

from shoegoal.errors import RecordChangedError
from shoegoal.record import schema
from shoegoal.record.keys import own_key

UNKNOWN = "unknown"  # the set has changed since its state was worked out
FIRST_PREVIOUS = "0" * 64  # in place of the hash of an entry before the first one


def now_text() -> str:
    """UTC now in ISO 8601, to the microsecond."""
    return time_text(datetime.now(UTC))


def time_text(at: datetime) -> str:
    """Write a UTC time in ISO 8601; such texts sort by time."""
    return at.isoformat(timespec="microseconds").replace("+00:00", "Z")


def set_version(connection: Connection, set_id: int) -> int:
    """Return the number of a set's entries; 0 for a set that does not exist."""
    journal = schema.journal.c
    newest = select(journal.set_version).where(journal.set_id == set_id)
    return connection.scalar(newest.order_by(journal.set_version.desc()).limit(1)) or 0


def append(
    connection: Connection, set_id: int, seen_version: int, kind: str, payload: dict[str, Any]
) -> Entry:
    """Add an entry in the caller's transaction.

    Parameters
    ----------
    connection : from `Book.writing`.
    set_id, seen_version : the set, and its version when the change was decided.
    kind, payload : what happened.

    Raises
    ------
    RecordChangedError
        The set has been changed since that version, or is signed.
    """
    refuse_stale(set_id, seen_version, set_version(connection, set_id))
    return _chain(connection, set_id, seen_version + 1, kind, payload)


def refuse_stale(set_id: int, seen_version: int, version: int) -> None:
    """Refuse a change that was decided on another version of the set.

    Raises
    ------
    RecordChangedError
        The set was changed since; the message names both versions.
    """
    if version != seen_version:
        raise RecordChangedError(
            f"set {set_id} was changed by somebody else since you looked (you saw version "
            f"{seen_version}, it is now version {version}); look at it again, then repeat what is "
            "still needed. Your change was not stored"
        )


def append_of_book(connection: Connection, kind: str, payload: dict[str, Any]) -> Entry:
    """Add an entry about the book as a whole, in the caller's transaction."""
    return _chain(connection, None, 0, kind, payload)


def _chain(
    connection: Connection, set_id: int | None, version: int, kind: str, payload: dict[str, Any]
) -> Entry:
    """Append an entry, sealed with this computer's key."""
    key = own_key()
    if not _knows_key(connection, key.name):
        _write(connection, None, 0, "key", {"key": key.name})
    return _write(connection, set_id, version, kind, payload)


def _knows_key(connection: Connection, name: str) -> bool:
    journal = schema.journal.c
    known = connection.scalars(select(journal.sealed_by).where(journal.kind == "key"))
    return name in set(known)


def _write(
    connection: Connection, set_id: int | None, version: int, kind: str, payload: dict[str, Any]
) -> Entry:
    journal = schema.journal.c
    last = connection.execute(
        select(journal.seq, journal.hash, journal.at).order_by(journal.seq.desc()).limit(1)
    ).first()
    entry = Entry(
        seq=1 if last is None else last.seq + 1,
        set_id=set_id,
        set_version=version,
        kind=kind,
        # A clock that was set back, or another computer's clock, must not make times run backwards.
        at=now_text() if last is None else max(now_text(), last.at),
        payload=payload,
        previous=FIRST_PREVIOUS if last is None else last.hash,
    )
    if set_id is not None:
        _forget_state(connection, set_id)
    key = own_key()
    connection.execute(
        insert(schema.journal).values(
            seq=entry.seq,
            set_id=entry.set_id,
            set_version=entry.set_version,
            kind=entry.kind,
            at=entry.at,
            payload=canonical_text(payload),
            previous=entry.previous,
            hash=entry.hash,
            sealed_by=key.name,
            seal=key.seal(entry.hash),
        )
    )
    return entry


def _forget_state(connection: Connection, set_id: int) -> None:
    """Mark a set's state as unknown, to be worked out again (`shoegoal.record.set_states`)."""
    states = schema.set_states
    changed = connection.execute(
        update(states).where(states.c.set_id == set_id).values(state=UNKNOWN)
    )
    if not changed.rowcount:
        row = {"set_id": set_id, "state": UNKNOWN, "questions": 0, "stage": "", "trust": ""}
        connection.execute(insert(states).values(signed_at="", **row))


def rows(connection: Connection, set_id: int | None = None) -> Iterator[RowMapping]:
    """Yield the journal's rows in order, of one set or of all."""
    query = select(schema.journal).order_by(schema.journal.c.seq)
    if set_id is not None:
        query = query.where(schema.journal.c.set_id == set_id)
    yield from connection.execute(query).mappings()


def entry_of(row: RowMapping) -> Entry:
    """Build an entry from its row.

    Raises
    ------
    ValueError
        Its payload is not JSON, or no object.
    """
    payload = json.loads(row["payload"])
    if not isinstance(payload, dict):
        raise ValueError("the payload is not an object")
    return Entry(
        seq=row["seq"],
        set_id=row["set_id"],
        set_version=row["set_version"],
        kind=row["kind"],
        at=row["at"],
        payload=payload,
        previous=row["previous"],
    )


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the journal.

    Attributes
    ----------
    seq : 1, 2, 3, ... over the whole book.
    set_id, set_version : the set it is about, and how many entries that set then has; None and 0
        where it is about the book: its classes, pupils, ladders, sets, checks, accounts and keys.
    kind : what happened; `shoegoal.record.verify` knows them all.
    at : when, UTC, ISO 8601.
    payload : what happened, in JSON values.
    previous : hash of the entry before, 64 hexadecimal digits.
    """

    seq: int
    set_id: int | None
    set_version: int
    kind: str
    at: str
    payload: dict[str, Any]
    previous: str

    @property
    def hash(self) -> str:
        """SHA-256 over all of the entry, 64 hexadecimal digits."""
        whole = {
            "seq": self.seq,
            "set": self.set_id,
            "set_version": self.set_version,
            "kind": self.kind,
            "at": self.at,
            "payload": self.payload,
            "previous": self.previous,
        }
        return sha256_of(whole)


def canonical_text(value: Any) -> str:
    """Write JSON values in the canonical form of RFC 8785.

    Raises
    ------
    rfc8785.CanonicalizationError
        A number is not finite, or a whole number lies beyond 2**53.
    """
    return rfc8785.dumps(value).decode("utf-8")


def sha256_of(value: Any) -> str:
    """SHA-256 of the canonical form of JSON values, 64 hexadecimal digits."""
    return hashlib.sha256(rfc8785.dumps(value)).hexdigest()
