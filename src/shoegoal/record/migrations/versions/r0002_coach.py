"""Spot checks by a coach: rounds, the shots drawn for them, and the answers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from shoegoal.record.migrations.append_only import postgresql_triggers, sqlite_triggers

revision = "0002"
down_revision = "0001"

_KEPT = ("coach_rounds", "coach_items", "coach_answers")


def upgrade() -> None:
    """Make tables and triggers."""
    op.create_table(
        "coach_rounds",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("class_id", sa.Integer, sa.ForeignKey("classes.id"), nullable=False),
        sa.Column("seed", sa.Integer, nullable=False),
        sa.Column("made_at", sa.Text, nullable=False),
    )
    op.create_table(
        "coach_items",
        sa.Column("round_id", sa.Integer, sa.ForeignKey("coach_rounds.id"), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id"), nullable=False),
        sa.Column("analysis_seq", sa.Integer, sa.ForeignKey("analyses.seq"), nullable=False),
        sa.Column("kick_time_s", sa.Float, nullable=False),
        sa.Column("counted", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("round_id", "place"),
    )
    op.create_table(
        "coach_answers",
        sa.Column("round_id", sa.Integer, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("by_name", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("round_id", "place"),
        sa.ForeignKeyConstraint(
            ["round_id", "place"], ["coach_items.round_id", "coach_items.place"]
        ),
    )
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in sqlite_triggers(_KEPT) if sqlite else postgresql_triggers(_KEPT):
        op.execute(statement)
