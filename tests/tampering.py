"""Hands that work on a book's tables behind its back, as somebody who has the database could.

Each attack is run inside a transaction that is rolled back. The triggers are put back afterwards,
as a careful hand would, unless the attack is about them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Connection, Table, delete, insert, select, text

from record_books import TEACHER, analysis_of, file_set
from shoegoal.analysis.model import StageRecord
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record import schema
from shoegoal.record.accounts import Role, add_account
from shoegoal.record.book import Book
from shoegoal.record.coaching import answer_check, draw_round
from shoegoal.record.filing import enrol, file_count
from shoegoal.record.journal import FIRST_PREVIOUS, append, canonical_text, entry_of
from shoegoal.record.keys import SigningKey
from shoegoal.record.reviewing import add_note, answer_shot, sign
from shoegoal.record.status import Answer

Act = Callable[[Connection], object]
Rows = list[dict[str, Any]]


@dataclass(frozen=True)
class Attack:
    """One kind of tampering.

    Attributes
    ----------
    name : what is done.
    act : does it.
    outside : it leaves a book that agrees with itself, so that only what lies outside shows it.
    triggers : it is about the triggers themselves, which are not put back.
    """

    name: str
    act: Act
    outside: bool = False
    triggers: bool = False


def book_to_attack(book: Book) -> None:
    """Fill a book: a class, a ladder, three sets signed and one open, a round of checks, accounts.

    The sets are 1 (signed), 2 (signed, withdrawn, signed again), 3 (signed) and 4 (open).
    """
    ladder = load_ladder()
    with book.writing() as connection:
        enrol(connection, "7b", ["Grey Plover", "Blue Finch"], 0)
        enrol(connection, "8a", ["Red Ibex"], 0)
        analysis, _ = analysis_of("one.mp4")
        stage = StageRecord.of(analysis.stage.to_stage())
        file_count(
            connection, analysis, Path("nowhere/one"), pupil="Grey Plover", stage=stage,
            ladder=ladder,
        )  # fmt: skip
        analysis, _ = analysis_of("two.mp4")
        file_count(connection, analysis, Path("nowhere/two"), pupil="Blue Finch")
    file_set(book, "three.mp4", unsure=False)
    for set_id in (1, 2):
        answer_shot(book, set_id, 5, Answer.MISS, note="off the cone", by=TEACHER)
        add_note(book, set_id, "windy", by=TEACHER)
        sign(book, set_id, TEACHER)
    withdraw_signature(book, 2)
    answer_shot(book, 2, 5, Answer.MAKE, by=TEACHER)
    for set_id in (2, 3):
        sign(book, set_id, TEACHER)
    file_set(book, "four.mp4")
    with book.writing() as connection:
        round_id = draw_round(connection, "7b", 6, seed=3)
        answer_check(connection, round_id, 1, "make", by="A. Coach")
        answer_check(connection, round_id, 2, "miss", by="A. Coach")
        add_account(connection, "Ana Coach", Role.COACH, "four words in a row", class_name="7b")
        add_account(connection, "T. Quill", Role.TEACHER, "other words in a row")
    add_note(book, 4, "the last word")


def withdraw_signature(book: Book, set_id: int) -> None:
    """Take a set's signature back."""
    with book.writing() as connection:
        journal = schema.journal.c
        row = connection.execute(
            select(journal.seq, journal.set_version)
            .where(journal.set_id == set_id)
            .order_by(journal.seq.desc())
        ).first()
        assert row is not None
        payload = {"by": TEACHER, "reason": "the wrong clip", "signature": row.seq}
        append(connection, set_id, row.set_version, "withdrawn", payload)


def carry_out(book: Book, attack: Attack, check: Callable[[Connection], object]) -> None:
    """Attack the book, hold ``check`` against what is left, and undo it all."""
    with book.writing() as connection:
        try:
            triggers = _open_up(connection)
            attack.act(connection)
            if attack.triggers:
                _close(connection, triggers[1:])
            else:
                _close(connection, triggers)
            check(connection)
        finally:
            connection.rollback()


