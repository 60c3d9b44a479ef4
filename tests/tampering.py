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
from shoegoal.record.chain import FIRST_PREVIOUS, canonical_text
from shoegoal.record.coaching import answer_check, draw_round
from shoegoal.record.corrections import Answer
from shoegoal.record.filing import enrol, file_count
from shoegoal.record.journal import append, entry_of
from shoegoal.record.keys import SigningKey
from shoegoal.record.reviewing import add_note, answer_shot, sign
from shoegoal.record.told import account_told

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


def _run(*statements: str) -> Act:
    return lambda connection: [connection.exec_driver_sql(one) for one in statements]


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


def _entries(tables: dict[str, Rows], kind: str, set_id: int | None = None) -> Rows:
    return [
        row
        for row in tables["journal"]
        if row["kind"] == kind and (set_id is None or row["set_id"] == set_id)
    ]


def _rewritten(change: Callable[[dict[str, Rows]], None], seals: str = "kept") -> Act:
    return lambda connection: rewrite(connection, change, seals=seals)


def _another_signer(tables: dict[str, Rows]) -> None:
    for row in _entries(tables, "signature", 1):
        row["payload"]["by"] = "N. Obody"
    for row in tables["signatures"]:
        if row["set_id"] == 1:
            row["by_name"] = "N. Obody"


def _another_answer(tables: dict[str, Rows]) -> None:
    """Turn an answer and all that was signed on it round, so that it fits throughout."""
    (answer,) = [row for row in _entries(tables, "correction", 1) if "answer" in row["payload"]]
    answer["payload"]["answer"] = "make"
    signed = _entries(tables, "signature", 1)[0]["payload"]
    again = _entries(tables, "signature", 2)[-1]["payload"]  # the same set, answered with a make
    signed |= {name: again[name] for name in ("calls", "tally", "decision", "sentence")}


def _another_tally(tables: dict[str, Rows]) -> None:
    _entries(tables, "signature", 1)[0]["payload"]["tally"] = {"makes": 6, "misses": 0, "unsure": 0}


def _another_verdict(tables: dict[str, Rows]) -> None:
    row = _entries(tables, "signature", 1)[0]["payload"]
    row["decision"] = "advance" if row["decision"] != "advance" else "try again"


def _another_pupil_signed(tables: dict[str, Rows]) -> None:
    _entries(tables, "signature", 1)[0]["payload"]["pupil_name"] = "Red Ibex"


def _time_back(tables: dict[str, Rows]) -> None:
    _entries(tables, "signature", 1)[0]["at"] = "2020-01-01T00:00:00.000000Z"


def _no_time(tables: dict[str, Rows]) -> None:
    _entries(tables, "signature", 1)[0]["at"] = "yesterday"


def _remark_after_signature(tables: dict[str, Rows]) -> None:
    note = next(row for row in _entries(tables, "correction", 1) if row["payload"]["what"] == "noted")
    late = note | {"seq": 10_000, "payload": note["payload"] | {"note": "he was great"}}
    tables["journal"].append(late)
    tables["journal"][-1]["at"] = tables["journal"][-2]["at"]
    row = next(row for row in tables["corrections"] if row["seq"] == note["seq"])
    tables["corrections"].append(row | {"seq": 10_000})


def _no_withdrawal(tables: dict[str, Rows]) -> None:
    tables["journal"][:] = [row for row in tables["journal"] if row["kind"] != "withdrawn"]


def _withdrawn_unsaid(tables: dict[str, Rows]) -> None:
    signed = _entries(tables, "signature", 1)[0]
    gone = {"by": "N. Obody", "reason": "none", "signature": signed["seq"]}
    entry = {"seq": 10_001, "set_id": 1, "kind": "withdrawn", "payload": gone}
    tables["journal"].append(tables["journal"][-1] | entry)


def _without_set(tables: dict[str, Rows], set_id: int = 3) -> None:
    for name in ("journal", "corrections", "signatures", "analyses"):
        tables[name] = [row for row in tables[name] if row["set_id"] != set_id]
    tables["journal"] = [
        row
        for row in tables["journal"]
        if not (row["kind"] == "set" and row["payload"]["set"] == set_id)
    ]


