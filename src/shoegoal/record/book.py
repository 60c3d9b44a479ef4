"""The book as an open database, with short transactions that happen wholly or not at all.

SQLite runs with a write-ahead log and ``synchronous=FULL``: a committed transaction survives a
crash and a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Generator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    NullPool,
    create_engine,
    event,
    inspect,
    make_url,
    text,
)
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, DBAPIError

from shoegoal.errors import OutputError, RecordBookError, RecordChangedError, ShoegoalError
from shoegoal.outside import read_outside
from shoegoal.record.journal import now_text
from shoegoal.record.keys import keys_folder
from shoegoal.record.migrations.append_only import REFUSAL, SIGNED
from shoegoal.record.schema import REVISION
from shoegoal.written import write_whole

WAIT_S = 10.0  # for another writer; a transaction of ours takes milliseconds
_WRITING = "shoegoal_writing"
_UPGRADING = "shoegoal_upgrading"
_UPGRADE_LOCK = 5_302_118_044  # an arbitrary number, the same in every version
BOOK_VARIABLE = "SHOEGOAL_BOOK"
BOOK_FILE_NAME = "book.sqlite3"
_POSTGRESQL = ("postgresql", "postgres", "postgresql+psycopg")
_NO_ROOM = ("disk is full", "no space left", "disk i/o error", "could not extend file")
_NO_RIGHT = ("readonly database", "read-only", "permission denied", "unable to open database file")
_LOCKED = ("database is locked", "lock timeout", "database table is locked")
_DAMAGED = ("malformed", "not a database", "corrupt", "invalid page", "no such table",
            "file is encrypted")  # fmt: skip
MIGRATIONS = Path(__file__).parent / "migrations"
_MOST_BYTES = 10_000


class Book:
    """A record book, brought up to date when opened.

    Parameters
    ----------
    named : file or URL; see `shoegoal.record.book.book_url`.
    wait_s : how long to wait for another writer.
    must_exist : refuse to begin a new book.

    Raises
    ------
    RecordBookError, OutputError
        It cannot be opened.
    """

    def __init__(
        self, named: str | None = None, *, wait_s: float = WAIT_S, must_exist: bool = False
    ) -> None:
        url = book_url(named)
        self.name = book_name(url)
        self.file = Path(str(url.database)) if url.drivername == "sqlite" else None
        if self.file is None:
            options = f"-c lock_timeout={round(wait_s * 1000)}"
            connecting = {"connect_timeout": max(1, round(wait_s)), "options": options}
            self._engine = create_engine(url, poolclass=NullPool, connect_args=connecting)
        else:
            if must_exist and not self.file.exists():
                raise _not_begun(self.name)
            _make_folder(self.file.parent)
            _make_private(self.file)
            self._engine = create_engine(url, poolclass=NullPool)
            _prepare_sqlite(self._engine, wait_s)
        self._bring_up_to_date(must_exist)

    @classmethod
    def existing(cls, named: str | None) -> Book:
        """Open a book that was begun before, so that a mistyped name is noticed."""
        return cls(named, must_exist=True)

    @contextmanager
    def reading(self) -> Generator[Connection, None, None]:
        """Give a connection that sees the book at one moment."""
        level = {} if self.file else {"isolation_level": "REPEATABLE READ"}
        with database_errors(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**level)
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, *, history: bool = True) -> Generator[Connection, None, None]:
        """Give a connection whose changes are kept at the end, or not at all.

        Parameters
        ----------
        history : the journal may grow; without that, writers in PostgreSQL need not wait for each
            other.
        """
        with database_errors(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**{_WRITING: True})
            with connection.begin():
                if history and self.file is None and revision_of(connection) is not None:
                    # One writer at a time, as in SQLite: each chains onto the one before.
                    connection.execute(text("LOCK TABLE journal IN EXCLUSIVE MODE"))
                yield connection

    def _bring_up_to_date(self, must_exist: bool) -> None:
        with self.reading() as connection:
            revision = revision_of(connection)
        if must_exist and revision is None:
            raise _not_begun(self.name)
        refuse_newer(revision, self.name)
        if revision == REVISION:
            return
        with database_errors(self.name), self._engine.connect() as connection:
            connection = connection.execution_options(**{_WRITING: True, _UPGRADING: True})
            with connection.begin():
                if self.file is None:
                    key = {"key": _UPGRADE_LOCK}
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), key)
                revision = revision_of(connection)  # another process may have done it first
                if revision == REVISION:
                    return
                if self.file is not None and revision is not None:
                    keep_copy(self.file, revision)
                upgrade(connection)
        if revision is None:
            forget_seen(self.name)


def _not_begun(name: str) -> RecordBookError:
    return RecordBookError(
        f"there is no record book {name} yet; name another one with --book, or begin it with "
        "shoegoal record add or shoegoal record enrol"
    )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder {folder} for the record book cannot be made ({error.strerror or error}); "
            "name another place with --book"
        ) from error


def _make_private(file: Path) -> None:
    """Create the file of a new book so that only its owner can read it; SQLite's logs follow it."""
    with suppress(OSError):  # SQLite reports what is wrong
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))


