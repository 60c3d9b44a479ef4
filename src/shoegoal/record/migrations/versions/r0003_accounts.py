"""Accounts, their sessions and the tries to log in; and which cue a spot check is about."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make tables; of these three none is history, so rows may change and go."""
    op.create_table(
        "accounts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("login", sa.Text, nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("pupil_id", sa.Integer, sa.ForeignKey("pupils.id")),
        sa.Column("class_id", sa.Integer, sa.ForeignKey("classes.id")),
        sa.Column("password", sa.Text, nullable=False),
        sa.Column("made_at", sa.Text, nullable=False),
        sa.Column("disabled_at", sa.Text),
    )
    op.create_table(
        "sessions",
        sa.Column("token_sha256", sa.Text, primary_key=True),
        sa.Column("account_id", sa.Integer, sa.ForeignKey("accounts.id"), nullable=False),
        sa.Column("csrf", sa.Text, nullable=False),
        sa.Column("made_at", sa.Text, nullable=False),
        sa.Column("seen_at", sa.Text, nullable=False),
    )
    op.create_table(
        "login_tries",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("login", sa.Text, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
    )
    # Empty: the check is about the shot's own call.
    op.add_column("coach_items", sa.Column("cue", sa.Text, nullable=False, server_default=""))