def _set_taken_out(seals: str) -> Act:
    """Take a signed set out with every trace of it, and the checks drawn from it."""

    def act(connection: Connection) -> None:
        connection.exec_driver_sql("DELETE FROM coach_answers")
        connection.exec_driver_sql("DELETE FROM coach_items")
        connection.exec_driver_sql("DELETE FROM coach_rounds")

        def change(tables: dict[str, Rows]) -> None:
            _without_set(tables)
            kept = [row for row in tables["journal"] if row["kind"] not in ("round", "check")]
            tables["journal"] = kept

        rewrite(connection, change, seals=seals)
        connection.exec_driver_sql("DELETE FROM places WHERE set_id = 3")
        connection.exec_driver_sql("DELETE FROM sets WHERE id = 3")

    return act


def _cut_off(entries: int) -> Act:
    """Cut the newest entries off with their rows: the last set, its pupil and all after them."""

    def act(connection: Connection) -> None:
        newest = connection.scalar(text("SELECT max(seq) FROM journal")) or 0
        least = newest - entries
        connection.exec_driver_sql("DELETE FROM coach_answers")
        connection.exec_driver_sql("DELETE FROM coach_items")
        connection.exec_driver_sql("DELETE FROM coach_rounds")
        connection.exec_driver_sql("DELETE FROM accounts")
        for table in ("calls", "analyses", "corrections", "signatures", "journal"):
            column = "analysis_seq" if table == "calls" else "seq"
            connection.exec_driver_sql(f"DELETE FROM {table} WHERE {column} > {least}")
        there = "(SELECT set_id FROM journal WHERE set_id IS NOT NULL)"
        connection.exec_driver_sql(f"DELETE FROM places WHERE set_id NOT IN {there}")
        connection.exec_driver_sql(f"DELETE FROM sets WHERE id NOT IN {there}")
        connection.exec_driver_sql("DELETE FROM pupils WHERE id = (SELECT max(id) FROM pupils)")

    return act


def _cut_last(connection: Connection) -> None:
    connection.exec_driver_sql(
        "DELETE FROM corrections WHERE seq = (SELECT max(seq) FROM journal)"
    )
    connection.exec_driver_sql(
        "DELETE FROM journal WHERE seq = (SELECT max(seq) FROM journal)"
    )


def _another_analysis(connection: Connection) -> None:
    content = connection.scalar(select(schema.analyses.c.content).limit(1))
    plain = json.loads(str(content))
    plain["shots"][1]["p_make"] = 0.997
    connection.execute(
        text("UPDATE analyses SET content = :content WHERE seq = (SELECT min(seq) FROM analyses)"),
        {"content": json.dumps(plain)},
    )


def _another_password(connection: Connection) -> None:
    """Change it, and tell of it in an entry without the key."""
    connection.exec_driver_sql("UPDATE accounts SET password = 'x' WHERE id = 1")


def _another_password_told(connection: Connection) -> None:
    _another_password(connection)
    row = connection.execute(
        select(schema.accounts).where(schema.accounts.c.id == 1)
    ).mappings().one()  # fmt: skip
    told = account_told(row)

    def change(tables: dict[str, Rows]) -> None:
        entry = {"seq": 10_002, "set_id": None, "set_version": 0, "kind": "account"}
        tables["journal"].append(tables["journal"][-1] | entry | {"payload": told})

    rewrite(connection, change)


def _swap_pupils(connection: Connection) -> None:
    connection.exec_driver_sql("UPDATE pupils SET name = 'aside' WHERE id = 1")
    connection.exec_driver_sql("UPDATE pupils SET name = 'Grey Plover' WHERE id = 2")
    connection.exec_driver_sql("UPDATE pupils SET name = 'Blue Finch' WHERE id = 1")


def _rewritten_signature(what: str, value: str) -> Act:
    """Change one value of one journal row by itself."""
    return _run(f"UPDATE journal SET {what} = '{value}' WHERE seq = 9")


