"""Clips handed in from phones, the slips that let pupils in, and what a class is set up with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0100"
down_revision = "0050"


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