def _open_up(connection: Connection) -> list[str]:
    """Drop all triggers; return the statements that make them again."""
    if connection.dialect.name == "sqlite":
        connection.execute(text("PRAGMA defer_foreign_keys = ON"))
        found = connection.execute(
            text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name")
        ).all()
        for name, _ in found:
            connection.execute(text(f"DROP TRIGGER {name}"))
        return [sql for _, sql in found]
    found = connection.execute(
        text(
            "SELECT t.tgname, c.relname, pg_get_triggerdef(t.oid) FROM pg_trigger t "
            "JOIN pg_class c ON c.oid = t.tgrelid WHERE NOT t.tgisinternal ORDER BY 1"
        )
    ).all()
    connection.execute(text("SET LOCAL session_replication_role = replica"))
    for name, table, _ in found:
        connection.execute(text(f"DROP TRIGGER {name} ON {table}"))
    return [sql for _, _, sql in found]


def _close(connection: Connection, triggers: list[str]) -> None:
    for statement in triggers:
        connection.exec_driver_sql(statement)


_CHAINED = (
    schema.journal, schema.analyses, schema.calls, schema.corrections, schema.signatures
)  # fmt: skip


def rewrite(
    connection: Connection,
    change: Callable[[dict[str, Rows]], None],
    *,
    seals: str = "kept",
) -> None:
    """Change the journal and its rows, then work the whole chain out anew.

    ``seals`` are ``kept`` as they are, ``dropped`` with their keys, or made with ``another`` key.
    """
    tables = {
        table.name: [dict(row) for row in connection.execute(_in_order(table)).mappings()]
        for table in _CHAINED
    }
    for row in tables["journal"]:
        row["payload"] = json.loads(row["payload"])
    change(tables)
    journal = tables["journal"]
    if seals == "dropped":
        journal[:] = [row for row in journal if row["kind"] != "key"]
    key = Ed25519PrivateKey.generate()
    other = SigningKey(key.public_key().public_bytes_raw().hex(), key)
    previous, places, versions = FIRST_PREVIOUS, {}, dict[int, int]()
    for place, row in enumerate(journal, start=1):
        places[row["seq"]] = place
        row |= {"seq": place, "previous": previous}
        if row["set_id"] is not None:
            versions[row["set_id"]] = versions.get(row["set_id"], 0) + 1
            row["set_version"] = versions[row["set_id"]]
        payload = row["payload"]
        for name in ("seq", "signature"):
            if name in payload:
                payload[name] = places[payload[name]]
        for item in payload.get("items", ()):
            item["analysis_seq"] = places[item["analysis_seq"]]
        if row["kind"] == "key" and seals == "another":
            payload["key"] = other.name
        row["payload"] = canonical_text(payload)
        row["hash"] = previous = entry_of(row).hash  # type: ignore[arg-type]
        if seals == "dropped":
            row |= {"sealed_by": None, "seal": None}
        elif seals == "another" and row["sealed_by"] is not None:
            row |= {"sealed_by": other.name, "seal": other.seal(previous)}
    payloads = {row["seq"]: row["payload"] for row in journal}
    for name in ("analyses", "corrections", "signatures"):
        rows = [row for row in tables[name] if row["seq"] in places]
        tables[name] = [row | {"seq": places[row["seq"]]} for row in rows]
        for row in tables[name]:
            if name != "analyses":
                row["content"] = payloads[row["seq"]]
    tables["calls"] = [
        row | {"analysis_seq": places[row["analysis_seq"]]}
        for row in tables["calls"]
        if row["analysis_seq"] in places
    ]
    for item in list(connection.execute(select(schema.coach_items)).mappings()):
        connection.execute(
            text("UPDATE coach_items SET analysis_seq = :to WHERE round_id = :r AND place = :p"),
            {"to": places.get(item["analysis_seq"]), "r": item["round_id"], "p": item["place"]},
        )
    for table in reversed(_CHAINED):
        connection.execute(delete(table))
    for table in _CHAINED:
        if tables[table.name]:
            connection.execute(insert(table), tables[table.name])


def _in_order(table: Table) -> Any:
    return select(table).order_by(*table.primary_key.columns)
