"""Proving the book: every hash and seal is computed again, every table compared with the journal.

The book alone can prove that it agrees with itself: every row that a result depends on is as an
entry says, tallies and verdicts follow from the calls, and nothing was done to a signed set. Keys,
noted heads and receipts are outside the book. They prove that it is the same book as before,
because somebody who has only the book can compute every hash again, but no seal.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, func, select, text

from shoegoal import __version__
from shoegoal.errors import BadSettingsError, RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.accounts import ACCOUNT_COLUMNS
from shoegoal.record.accuracy import AS_SHIPPED
from shoegoal.record.book import Book, Seen, note_seen, seen_of
from shoegoal.record.filing import calibration_sha256
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.journal import (
    FIRST_PREVIOUS,
    Entry,
    canonical_text,
    entry_of,
    rows,
)
from shoegoal.record.keys import key_if_there, seal_fits
from shoegoal.record.migrations.append_only import (
    postgresql_bodies,
    postgresql_guards,
    sqlite_guards,
)
from shoegoal.record.receipts import Receipt
from shoegoal.record.reviewing import signed_content
from shoegoal.record.set_states import wrong_state

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_TABLES = (
    schema.classes, schema.pupils, schema.ladders, schema.sets, schema.analyses, schema.calls,
    schema.corrections, schema.signatures, schema.coach_rounds, schema.coach_items,
    schema.coach_answers, schema.accounts,
)  # fmt: skip
_MANY_TIMES = (schema.accounts,)  # every change adds a new entry
SHORTEST_KEY = 16  # digits; enough to tell keys apart
# Wording may change between versions.
_NOT_COMPARED = frozenset({"by", "sentence", "tool_version"})
_OF_THE_VERDICT = frozenset({"tally", "decision"})
# tgtype is a sum of bits (pg_trigger.h): for each row 1, before 2, insert 4, delete 8, update 16,
# truncate 32. A condition or a list of columns would allow some changes.
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


@dataclass(frozen=True, slots=True)
class Proof:
    """The result of a successful proof.

    Attributes
    ----------
    entries, sets, signatures : how many were checked; signatures that stand.
    head : hash of the newest entry; it stands for the whole book at this moment.
    sealed : how many entries each key sealed, by the key's name.
    own_key : this computer's; None where it has none.
    seen : the entry that this computer noted earlier and that is still there; None where none was
        noted.
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
    receipts : whose entries must still be in the book, unchanged.
    keys : names of keys, or their first 16 digits or more; no other may have sealed anything.
    restored : an older copy was restored on purpose, so this computer notes its head again.

    Raises
    ------
    RecordNotTrueError
        The first entry that does not fit, and what is wrong with it.
    BadSettingsError
        A key's name is too short to be unique.
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
    """Check everything, as `verify_book` does, in the caller's transaction.

    Parameters
    ----------
    connection : from `Book.reading`.
    head, receipts, keys : as for `verify_book`.
    seen : this computer's note about the book; None without one.

    Raises
    ------
    RecordNotTrueError
        Names the first entry that does not fit.
    """
    _check_names(keys)
    own = key_if_there()
    _check_database(connection)
    replay = Replay(connection)
    for row in rows(connection):
        try:
            replay.check(row)
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
    """Check a receipt's entry; return it if its signature was withdrawn since."""
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
    """Put into words what was proved and what was not."""
    yield (
        f"consistent: {_number(proof.entries, 'entry', 'entries')} about "
        f"{_number(proof.sets, 'set', 'sets')}, {proof.signatures} of them signed"
    )
    for name, count in proof.sealed.items():
        whose = "this computer's key" if name == proof.own_key else "the key"
        yield f"sealed by {whose} {name}: {_number(count, 'entry', 'entries')}"
    older = proof.entries - sum(proof.sealed.values())
    if older:
        yield f"not sealed, from before there was a key: {_number(older, 'entry', 'entries')}"
    for seq in proof.withdrawn:
        yield f"the signature in entry {seq}, of a receipt, was withdrawn since"
    if proof.seen is not None:
        yield f"entry {proof.seen}, the newest this computer had noted, is there unchanged"
    yield f"head {proof.head}"
    if proof.seen is None:
        yield "not proved: that nothing was cut off or rewritten as a whole before today; for that,"
        yield "give a receipt (--receipt), a head noted earlier (--head) or the key's name (--key)"


