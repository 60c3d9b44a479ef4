"""Reading the journal again from its start, and holding every row it tells of against it."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, func, select

from shoegoal.errors import RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.filing import calibration_sha256
from shoegoal.record.journal import FIRST_PREVIOUS, Entry, canonical_text, entry_of
from shoegoal.record.keys import seal_fits

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_TABLES = (
    schema.classes, schema.pupils, schema.ladders, schema.sets, schema.analyses, schema.calls,
    schema.corrections, schema.signatures, schema.coach_rounds, schema.coach_items,
    schema.coach_answers, schema.accounts,
)  # fmt: skip
_MANY_TIMES = (schema.accounts,)  # told anew at every change


class MisfitError(Exception):
    """What does not fit, without where."""


class Replay:
    """A pass over the journal.

    Parameters
    ----------
    connection : to the book, at one moment of it.

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
        self._in_order = False  # entries older than the one of kind "book" came as clocks went
        self._sets: dict[int, tuple[int, Any]] = {}  # what brought each in, and what was told of it
        self._counted: dict[int, tuple[int, Any]] = {}  # the same by its first count
        self._told: dict[tuple[Any, ...], RowTold] = {}
        self._rows: Counter[str] = Counter()

    def hash_at(self, seq: int) -> str | None:
        """Hash of an entry; None where there is no such entry."""
        return self.hashes[seq - 1] if 1 <= seq <= len(self.hashes) else None

    def take(self, row: RowMapping) -> None:
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
            raise MisfitError(f"it does not tell what its kind must tell ({error!r})") from error
        self.hashes.append(row["hash"])
        self.sealers.append(row["sealed_by"])

    def finish(self) -> None:
        """Check what only the whole of the journal tells.

        Raises
        ------
        RecordNotTrueError
            Names the row or set that does not fit.
        """
        for told in self._told.values():
            if told.table in _MANY_TIMES:
                misfit = self._misfit(told.table, [told])
                if misfit is not None:
                    raise RecordNotTrueError(f"account {told.key['id']} does not fit: {misfit}")
        for table in _TABLES:
            if (
                self._connection.scalar(select(func.count()).select_from(table))
                != (self._rows[table.name])
            ):
                raise RecordNotTrueError(
                    f"{table.name} holds a row that the journal does not tell of"
                )
        for set_id in sorted({*self._sets, *self._counted, *self._versions}):
            if set_id not in self._sets or set_id not in self._counted:
                raise RecordNotTrueError(f"set {set_id} has no entry that brought it in")
            (_, told), (seq, counted) = self._sets[set_id], self._counted[set_id]
            if told != counted:
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
                raise MisfitError("it brings a key in without that key's seal")
            self._keys.add(name)
        if name is None and not self._keys:
            return  # older than any key: the first seal after it vouches for it
        if name not in self._keys or seal is None or not seal_fits(name, row["hash"], seal):
            raise MisfitError("its seal is missing, or not by a key that the book knows")
        self.sealed[name] += 1

    def _check_order(self, entry: Entry) -> None:
        """Check that it may stand where it stands: after its time, and before a signature."""
        if _TIME.fullmatch(entry.at) is None:
            raise MisfitError(f"{entry.at} is no time")
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
                raise MisfitError("it withdraws a signature that does not stand")
            self.withdrawn.add(self.standing.pop(set_id))
        elif signed is not None:
            raise MisfitError(f"its set was signed in entry {signed}, so nothing may follow")
        elif entry.kind == "signature":
            self.standing[set_id] = entry.seq
            self.signatures[entry.seq] = set_id
        elif entry.kind not in ("analysis", "correction"):
            raise MisfitError(f'"{entry.kind}" is no kind of entry about a set')

    def _check_rows(self, entry: Entry) -> None:
        by_table: dict[Table, list[RowTold]] = defaultdict(list)
        for told in rows_told(entry):
            by_table[told.table].append(told)
            key = (told.table.name, *told.key.values())
            if key not in self._told:
                self._rows[told.table.name] += 1
            elif told.table not in _MANY_TIMES:
                raise MisfitError(f"its row in {told.table.name} is told of twice")
            if told.table.c.keys()[0] == "id" or told.table in _MANY_TIMES:
                self._told[key] = told
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

    def _misfit(self, table: Table, several: list[RowTold]) -> str | None:
        """Hold rows of one table against what was told of them."""
        keys = several[0].key
        # Several rows share the first part of their key, and no other row has it.
        parts = list(keys)[:1] if len(several) > 1 else list(keys)
        query = select(table).where(*(table.c[part] == keys[part] for part in parts))
        found = self._connection.execute(query).mappings()
        rows = {tuple(row[name] for name in keys): row for row in found}
        for told in several:
            row = rows.get(tuple(told.key.values()))
            if row is None:
                return f"its row in {table.name} is missing"
            changed = next((name for name, value in told.values.items() if row[name] != value), "")
            if changed:
                return f"{changed} of its row in {table.name} was changed"
            for name, sha256 in told.sha256_of.items():
                if hashlib.sha256(row[name].encode()).hexdigest() != sha256:
                    return f"{name} of its row in {table.name} was changed"
        if len(rows) != len(several):
            return f"{table.name} holds a row that it does not tell of"
        return None

    def _refuse_calls(self, seq: int) -> None:
        calls = schema.calls
        if self._connection.scalar(select(calls.c.shot).where(calls.c.analysis_seq == seq)):
            raise MisfitError("calls holds a row that it does not tell of")

    def _check_count(self, entry: Entry) -> None:
        """Hold what was told of a count against the count itself."""
        told, table = entry.payload, schema.analyses
        found = select(table.c.content).where(table.c.seq == entry.seq)
        content = str(self._connection.scalar(found))
        analysis = json.loads(content)
        if analysis["clip"]["sha256"] != told["clip_sha256"]:
            raise MisfitError("its count is of another clip")
        if calibration_sha256(content) != told["calibration_sha256"]:
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
        if json.loads(canonical_text(calls)) != told["calls"]:
            raise MisfitError("its calls are not those of its count")


