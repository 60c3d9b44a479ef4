"""What every set waits for, and indexes: a page of fifty needs no look at the other sets."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0110"
down_revision = "0100"


def upgrade() -> None:
    """Make the table; it follows from the other tables, so its rows may change and go."""
    op.create_table(
        "set_states",
        sa.Column("set_id", sa.Integer, sa.ForeignKey("sets.id"), primary_key=True),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("questions", sa.Integer, nullable=False),
        sa.Column("stage", sa.Text, nullable=False),
        sa.Column("trust", sa.Text, nullable=False),
        sa.Column("signed_at", sa.Text, nullable=False),
    )
    op.create_index("set_states_waiting", "set_states", ["state", "questions", "set_id"])
    op.create_index("set_states_signed", "set_states", ["state", "signed_at"])
    op.create_index("set_states_stage", "set_states", ["stage"])
    # One set's rows are found without reading those of all others.
    for table in ("analyses", "corrections", "signatures"):
        op.create_index(f"{table}_of_set", table, ["set_id"])
    op.create_index("sets_of_pupil", "sets", ["pupil_id"])
    # Worked out when the queue is first looked at.
    op.execute(
        "INSERT INTO set_states (set_id, state, questions, stage, trust, signed_at) "
        "SELECT id, 'unknown', 0, '', '', '' FROM sets"
    )