def _number(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"


def check_signed(connection: Connection, signatures: dict[int, int]) -> None:
    """Compute again what every signature confirms, withdrawn ones included.

    Parameters
    ----------
    connection : to the book, whose entries were checked.
    signatures : every signature's entry, and its set.

    Raises
    ------
    RecordNotTrueError
        The first signature that does not fit.
    """
    table = schema.signatures.c
    for seq, set_id in signatures.items():
        content = connection.scalar(select(table.content).where(table.seq == seq))
        signed = json.loads(str(content))
        history = _as_of(load_set(connection, set_id), seq)
        wrong = _wrong_part(history, signed)
        if wrong is not None:
            raise RecordNotTrueError(
                f"entry {seq} of the journal (set {set_id}, signature) does not fit: its {wrong} "
                f"{'are' if wrong == 'calls' else 'is'} not that of the count with its corrections"
            )


def _as_of(history: SetHistory, seq: int) -> SetHistory:
    """Return a set as it was before an entry, without the book's own trust."""
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
        status = history.status()
    except BadSettingsError:
        return None  # counted by another version: the hashes vouch for it
    content = signed_content(history, status, "")
    expected = json.loads(canonical_text(content))
    left_out = set(_NOT_COMPARED)
    if signed.get("tool_version", __version__) != __version__:
        left_out |= _OF_THE_VERDICT  # computed by another version
    for part in sorted(signed.keys() - left_out):
        if _comparable(expected.get(part)) != _comparable(signed[part]):
            return part.replace("_sha256", "").replace("_", " ")
    return None


def _comparable(part: Any) -> Any:
    """Leave out numbers of shots, which may differ: shots are identified by their times."""
    if not isinstance(part, list):
        return part
    return [{name: value for name, value in call.items() if name != "shot"} for call in part]


def missing_guard(connection: Connection) -> str | None:
    """Say which trigger is missing, changed or added; None where all are right."""
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


class MisfitError(Exception):
    """What does not fit; the caller adds where."""


class Replay:
    """A pass over the journal.

    Parameters
    ----------
    connection : to the book, at one moment.

    Attributes
    ----------
    hashes, sealers : of every entry so far; None where there is no seal.
    sealed : how many entries each key sealed.
    signatures : every signature's entry, and its set.
    standing : entry of the signature that stands, by set.
    withdrawn : entries of signatures that were withdrawn.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.hashes: list[str] = []
        self.sealers: list[str | None] = []
        self.sealed: Counter[str] = Counter()
        self.signatures: dict[int, int] = {}
        self.standing: dict[int, int] = {}
        self.withdrawn: set[int] = set()
        self._keys: set[str] = set()
        self._versions: Counter[int] = Counter()  # entries of each set so far
        self._at = ""
        self._in_order = False  # entries before the one of kind "book" may be out of order of time
        self._sets: dict[int, tuple[int, Any]] = {}  # entry that added each set; its payload
        self._counted: dict[int, tuple[int, Any]] = {}  # the same of its first count
        self._expected: dict[tuple[Any, ...], ExpectedRow] = {}
        self._rows: Counter[str] = Counter()

    def hash_at(self, seq: int) -> str | None:
        """Hash of an entry; None where there is no such entry."""
        return self.hashes[seq - 1] if 1 <= seq <= len(self.hashes) else None

    def check(self, row: RowMapping) -> None:
        """Check the next entry and the rows beside it.

        Raises
        ------
        MisfitError
            Says what does not fit.
        """
        entry = self._chained(row)
        try:
            self._check_seal(entry, row)
            self._check_order(entry)
            self._check_rows(entry)
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            raise MisfitError(f"it lacks what an entry of its kind must say ({error!r})") from error
        self.hashes.append(row["hash"])
        self.sealers.append(row["sealed_by"])

    def finish(self) -> None:
        """Check what only the whole journal shows.

        Raises
        ------
        RecordNotTrueError
            Names the row or set that does not fit.
        """
        for row in self._expected.values():
            if row.table in _MANY_TIMES:
                misfit = self._misfit(row.table, [row])
                if misfit is not None:
                    raise RecordNotTrueError(f"account {row.key['id']} does not fit: {misfit}")
        for table in _TABLES:
            if (
                self._connection.scalar(select(func.count()).select_from(table))
                != (self._rows[table.name])
            ):
                raise RecordNotTrueError(f"{table.name} holds a row that is not in the journal")
        for set_id in sorted({*self._sets, *self._counted, *self._versions}):
            if set_id not in self._sets or set_id not in self._counted:
                raise RecordNotTrueError(f"set {set_id} has no entry that brought it in")
            (_, added), (seq, counted) = self._sets[set_id], self._counted[set_id]
            if added != counted:
                raise RecordNotTrueError(
                    f"set {set_id} does not fit entry {seq}: its pupil, stage or clip was changed"
                )

    def _chained(self, row: RowMapping) -> Entry:
        expected = len(self.hashes) + 1
        if row["seq"] != expected:
            raise MisfitError(f"entry {expected} is missing before it")
        previous = self.hashes[-1] if self.hashes else FIRST_PREVIOUS
        if row["previous"] != previous:
            raise MisfitError("it does not follow from the entry before it")
        try:
            entry = entry_of(row)
            fits = entry.hash == row["hash"] and canonical_text(entry.payload) == row["payload"]
        except (ValueError, RecursionError) as error:
            raise MisfitError(f"it cannot be read ({error})") from error
        if not fits:
            raise MisfitError("its content was changed")
        if entry.set_id is None:
            version = 0
        else:
            self._versions[entry.set_id] += 1
            version = self._versions[entry.set_id]
        if entry.set_version != version:
            raise MisfitError(f"it should be number {version} of its set")
        return entry

    def _check_seal(self, entry: Entry, row: RowMapping) -> None:
        name, seal = row["sealed_by"], row["seal"]
        if entry.kind == "key":
            if name != entry.payload["key"]:
                raise MisfitError("it adds a key without that key's seal")
            self._keys.add(name)
        if name is None and not self._keys:
            return  # before the first key: the first seal after it vouches for it
        if name not in self._keys or seal is None or not seal_fits(name, row["hash"], seal):
            raise MisfitError("its seal is missing, or not by a key that the book knows")
        self.sealed[name] += 1

    def _check_order(self, entry: Entry) -> None:
        """Check the order: times rise, and no entry follows a signature."""
        if _TIME.fullmatch(entry.at) is None:
            raise MisfitError(f"{entry.at} is not a time")
        if self._in_order and entry.at < self._at:
            raise MisfitError(f"its time, {entry.at}, lies before that of the entry before it")
        self._in_order = self._in_order or entry.kind == "book"
        self._at = entry.at
        set_id = entry.set_id
        if set_id is None:
            if entry.kind in ("analysis", "correction", "signature", schema.WITHDRAWN):
                raise MisfitError("it names no set")
            return
        signed = self.standing.get(set_id)
        if entry.kind == schema.WITHDRAWN:
            if signed is None or entry.payload["signature"] != signed:
                raise MisfitError("it withdraws a signature that is not valid")
            self.withdrawn.add(self.standing.pop(set_id))
        elif signed is not None:
            raise MisfitError(f"its set was signed in entry {signed}, so nothing may follow")
        elif entry.kind == "signature":
            self.standing[set_id] = entry.seq
            self.signatures[entry.seq] = set_id
        elif entry.kind not in ("analysis", "correction"):
            raise MisfitError(f'"{entry.kind}" is not a kind of entry about a set')

    def _check_rows(self, entry: Entry) -> None:
        by_table: dict[Table, list[ExpectedRow]] = defaultdict(list)
        for row in expected_rows(entry):
            by_table[row.table].append(row)
            key = (row.table.name, *row.key.values())
            if key not in self._expected:
                self._rows[row.table.name] += 1
            elif row.table not in _MANY_TIMES:
                raise MisfitError(f"an earlier entry already has its row in {row.table.name}")
            if row.table.c.keys()[0] == "id" or row.table in _MANY_TIMES:
                self._expected[key] = row
        for table, several in by_table.items():
            misfit = None if table in _MANY_TIMES else self._misfit(table, several)
            if misfit is not None:
                raise MisfitError(misfit)
        payload = entry.payload
        if entry.kind == "set":
            identity = (payload["pupil"], payload["stage"], payload["clip_sha256"])
            self._sets[payload["set"]] = (entry.seq, identity)
        if schema.analyses in by_table:
            if not by_table[schema.calls]:
                self._refuse_calls(entry.seq)
            self._check_count(entry)
        if entry.kind == "analysis" and entry.set_id is not None:
            identity = (payload["pupil"], payload["stage"], payload["clip_sha256"])
            self._counted.setdefault(entry.set_id, (entry.seq, identity))

    def _misfit(self, table: Table, several: list[ExpectedRow]) -> str | None:
        """Compare rows of one table with the journal."""
        keys = several[0].key
        # Several rows share the first part of their key, and no other row has it.
        parts = list(keys)[:1] if len(several) > 1 else list(keys)
        query = select(table).where(*(table.c[part] == keys[part] for part in parts))
        found = self._connection.execute(query).mappings()
        rows = {tuple(row[name] for name in keys): row for row in found}
        for expected in several:
            row = rows.get(tuple(expected.key.values()))
            if row is None:
                return f"its row in {table.name} is missing"
            changed = next(
                (name for name, value in expected.values.items() if row[name] != value), ""
            )
            if changed:
                return f"{changed} of its row in {table.name} was changed"
            for name, sha256 in expected.sha256_of.items():
                if hashlib.sha256(row[name].encode()).hexdigest() != sha256:
                    return f"{name} of its row in {table.name} was changed"
        if len(rows) != len(several):
            return f"{table.name} holds a row that is not in the entry"
        return None

    def _refuse_calls(self, seq: int) -> None:
        calls = schema.calls
        if self._connection.scalar(select(calls.c.shot).where(calls.c.analysis_seq == seq)):
            raise MisfitError("calls holds a row that is not in the entry")

    def _check_count(self, entry: Entry) -> None:
        """Compare an entry's description of a count with the count."""
        payload, table = entry.payload, schema.analyses
        found = select(table.c.content).where(table.c.seq == entry.seq)
        content = str(self._connection.scalar(found))
        analysis = json.loads(content)
        if analysis["clip"]["sha256"] != payload["clip_sha256"]:
            raise MisfitError("its count is of another clip")
        if calibration_sha256(content) != payload["calibration_sha256"]:
            raise MisfitError("the description of its count was changed")
        calls = [
            {
                "shot": shot["number"],
                "kick_time_s": shot["kick_time_s"],
                "call": shot["call"],
                "p_make": shot["p_make"],
            }
            for shot in analysis["shots"]
        ]
        if json.loads(canonical_text(calls)) != payload["calls"]:
            raise MisfitError("its calls are not those of its count")


@dataclass(frozen=True, slots=True)
class ExpectedRow:
    """A row as the journal describes it.

    Attributes
    ----------
    table : where it is.
    key, values : columns that identify it, and what other columns must hold.
    sha256_of : columns whose content is known by its SHA-256 alone.
    """

    table: Table
    key: dict[str, Any]
    values: dict[str, Any]
    sha256_of: dict[str, str] = field(default_factory=dict)


def expected_rows(entry: Entry) -> list[ExpectedRow]:
    """List the rows that an entry describes; of an account only the newest entry counts.

    Raises
    ------
    KeyError, TypeError, AttributeError
        The payload lacks what its kind needs, or the kind is unknown (KeyError).
    """
    return _KINDS[entry.kind](entry, entry.payload)


def _none(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    return []


def _class(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    return [ExpectedRow(schema.classes, {"id": payload["class"]}, {"name": payload["name"]})]


def _pupil(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {"class_id": payload["class"], "name": payload["name"]}
    return [ExpectedRow(schema.pupils, {"id": payload["pupil"]}, values)]


def _ladder(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {"title": payload["title"], "sha256": payload["sha256"]}
    content = {"content": payload["sha256"]}
    return [ExpectedRow(schema.ladders, {"id": payload["ladder"]}, values, content)]


def _set(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {
        "pupil_id": payload["pupil"],
        "ladder_id": payload["ladder"],
        "clip_sha256": payload["clip_sha256"],
        "clip_name": payload["clip_name"],
        "stage": canonical_text(payload["stage"]),
        "added_at": payload["added_at"],
    }
    return [ExpectedRow(schema.sets, {"id": payload["set"]}, values)]


def _count(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {
        "set_id": entry.set_id,
        "sha256": payload["analysis_sha256"],
        "tool_version": payload["tool_version"],
        "calibration_sha256": payload["calibration_sha256"],
    }
    calls = [
        ExpectedRow(
            schema.calls,
            {"analysis_seq": entry.seq, "shot": call["shot"]},
            {name: call[name] for name in ("kick_time_s", "call", "p_make")},
        )
        for call in payload["calls"]
    ]
    content = {"content": payload["analysis_sha256"]}
    return [ExpectedRow(schema.analyses, {"seq": entry.seq}, values, content), *calls]


def _correction(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {
        "set_id": entry.set_id,
        "kind": payload["what"],
        "content": canonical_text(payload),
    }
    row = ExpectedRow(schema.corrections, {"seq": entry.seq}, values)
    return [row, *(_count(entry, payload) if payload["what"] == "marker-moved" else ())]


def _signature(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {"set_id": entry.set_id, "by_name": payload["by"], "content": canonical_text(payload)}
    return [ExpectedRow(schema.signatures, {"seq": entry.seq}, values)]


def _round(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {"class_id": payload["class"], "seed": payload["seed"], "made_at": payload["made_at"]}
    items = [
        ExpectedRow(
            schema.coach_items,
            {"round_id": payload["round"], "place": item["place"]},
            {name: value for name, value in item.items() if name != "place"},
        )
        for item in payload["items"]
    ]
    return [ExpectedRow(schema.coach_rounds, {"id": payload["round"]}, values), *items]


def _check(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    key = {"round_id": payload["round"], "place": payload["place"]}
    values = {"answer": payload["answer"], "by_name": payload["by"], "at": payload["at"]}
    return [ExpectedRow(schema.coach_answers, key, values)]


def _account(entry: Entry, payload: dict[str, Any]) -> list[ExpectedRow]:
    values = {name: payload[name] for name in ACCOUNT_COLUMNS}
    password = payload["password_sha256"]
    return [
        ExpectedRow(schema.accounts, {"id": payload["account"]}, values, {"password": password})
    ]


_KINDS: dict[str, Callable[[Entry, dict[str, Any]], list[ExpectedRow]]] = {
    "book": _none,
    "key": _none,
    "class": _class,
    "pupil": _pupil,
    "ladder": _ladder,
    "set": _set,
    "analysis": _count,
    "correction": _correction,
    "signature": _signature,
    "withdrawn": _none,
    "round": _round,
    "check": _check,
    "account": _account,
}
