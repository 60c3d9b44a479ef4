"""The first book: classes to signatures, and the journal that chains them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from shoegoal.record.migrations.append_only import (
    POSTGRESQL_REFUSE,
    POSTGRESQL_SIGNED,
    SQLITE_SIGNED,
    postgresql_triggers,
    sqlite_triggers,
)

revision = "0001"
down_revision = None

_KEPT = ("journal", "analyses", "calls", "corrections", "signatures", "sets", "ladders")


def upgrade() -> None:
    """Make tables and triggers."""
    _make_people_and_sets()
    _make_history()
    if op.get_bind().dialect.name == "sqlite":
        statements = [*sqlite_triggers(_KEPT), SQLITE_SIGNED]
    else:
        statements = [POSTGRESQL_REFUSE, *postgresql_triggers(_KEPT), *POSTGRESQL_SIGNED]
    for statement in statements:
        op.execute(statement)


def _make_people_and_sets() -> None:
    op.create_table(
        "classes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
    )
    op.create_table(
        "pupils",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("class_id", sa.Integer, sa.ForeignKey("classes.id")),
        sa.Column("name", sa.Text, nullable=False, unique=True),
    )
    op.create_table(
        "ladders",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False, unique=True),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_table(
        "sets",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("pupil_id", sa.Integer, sa.ForeignKey("pupils.id"), nullable=False),
        sa.Column("ladder_id", sa.Integer, sa.ForeignKey("ladders.id")),
        sa.Column("clip_sha256", sa.Text, nullable=False, unique=True),
        sa.Column("clip_name", sa.Text, nullable=False),
        sa.Column("stage", sa.Text, nullable=False),
        sa.Column("added_at", sa.Text, nullable=False),
    )
    op.create_table(
        "places",
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id"), primary_key=True),
        sa.Column("clip_path", sa.Text),
        sa.Column("folder_path", sa.Text),
    )


def _make_history() -> None:
    def seq(of: str) -> sa.Column[int]:
        key = sa.ForeignKey(f"{of}.seq")
        return sa.Column("seq", sa.Integer, key, primary_key=True, autoincrement=False)

    def set_id(*, unique: bool = False) -> sa.Column[int]:
        key = sa.ForeignKey("sets.id")
        return sa.Column("set_id", sa.Integer, key, nullable=False, unique=unique)

    op.create_table(
        "journal",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        set_id(),
        sa.Column("set_version", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False, unique=True),
        sa.Column("hash", sa.Text, nullable=False, unique=True),
        sa.UniqueConstraint("set_id", "set_version"),
    )
    op.create_table(
        "analyses",
        seq("journal"),
        set_id(),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("tool_version", sa.Text, nullable=False),
        sa.Column("calibration_sha256", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_table(
        "calls",
        sa.Column("analysis_seq", sa.Integer, sa.ForeignKey("analyses.seq"), nullable=False),
        sa.Column("shot", sa.Integer, nullable=False),
        sa.Column("kick_time_s", sa.Float, nullable=False),
        sa.Column("call", sa.Text, nullable=False),
        sa.Column("p_make", sa.Float, nullable=False),
        sa.PrimaryKeyConstraint("analysis_seq", "shot"),
    )
    op.create_table(
        "corrections",
        seq("journal"),
        set_id(),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_table(
        "signatures",
        seq("journal"),
        set_id(unique=True),
        sa.Column("by_name", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
