"""Clips handed in from phones, the slips that let pupils in, and signatures that were withdrawn."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from shoegoal.record.migrations.append_only import (
    POSTGRESQL_SIGNED_UNLESS_WITHDRAWN,
    SQLITE_SIGNED_UNLESS_WITHDRAWN,
    sqlite_triggers,
)

revision = "0100"
down_revision = "0003"


def upgrade() -> None:
    """Make tables; none of the new ones is history, so their rows may change and go."""
    op.create_table(
        "class_settings",
        sa.Column("class_id", sa.Integer, sa.ForeignKey("classes.id"), primary_key=True),
        sa.Column("code", sa.Text, nullable=False, unique=True),
        sa.Column("ladder_id", sa.Integer, sa.ForeignKey("ladders.id")),
        sa.Column("largest_mb", sa.Integer),
        sa.Column("longest_min", sa.Integer),
        sa.Column("most_a_day", sa.Integer),
    )
    op.create_table(
        "slips",
        sa.Column("pupil_id", sa.Integer, sa.ForeignKey("pupils.id"), primary_key=True),
        sa.Column("secret_sha256", sa.Text, nullable=False, unique=True),
        sa.Column("made_at", sa.Text, nullable=False),
    )
    op.create_table(
        "handed_in",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("token", sa.Text, nullable=False, unique=True),
        sa.Column("pupil_id", sa.Integer, sa.ForeignKey("pupils.id"), nullable=False),
        sa.Column("ladder_id", sa.Integer, sa.ForeignKey("ladders.id")),
        sa.Column("stage", sa.Text, nullable=False),
        sa.Column("clip_path", sa.Text, nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.Text),
        sa.Column("state", sa.Text, nullable=False, index=True),
        sa.Column("why", sa.Text, nullable=False, server_default=""),
        sa.Column("filming", sa.Text),
        sa.Column("markers", sa.Text),
        sa.Column("made_at", sa.Text, nullable=False),
        sa.Column("changed_at", sa.Text, nullable=False),
        sa.Column("claim", sa.Text),
        sa.Column("claimed_until", sa.Text),
        sa.Column("tries", sa.Integer, nullable=False, server_default="0"),
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id")),
    )
    if op.get_bind().dialect.name == "sqlite":
        _free_signatures_of_sqlite()
    else:
        op.drop_constraint("signatures_set_id_key", "signatures", type_="unique")
        op.execute(POSTGRESQL_SIGNED_UNLESS_WITHDRAWN)


def _free_signatures_of_sqlite() -> None:
    """Let a set be signed again once its signature was withdrawn; SQLite has to copy the table."""
    op.execute("DROP TRIGGER journal_signed")
    op.execute("DROP TRIGGER signatures_no_update")
    op.execute("DROP TRIGGER signatures_no_delete")
    op.create_table(
        "signatures_new",
        sa.Column(
            "seq",
            sa.Integer,
            sa.ForeignKey("journal.seq"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id"), nullable=False),
        sa.Column("by_name", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.execute("INSERT INTO signatures_new SELECT seq, set_id, by_name, content FROM signatures")
    op.drop_table("signatures")
    op.rename_table("signatures_new", "signatures")
    for statement in sqlite_triggers(["signatures"]):
        op.execute(statement)
    op.execute(SQLITE_SIGNED_UNLESS_WITHDRAWN)
