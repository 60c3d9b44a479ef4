"""Brings a book to this version's tables: on a copy kept aside first, in one transaction."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from shoegoal.errors import OutputError, RecordBookError
from shoegoal.record.schema import REVISION

MIGRATIONS = Path(__file__).parent / "migrations"


def revision_of(connection: Connection) -> str | None:
    """Return the newest step that a book has been through; None for an empty database.

    Raises
    ------
    RecordBookError
        The database holds tables of something else.
    """
    names = inspect(connection).get_table_names()
    if "alembic_version" in names and "journal" in names:
        return str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar())
    if names:
        raise RecordBookError(
            f"the database holds other tables ({names[0]}), so it is left alone; name an empty "
            "database or a record book of shoegoal's"
        )
    return None


def refuse_newer(revision: str | None, name: str) -> None:
    """Refuse a book that a later version of shoegoal has been through.

    Raises
    ------
    RecordBookError
        Names the book.
    """
    if revision is not None and revision > REVISION:
        raise RecordBookError(
            f"the record book {name} was written by a newer shoegoal (step {revision}, this one "
            f"knows {REVISION}); update shoegoal"
        )


def upgrade(connection: Connection) -> None:
    """Run the steps that are missing, inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def keep_copy(book: Path, revision: str) -> Path:
    """Copy an SQLite book aside as it is before a step; a copy already there is left alone.

    SQLite's own backup takes in what still lies in the write-ahead log.

    Raises
    ------
    OutputError
        There is no room or right to write the copy, so the book must not be touched.
    """
    copy = book.with_name(f"{book.name}.before-step-after-{revision}")
    if copy.exists():
        return copy
    aside = copy.with_name(f"{copy.name}.part")
    try:
        aside.unlink(missing_ok=True)
        aside.touch(mode=0o600)  # as the book itself
        with closing(sqlite3.connect(book)) as source, closing(sqlite3.connect(aside)) as target:
            source.backup(target)
        aside.replace(copy)
    except (OSError, sqlite3.Error) as error:
        aside.unlink(missing_ok=True)
        raise OutputError(
            f"no copy of the record book could be kept at {copy} ({error}), so the book was not "
            "brought up to date; make room"
        ) from error
    return copy