@dataclass(frozen=True, slots=True)
class RowTold:
    """A row as the journal tells of it.

    Attributes
    ----------
    table : where it stands.
    key, values : columns by which it is found, and what others must hold.
    sha256_of : columns whose content is known by its SHA-256 alone.
    """

    table: Table
    key: dict[str, Any]
    values: dict[str, Any]
    sha256_of: dict[str, str] = field(default_factory=dict)


def rows_told(entry: Entry) -> list[RowTold]:
    """List the rows that an entry tells of; of an account only the newest entry's holds.

    Raises
    ------
    KeyError, TypeError, AttributeError
        The payload lacks what its kind must tell; a kind that is not known is a KeyError.
    """
    return _KINDS[entry.kind](entry, entry.payload)


def account_told(row: Mapping[str, Any]) -> dict[str, Any]:
    """Tell of an account's row; of the password's hash only a hash."""
    told = {name: row[name] for name in _ACCOUNT}
    password = hashlib.sha256(row["password"].encode()).hexdigest()
    return {"account": row["id"], "password_sha256": password, **told}


_ACCOUNT = ("login", "name", "role", "pupil_id", "class_id", "made_at", "disabled_at")


def _none(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    return []


def _class(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    return [RowTold(schema.classes, {"id": told["class"]}, {"name": told["name"]})]


def _pupil(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"class_id": told["class"], "name": told["name"]}
    return [RowTold(schema.pupils, {"id": told["pupil"]}, values)]


def _ladder(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"title": told["title"], "sha256": told["sha256"]}
    content = {"content": told["sha256"]}
    return [RowTold(schema.ladders, {"id": told["ladder"]}, values, content)]


def _set(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "pupil_id": told["pupil"],
        "ladder_id": told["ladder"],
        "clip_sha256": told["clip_sha256"],
        "clip_name": told["clip_name"],
        "stage": canonical_text(told["stage"]),
        "added_at": told["added_at"],
    }
    return [RowTold(schema.sets, {"id": told["set"]}, values)]


def _count(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "set_id": entry.set_id,
        "sha256": told["analysis_sha256"],
        "tool_version": told["tool_version"],
        "calibration_sha256": told["calibration_sha256"],
    }
    calls = [
        RowTold(
            schema.calls,
            {"analysis_seq": entry.seq, "shot": call["shot"]},
            {name: call[name] for name in ("kick_time_s", "call", "p_make")},
        )
        for call in told["calls"]
    ]
    content = {"content": told["analysis_sha256"]}
    return [RowTold(schema.analyses, {"seq": entry.seq}, values, content), *calls]


def _correction(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "set_id": entry.set_id,
        "kind": told["what"],
        "content": canonical_text(told),
    }
    row = RowTold(schema.corrections, {"seq": entry.seq}, values)
    return [row, *(_count(entry, told) if told["what"] == "marker-moved" else ())]


def _signature(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"set_id": entry.set_id, "by_name": told["by"], "content": canonical_text(told)}
    return [RowTold(schema.signatures, {"seq": entry.seq}, values)]


def _round(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"class_id": told["class"], "seed": told["seed"], "made_at": told["made_at"]}
    items = [
        RowTold(
            schema.coach_items,
            {"round_id": told["round"], "place": item["place"]},
            {name: value for name, value in item.items() if name != "place"},
        )
        for item in told["items"]
    ]
    return [RowTold(schema.coach_rounds, {"id": told["round"]}, values), *items]


def _check(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    key = {"round_id": told["round"], "place": told["place"]}
    values = {"answer": told["answer"], "by_name": told["by"], "at": told["at"]}
    return [RowTold(schema.coach_answers, key, values)]


def _account(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {name: told[name] for name in _ACCOUNT}
    password = told["password_sha256"]
    return [RowTold(schema.accounts, {"id": told["account"]}, values, {"password": password})]


_KINDS: dict[str, Callable[[Entry, dict[str, Any]], list[RowTold]]] = {
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