def _prepare_sqlite(engine: Engine, wait_s: float) -> None:
    @event.listens_for(engine, "connect")
    def connected(connection: DBAPIConnection, _: Any) -> None:
        # Python would open transactions late, which leaves DDL and reads outside them.
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
            # A step that rebuilds a table drops the old one while others still refer to it.
            connection.exec_driver_sql("PRAGMA foreign_keys = OFF")
        # With the lock taken at once, a second writer waits instead of failing midway.
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def book_url(named: str | None = None) -> URL:
    """Turn the user's name for a book into a database URL.

    Parameters
    ----------
    named : a file path or a ``postgresql://`` URL; default: the variable ``SHOEGOAL_BOOK``, then a
        file in the user's data folder.

    Raises
    ------
    RecordBookError
        It looks like a URL and is none, or names a kind of database that cannot hold a book.
    """
    said = named or os.environ.get(BOOK_VARIABLE) or str(_own_file())
    if "://" not in said:
        return URL.create("sqlite", database=str(Path(said).expanduser().absolute()))
    try:
        url = make_url(said)
    except ArgumentError as error:
        raise RecordBookError(
            f"{said} is not a database address; give a file, or postgresql://USER@HOST/NAME"
        ) from error
    if url.drivername not in _POSTGRESQL:
        raise RecordBookError(
            f"a record book cannot be kept in {url.drivername}; give a file, or "
            "postgresql://USER@HOST/NAME"
        )
    return url.set(drivername="postgresql+psycopg")


def book_name(url: URL) -> str:
    """Name a book in a message; a password is never shown."""
    if url.drivername == "sqlite":
        return str(url.database)
    return url.render_as_string(hide_password=True).replace("postgresql+psycopg", "postgresql")


def _own_file() -> Path:
    from platformdirs import user_data_path

    return user_data_path("shoegoal", appauthor=False) / BOOK_FILE_NAME


@contextmanager
def database_errors(name: str) -> Generator[None, None, None]:
    """Turn a database's errors into shoegoal's; the transaction is rolled back.

    Parameters
    ----------
    name : of the book, for the message.

    Raises
    ------
    RecordBookError
        Locked, damaged, not reachable.
    OutputError
        No room or no right to write.
    RecordChangedError
        Two people at once, or the set is signed.
    """
    try:
        yield
    except DBAPIError as error:
        raise _plain(name, error.orig or error) from error
    except sqlite3.Error as error:
        raise _plain(name, error) from error


def _plain(name: str, error: BaseException) -> ShoegoalError:
    said = " ".join(str(error).split())
    low = said.lower()
    if SIGNED in said:
        return RecordChangedError("this set is signed, so nothing about it can be changed any more")
    if REFUSAL in said:
        return RecordChangedError("the book's history is never changed or deleted")
    if any(words in low for words in ("unique", "duplicate key")):
        return RecordChangedError(
            "somebody else wrote to the book at the same moment, so your change was not stored; "
            "look again and repeat it"
        )
    if any(words in low for words in _LOCKED):
        return RecordBookError(
            f"the record book {name} is in use by another program and did not come free; "
            "close that program or try again in a moment. Nothing was written"
        )
    if any(words in low for words in _DAMAGED):
        return RecordBookError(
            f"the record book {name} is damaged or no record book ({said}); keep that file, put "
            "back a copy, and check it with shoegoal record verify"
        )
    if any(words in low for words in _NO_ROOM):
        return OutputError(
            f"the record book {name} has no room left ({said}); make room and repeat. Nothing "
            "that was stored is lost"
        )
    if any(words in low for words in _NO_RIGHT):
        return OutputError(f"the record book {name} cannot be written ({said}); check the folder")
    return RecordBookError(f"the record book {name} cannot be used ({said})")


def revision_of(connection: Connection) -> str | None:
    """Return a book's newest migration step; None for an empty database.

    Raises
    ------
    RecordBookError
        The database holds another program's tables.
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
    """Refuse a book that a later version of shoegoal has written.

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
    """Run the missing migration steps in the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def keep_copy(book: Path, revision: str) -> Path:
    """Copy an SQLite book before a migration step; an existing copy is kept.

    SQLite's own backup includes the write-ahead log.

    Raises
    ------
    OutputError
        There is no room or right to write the copy, so the book must not be changed.
    """
    copy = book.with_name(f"{book.name}.before-step-after-{revision}")
    if copy.exists():
        return copy
    aside = copy.with_name(f"{copy.name}.part")
    try:
        aside.unlink(missing_ok=True)
        aside.touch(mode=0o600)  # the same rights as the book
        with closing(sqlite3.connect(book)) as source, closing(sqlite3.connect(aside)) as target:
            source.backup(target)
        aside.replace(copy)
    except (OSError, sqlite3.Error) as error:
        aside.unlink(missing_ok=True)
        raise OutputError(
            f"the record book could not be copied to {copy} ({error}), so the book was not "
            "updated; make room"
        ) from error
    return copy


@dataclass(frozen=True, slots=True)
class Seen:
    """An entry that this computer saw in the book at a place, and when."""

    place: str
    entry: int
    head: str
    at: str


def note_seen(place: str, entry: int, head: str) -> None:
    """Note a book's newest entry; without room or right to write, the older note stays."""
    file = _file(place)
    with suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(file, json.dumps(asdict(Seen(place, entry, head, now_text()))).encode())


def seen_of(place: str) -> Seen | None:
    """Return the note about a book; None where there is none that can be read."""
    try:
        values = json.loads(read_outside(_file(place), _MOST_BYTES))
        return Seen(
            str(values["place"]), int(values["entry"]), str(values["head"]), str(values["at"])
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forget_seen(place: str) -> None:
    """Delete the note, because a new book begins there."""
    with suppress(OSError):
        _file(place).unlink(missing_ok=True)


def _file(place: str) -> Path:
    return keys_folder() / "seen" / f"{hashlib.sha256(place.encode()).hexdigest()[:32]}.json"
