"""The book as an open database: short transactions that are there whole or not at all.

SQLite runs with a write-ahead log and ``synchronous=FULL``: what a commit has acknowledged outlives
the process and a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import os
from collections.abc import Generator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, NullPool, create_engine, event, text
from sqlalchemy.engine.interfaces import DBAPIConnection

from shoegoal.errors import OutputError
from shoegoal.record.place import book_name, book_url
from shoegoal.record.schema import REVISION
from shoegoal.record.seen import forget_seen
from shoegoal.record.trouble import told_plainly
from shoegoal.record.upgrade import keep_copy, refuse_newer, revision_of, upgrade

WAIT_S = 10.0  # for another writer; a transaction of ours takes milliseconds
_WRITING = "shoegoal_writing"
_UPGRADING = "shoegoal_upgrading"
_UPGRADE_LOCK = 5_302_118_044  # any number, the same in every version


class Book:
    """A record book, brought up to date when opened.

    Parameters
    ----------
    named : file or URL; see `shoegoal.record.place.book_url`.
    wait_s : how long to wait for another writer.

    Raises
    ------
    RecordBookError, OutputError
        It cannot be opened; as told by `shoegoal.record.trouble`.
    """

    def __init__(self, named: str | None = None, *, wait_s: float = WAIT_S) -> None:
        url = book_url(named)
        self.name = book_name(url)
        self.file = Path(str(url.database)) if url.drivername == "sqlite" else None
        if self.file is None:
            options = f"-c lock_timeout={round(wait_s * 1000)}"
            connecting = {"connect_timeout": max(1, round(wait_s)), "options": options}
            self._engine = create_engine(url, poolclass=NullPool, connect_args=connecting)
        else:
            _make_folder(self.file.parent)
            _make_private(self.file)
            self._engine = create_engine(url, poolclass=NullPool)
            _prepare_sqlite(self._engine, wait_s)
        self._bring_up_to_date()

    @contextmanager
    def reading(self) -> Generator[Connection, None, None]:
        """Give a connection that sees one moment of the book."""
        level = {} if self.file else {"isolation_level": "REPEATABLE READ"}
        with told_plainly(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**level)
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, *, history: bool = True) -> Generator[Connection, None, None]:
        """Give a connection whose changes are kept at the end, or not at all.

        Parameters
        ----------
        history : the journal may grow; without, writers in PostgreSQL need not wait in line.
        """
        with told_plainly(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**{_WRITING: True})
            with connection.begin():
                if history and self.file is None and revision_of(connection) is not None:
                    # One writer at a time, as in SQLite: each chains onto the one before.
                    connection.execute(text("LOCK TABLE journal IN EXCLUSIVE MODE"))
                yield connection

    def _bring_up_to_date(self) -> None:
        with self.reading() as connection:
            revision = revision_of(connection)
        refuse_newer(revision, self.name)
        if revision == REVISION:
            return
        with told_plainly(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**{_WRITING: True, _UPGRADING: True})
            with connection.begin():
                if self.file is None:
                    key = {"key": _UPGRADE_LOCK}
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), key)
                revision = revision_of(connection)  # another process may have been quicker
                if revision == REVISION:
                    return
                if self.file is not None and revision is not None:
                    keep_copy(self.file, revision)
                upgrade(connection)
        if revision is None:
            forget_seen(self.name)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder {folder} for the record book cannot be made ({error.strerror or error}); "
            "name another place with --book"
        ) from error


def _make_private(file: Path) -> None:
    """Make a new book one that nobody else on the computer can read; SQLite's logs follow it."""
    with suppress(OSError):  # what stands in the way, SQLite will say
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))


def _prepare_sqlite(engine: Engine, wait_s: float) -> None:
    @event.listens_for(engine, "connect")
    def connected(connection: DBAPIConnection, _: Any) -> None:
        # Python's own habit of opening transactions late would leave DDL and reads outside them.
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {round(wait_s * 1000)}")
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        writing = connection.get_execution_options().get(_WRITING)
        if connection.get_execution_options().get(_UPGRADING):
            # A step that builds a table anew drops the old one, to which others point meanwhile.
            connection.exec_driver_sql("PRAGMA foreign_keys = OFF")
        # Taking the lock at once lets a second writer wait rather than fail midway.
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
