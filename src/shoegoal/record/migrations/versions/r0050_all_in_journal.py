"""Entries about the whole book, seals, and signatures that can be withdrawn.

From this step on, the journal holds all that a result means. What a book held before gets one entry
each, with its present content; its earlier history is unknown.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from shoegoal.record.journal import FIRST_PREVIOUS, Entry, canonical_text, now_text
from shoegoal.record.migrations.append_only import (
    POSTGRESQL_SIGNED_UNLESS_WITHDRAWN,
    SQLITE_SIGNED_UNLESS_WITHDRAWN,
    sqlite_triggers,
)

revision = "0050"
down_revision = "0003"

_JOURNAL = (
    "seq", "set_id", "set_version", "kind", "at", "payload", "previous", "hash",
)  # fmt: skip
_SIGNATURES = ("seq", "set_id", "by_name", "content")


def upgrade() -> None:
    """Change both tables, and add entries for the existing rows."""
    if op.get_bind().dialect.name == "sqlite":
        _rebuild_for_sqlite()
    else:
        op.alter_column("journal", "set_id", nullable=True)
        op.add_column("journal", sa.Column("sealed_by", sa.Text))
        op.add_column("journal", sa.Column("seal", sa.Text))
        op.drop_constraint("signatures_set_id_key", "signatures")
        op.execute(POSTGRESQL_SIGNED_UNLESS_WITHDRAWN)
    op.create_index("journal_kind", "journal", ["kind"])
    connection = op.get_bind()
    for kind, payload in _existing_rows(connection):
        _append(connection, kind, payload)


def _rebuild_for_sqlite() -> None:
    """Rebuild both tables, as https://www.sqlite.org/lang_altertable.html says in section 7."""
    op.create_table(
        "journal_new",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id")),
        sa.Column("set_version", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False, unique=True),
        sa.Column("hash", sa.Text, nullable=False, unique=True),
        sa.Column("sealed_by", sa.Text),
        sa.Column("seal", sa.Text),
        sa.UniqueConstraint("set_id", "set_version"),
    )
    op.create_table(
        "signatures_new",
        sa.Column(
            "seq", sa.Integer, sa.ForeignKey("journal.seq"), primary_key=True, autoincrement=False
        ),
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id"), nullable=False),
        sa.Column("by_name", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.execute("DROP TRIGGER journal_signed")
    for table, columns in (("journal", _JOURNAL), ("signatures", _SIGNATURES)):
        named = ", ".join(columns)
        op.execute(f"INSERT INTO {table}_new ({named}) SELECT {named} FROM {table}")
        op.drop_table(table)
        op.rename_table(f"{table}_new", table)
        for statement in sqlite_triggers([table]):
            op.execute(statement)
    op.execute(SQLITE_SIGNED_UNLESS_WITHDRAWN)


def _existing_rows(connection: sa.Connection) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield entries for all that a book holds, in the form of its later entries."""
    from shoegoal.record.accounts import account_payload

    yield "book", {"id": uuid.uuid4().hex}
    for row in _rows(connection, "classes"):
        yield "class", {"class": row["id"], "name": row["name"]}
    for row in _rows(connection, "pupils"):
        yield "pupil", {"pupil": row["id"], "class": row["class_id"], "name": row["name"]}
    for row in _rows(connection, "ladders"):
        yield "ladder", {"ladder": row["id"], "title": row["title"], "sha256": row["sha256"]}
    for row in _rows(connection, "sets"):
        yield (
            "set",
            {
                "set": row["id"],
                "pupil": row["pupil_id"],
                "ladder": row["ladder_id"],
                "clip_sha256": row["clip_sha256"],
                "clip_name": row["clip_name"],
                "stage": json.loads(row["stage"]),
                "added_at": row["added_at"],
            },
        )
    items = list(_rows(connection, "coach_items", "round_id, place"))
    for row in _rows(connection, "coach_rounds"):
        drawn = [
            {name: value for name, value in item.items() if name != "round_id"}
            for item in items
            if item["round_id"] == row["id"]
        ]
        yield (
            "round",
            {
                "round": row["id"],
                "class": row["class_id"],
                "seed": row["seed"],
                "made_at": row["made_at"],
                "items": drawn,
            },
        )
    for row in _rows(connection, "coach_answers", "round_id, place"):
        yield (
            "check",
            {
                "round": row["round_id"],
                "place": row["place"],
                "answer": row["answer"],
                "by": row["by_name"],
                "at": row["at"],
            },
        )
    for row in _rows(connection, "accounts"):
        yield "account", account_payload(row)


def _rows(connection: sa.Connection, table: str, order: str = "id") -> list[dict[str, Any]]:
    found = connection.execute(sa.text(f"SELECT * FROM {table} ORDER BY {order}"))
    return [dict(row) for row in found.mappings()]


def _append(connection: sa.Connection, kind: str, payload: dict[str, Any]) -> None:
    """Write an entry without a seal; the first one with a seal vouches for all before it."""
    last = connection.execute(
        sa.text("SELECT seq, hash, at FROM journal ORDER BY seq DESC LIMIT 1")
    ).first()
    entry = Entry(
        seq=1 if last is None else last.seq + 1,
        set_id=None,
        set_version=0,
        kind=kind,
        at=now_text() if last is None else max(now_text(), last.at),
        payload=payload,
        previous=FIRST_PREVIOUS if last is None else last.hash,
    )
    connection.execute(
        sa.text(
            "INSERT INTO journal (seq, set_id, set_version, kind, at, payload, previous, hash) "
            "VALUES (:seq, NULL, 0, :kind, :at, :payload, :previous, :hash)"
        ),
        {
            "seq": entry.seq,
            "kind": entry.kind,
            "at": entry.at,
            "payload": canonical_text(entry.payload),
            "previous": entry.previous,
            "hash": entry.hash,
        },
    )