_F, _ZERO = "f" * 64, "0" * 64
ATTACKS: tuple[Attack, ...] = (
    # Who, which class, which ladder.
    Attack("a pupil renamed", _run("UPDATE pupils SET name = 'Nobody 1' WHERE id = 1")),
    Attack("two pupils' names swapped", _swap_pupils),
    Attack("a pupil moved to another class", _run("UPDATE pupils SET class_id = 2 WHERE id = 1")),
    Attack("a pupil slipped in", _run("INSERT INTO pupils (name, class_id) VALUES ('New 1', 1)")),
    Attack("a class renamed", _run("UPDATE classes SET name = '9z' WHERE id = 1")),
    Attack("a class slipped in", _run("INSERT INTO classes (name) VALUES ('9z')")),
    Attack("a ladder's title", _run("UPDATE ladders SET title = 'Other' WHERE id = 1")),
    Attack("a ladder's content", _run("UPDATE ladders SET content = '{}' WHERE id = 1")),
    Attack("a ladder's hash", _run(f"UPDATE ladders SET sha256 = '{_F}' WHERE id = 1")),
    Attack("a ladder slipped in",
           _run(f"INSERT INTO ladders (title, sha256, content) VALUES ('x', '{_F}', '{{}}')")),
    # Sets.
    Attack("a set's pupil", _run("UPDATE sets SET pupil_id = 3 WHERE id = 1")),
    Attack("a set's ladder", _run("UPDATE sets SET ladder_id = NULL WHERE id = 1")),
    Attack("a set's clip", _run(f"UPDATE sets SET clip_sha256 = '{_ZERO}' WHERE id = 1")),
    Attack("a set's clip name", _run("UPDATE sets SET clip_name = 'other.mp4' WHERE id = 1")),
    Attack("a set's time", _run("UPDATE sets SET added_at = '2020-01-01T00:00:00.000000Z' WHERE id = 1")),
    Attack("a set's stage", _run("UPDATE sets SET stage = '{}' WHERE id = 4")),
    Attack("a set slipped in",
           _run("INSERT INTO sets (pupil_id, clip_sha256, clip_name, stage, added_at) "
                "SELECT pupil_id, 'x', clip_name, stage, added_at FROM sets WHERE id = 1")),
    # Entries of the journal.
    Attack("an entry's time", _rewritten_signature("at", "2020-01-01T00:00:00.000000Z")),
    Attack("an entry's hash", _rewritten_signature("hash", _F)),
    Attack("an entry's previous", _rewritten_signature("previous", _F)),
    Attack("an entry's kind", _rewritten_signature("kind", "correction")),
    Attack("an entry's payload emptied", _rewritten_signature("payload", "{}")),
    Attack("an entry's payload broken", _rewritten_signature("payload", "{")),
    Attack("an entry's payload nested without end", _rewritten_signature("payload", "[" * 50_000)),
    Attack("an entry's version", _run("UPDATE journal SET set_version = 70 WHERE seq = 9")),
    Attack("an entry's set", _run("UPDATE journal SET set_id = 4, set_version = 90 WHERE seq = 9")),
    Attack("an entry's seal taken off", _run("UPDATE journal SET seal = NULL, sealed_by = NULL WHERE seq = 9")),
    Attack("an entry's seal changed", _run(f"UPDATE journal SET seal = '{_F}{_F}' WHERE seq = 9")),
    Attack("an entry's sealer changed", _run(f"UPDATE journal SET sealed_by = '{_F}' WHERE seq = 9")),
    Attack("an entry taken out of the middle",
           _run("DELETE FROM corrections WHERE seq = (SELECT min(seq) FROM corrections)",
                "DELETE FROM journal WHERE seq = (SELECT min(seq) FROM journal WHERE kind = 'correction')")),
    # Counts and calls.
    Attack("a call", _run("UPDATE calls SET call = 'make' WHERE shot = 2")),
    Attack("a call's probability", _run("UPDATE calls SET p_make = 0.5 WHERE shot = 2")),
    Attack("a call's time", _run("UPDATE calls SET kick_time_s = 1.0 WHERE shot = 2")),
    Attack("a call taken out", _run("DELETE FROM calls WHERE shot = 6")),
    Attack("a call slipped in",
           _run("INSERT INTO calls (analysis_seq, shot, kick_time_s, call, p_make) "
                "SELECT seq, 99, 1.0, 'make', 1.0 FROM analyses")),
    Attack("a count's content", _another_analysis),
    Attack("a count's version", _run("UPDATE analyses SET tool_version = '9'")),
    Attack("a count's calibration", _run(f"UPDATE analyses SET calibration_sha256 = '{_F}'")),
    Attack("a count's hash", _run(f"UPDATE analyses SET sha256 = '{_F}'")),
    Attack("a count's set", _run("UPDATE analyses SET set_id = 4 WHERE set_id = 1")),
    # What people said and signed.
    Attack("a correction's content", _run("UPDATE corrections SET content = '{}'")),
    Attack("a correction's kind", _run("UPDATE corrections SET kind = 'noted'")),
    Attack("a correction's set", _run("UPDATE corrections SET set_id = 4 WHERE set_id = 1")),
    Attack("a correction's row taken out", _run("DELETE FROM corrections WHERE set_id = 1")),
    Attack("a signer's name in its row", _run("UPDATE signatures SET by_name = 'N. Obody'")),
    Attack("a signature's content", _run("UPDATE signatures SET content = '{}'")),
    Attack("a signature's set", _run("UPDATE signatures SET set_id = 4 WHERE set_id = 3")),
    Attack("a signature's row taken out", _run("DELETE FROM signatures WHERE set_id = 1")),
    Attack("a remark after the signature", _rewritten(_remark_after_signature, "dropped")),
    Attack("a tally that the calls do not give", _rewritten(_another_tally, "dropped")),
    Attack("a verdict that the calls do not give", _rewritten(_another_verdict, "dropped")),
    Attack("a pupil in the signature who is not the set's", _rewritten(_another_pupil_signed, "dropped")),
    Attack("a withdrawal taken out", _rewritten(_no_withdrawal, "dropped")),
    Attack("time runs backwards", _rewritten(_time_back, "dropped")),
    Attack("a time that is none", _rewritten(_no_time, "dropped")),
    # A coach's checks.
    Attack("a round's seed", _run("UPDATE coach_rounds SET seed = 4")),
    Attack("a round's time", _run("UPDATE coach_rounds SET made_at = '2020-01-01'")),
    Attack("a round's class", _run("UPDATE coach_rounds SET class_id = 2")),
    Attack("what a check was counted as", _run("UPDATE coach_items SET counted = 'make'")),
    Attack("a check's shot", _run("UPDATE coach_items SET kick_time_s = 1.0")),
    Attack("a check taken out", _run("DELETE FROM coach_items WHERE place = 6")),
    Attack("a coach's answer", _run("UPDATE coach_answers SET answer = 'make'")),
    Attack("a coach's name", _run("UPDATE coach_answers SET by_name = 'N. Obody'")),
    Attack("a coach's answer slipped in",
           _run("INSERT INTO coach_answers SELECT round_id, 3, answer, by_name, at "
                "FROM coach_answers WHERE place = 1")),
    Attack("a coach's answer taken out", _run("DELETE FROM coach_answers WHERE place = 2")),
    # Accounts.
    Attack("an account's password", _another_password),
    Attack("an account's role", _run("UPDATE accounts SET role = 'teacher'")),
    Attack("an account's name", _run("UPDATE accounts SET name = 'N. Obody' WHERE id = 1")),
    Attack("an account slipped in",
           _run("INSERT INTO accounts (login, name, role, password, made_at) "
                "VALUES ('x', 'X', 'teacher', 'y', 'z')")),
    Attack("an account taken out", _run("DELETE FROM accounts WHERE id = 1")),
    # The chain worked out anew, without the key.
    Attack("rewritten, old seals: another signer", _rewritten(_another_signer)),
    Attack("rewritten, old seals: another answer", _rewritten(_another_answer)),
    Attack("rewritten, old seals: another password", _another_password_told),
    Attack("rewritten, old seals: a signed set taken out", _set_taken_out("kept")),
    Attack("rewritten, no seals: another signer", _rewritten(_another_signer, "dropped"), outside=True),
    Attack("rewritten, no seals: another answer", _rewritten(_another_answer, "dropped"), outside=True),
    Attack("rewritten, no seals: a signed set taken out", _set_taken_out("dropped"), outside=True),
    Attack("rewritten, no seals: a signature withdrawn", _rewritten(_withdrawn_unsaid, "dropped"), outside=True),
    Attack("rewritten, another key: another signer", _rewritten(_another_signer, "another"), outside=True),
    Attack("rewritten, another key: another answer", _rewritten(_another_answer, "another"), outside=True),
    Attack("rewritten, another key: a signed set taken out", _set_taken_out("another"), outside=True),
    Attack("the newest entry cut off", _cut_last, outside=True),
    Attack("the newest entries cut off with a set", _cut_off(9), outside=True),
    # The triggers.
    Attack("a trigger dropped", lambda connection: None, triggers=True),
)  # fmt: skip
