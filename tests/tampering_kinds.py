"""All kinds of tampering that `test_record_tampering` and the bench try. All names invented."""

from __future__ import annotations

import json
from collections.abc import Callable

from sqlalchemy import Connection, select, text

from shoegoal.record import schema
from shoegoal.record.accounts import account_payload
from tampering import Act, Attack, Rows, rewrite


def _run(*statements: str) -> Act:
    return lambda connection: [connection.exec_driver_sql(one) for one in statements]


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
    note = next(
        row for row in _entries(tables, "correction", 1) if row["payload"]["what"] == "noted"
    )
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
        connection.exec_driver_sql("DELETE FROM set_states WHERE set_id = 3")
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
        connection.exec_driver_sql(f"DELETE FROM set_states WHERE set_id NOT IN {there}")
        connection.exec_driver_sql(f"DELETE FROM sets WHERE id NOT IN {there}")
        connection.exec_driver_sql("DELETE FROM pupils WHERE id = (SELECT max(id) FROM pupils)")

    return act


def _cut_last(connection: Connection) -> None:
    connection.exec_driver_sql("DELETE FROM corrections WHERE seq = (SELECT max(seq) FROM journal)")
    connection.exec_driver_sql("DELETE FROM journal WHERE seq = (SELECT max(seq) FROM journal)")


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
    row = (
        connection.execute(select(schema.accounts).where(schema.accounts.c.id == 1))
        .mappings()
        .one()
    )
    told = account_payload(dict(row))

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
    Attack(
        "a ladder slipped in",
        _run(f"INSERT INTO ladders (title, sha256, content) VALUES ('x', '{_F}', '{{}}')"),
    ),
    # Sets.
    Attack("a set's pupil", _run("UPDATE sets SET pupil_id = 3 WHERE id = 1")),
    Attack("a set's ladder", _run("UPDATE sets SET ladder_id = NULL WHERE id = 1")),
    Attack("a set's clip", _run(f"UPDATE sets SET clip_sha256 = '{_ZERO}' WHERE id = 1")),
    Attack("a set's clip name", _run("UPDATE sets SET clip_name = 'other.mp4' WHERE id = 1")),
    Attack(
        "a set's time",
        _run("UPDATE sets SET added_at = '2020-01-01T00:00:00.000000Z' WHERE id = 1"),
    ),
    Attack("a set's stage", _run("UPDATE sets SET stage = '{}' WHERE id = 4")),
    Attack(
        "a set slipped in",
        _run(
            "INSERT INTO sets (pupil_id, clip_sha256, clip_name, stage, added_at) "
            "SELECT pupil_id, 'x', clip_name, stage, added_at FROM sets WHERE id = 1"
        ),
    ),
    # Entries of the journal.
    Attack("an entry's time", _rewritten_signature("at", "2020-01-01T00:00:00.000000Z")),
    Attack("an entry's hash", _rewritten_signature("hash", _F)),
    Attack("an entry's previous", _rewritten_signature("previous", _F)),
    Attack("an entry's kind", _rewritten_signature("kind", "correction")),
    Attack("an entry's payload emptied", _rewritten_signature("payload", "{}")),
    Attack("an entry's payload broken", _rewritten_signature("payload", "{")),
    Attack(
        "an open set shown as signed",
        _run("UPDATE set_states SET state = 'signed' WHERE set_id = 4"),
    ),
    Attack(
        "a set shown as signed at another time",
        _run("UPDATE set_states SET state = 'signed', signed_at = '2020' WHERE set_id = 1"),
    ),
    Attack("a set taken out of the queue", _run("DELETE FROM set_states WHERE set_id = 4")),
    Attack("an entry's payload nested without end", _rewritten_signature("payload", "[" * 50_000)),
    Attack("an entry's version", _run("UPDATE journal SET set_version = 70 WHERE seq = 9")),
    Attack("an entry's set", _run("UPDATE journal SET set_id = 4, set_version = 90 WHERE seq = 9")),
    Attack(
        "an entry's seal taken off",
        _run("UPDATE journal SET seal = NULL, sealed_by = NULL WHERE seq = 9"),
    ),
    Attack("an entry's seal changed", _run(f"UPDATE journal SET seal = '{_F}{_F}' WHERE seq = 9")),
    Attack(
        "an entry's sealer changed", _run(f"UPDATE journal SET sealed_by = '{_F}' WHERE seq = 9")
    ),
    Attack(
        "an entry taken out of the middle",
        _run(
            "DELETE FROM corrections WHERE seq = (SELECT min(seq) FROM corrections)",
            "DELETE FROM journal WHERE seq = "
            "(SELECT min(seq) FROM journal WHERE kind = 'correction')",
        ),
    ),
    # Counts and calls.
    Attack("a call", _run("UPDATE calls SET call = 'make' WHERE shot = 2")),
    Attack("a call's probability", _run("UPDATE calls SET p_make = 0.5 WHERE shot = 2")),
    Attack("a call's time", _run("UPDATE calls SET kick_time_s = 1.0 WHERE shot = 2")),
    Attack("a call taken out", _run("DELETE FROM calls WHERE shot = 6")),
    Attack(
        "a call slipped in",
        _run(
            "INSERT INTO calls (analysis_seq, shot, kick_time_s, call, p_make) "
            "SELECT seq, 99, 1.0, 'make', 1.0 FROM analyses"
        ),
    ),
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
    Attack(
        "a pupil in the signature who is not the set's",
        _rewritten(_another_pupil_signed, "dropped"),
    ),
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
    Attack(
        "a coach's answer slipped in",
        _run(
            "INSERT INTO coach_answers SELECT round_id, 3, answer, by_name, at "
            "FROM coach_answers WHERE place = 1"
        ),
    ),
    Attack("a coach's answer taken out", _run("DELETE FROM coach_answers WHERE place = 2")),
    # Accounts.
    Attack("an account's password", _another_password),
    Attack("an account's role", _run("UPDATE accounts SET role = 'teacher'")),
    Attack("an account's name", _run("UPDATE accounts SET name = 'N. Obody' WHERE id = 1")),
    Attack(
        "an account slipped in",
        _run(
            "INSERT INTO accounts (login, name, role, password, made_at) "
            "VALUES ('x', 'X', 'teacher', 'y', 'z')"
        ),
    ),
    Attack("an account taken out", _run("DELETE FROM accounts WHERE id = 1")),
    # The chain worked out anew, without the key.
    Attack("rewritten, old seals: another signer", _rewritten(_another_signer)),
    Attack("rewritten, old seals: another answer", _rewritten(_another_answer)),
    Attack("rewritten, old seals: another password", _another_password_told),
    Attack("rewritten, old seals: a signed set taken out", _set_taken_out("kept")),
    Attack(
        "rewritten, no seals: another signer", _rewritten(_another_signer, "dropped"), outside=True
    ),
    Attack(
        "rewritten, no seals: another answer", _rewritten(_another_answer, "dropped"), outside=True
    ),
    Attack("rewritten, no seals: a signed set taken out", _set_taken_out("dropped"), outside=True),
    Attack(
        "rewritten, no seals: a signature withdrawn",
        _rewritten(_withdrawn_unsaid, "dropped"),
        outside=True,
    ),
    Attack(
        "rewritten, another key: another signer",
        _rewritten(_another_signer, "another"),
        outside=True,
    ),
    Attack(
        "rewritten, another key: another answer",
        _rewritten(_another_answer, "another"),
        outside=True,
    ),
    Attack(
        "rewritten, another key: a signed set taken out", _set_taken_out("another"), outside=True
    ),
    Attack("the newest entry cut off", _cut_last, outside=True),
    Attack("the newest entries cut off with a set", _cut_off(9), outside=True),
    # The triggers.
    Attack("a trigger dropped", lambda connection: None, triggers=True),
)
