"""Proving the book: every hash and seal is worked out anew, every table held against the journal.

Without anything from outside the book this proves that it agrees with itself: every row that a
result hangs on stands as an entry tells, tallies and verdicts follow from the calls, nothing was
done to a signed set. Keys, noted heads and receipts, which lie outside, prove that it is the same
book as before: whoever has the book alone can compute every hash anew, but no seal.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection, func, select, text

from shoegoal.errors import BadSettingsError, RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.chain import FIRST_PREVIOUS
from shoegoal.record.guards import missing_guard
from shoegoal.record.journal import rows
from shoegoal.record.keys import key_if_there
from shoegoal.record.receipts import Receipt
from shoegoal.record.replay import MisfitError, Replay
from shoegoal.record.seen import Seen, note_seen, seen_of
from shoegoal.record.signed import check_signed
from shoegoal.record.states import wrong_state

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
