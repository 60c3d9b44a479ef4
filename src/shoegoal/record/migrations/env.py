"""Alembic's entry point: runs the steps on the given connection, in its transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
