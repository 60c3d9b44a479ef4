"""Where the book lies: a file of one's own by default, any file or PostgreSQL database by name."""

from __future__ import annotations

import os
from pathlib import Path

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from shoegoal.errors import RecordBookError

BOOK_VARIABLE = "SHOEGOAL_BOOK"
BOOK_FILE_NAME = "book.sqlite3"
_POSTGRESQL = ("postgresql", "postgres", "postgresql+psycopg")


def book_url(named: str | None = None) -> URL:
    """Turn what a person named into a database URL.

    Parameters
    ----------
    named : a file path or a ``postgresql://`` URL; the environment's ``SHOEGOAL_BOOK`` and then
        the user's own data folder stand in for it.

    Raises
    ------
    RecordBookError
        It looks like a URL and is none, or is for a kind of database that the book cannot live in.
    """
    said = named or os.environ.get(BOOK_VARIABLE) or str(_own_file())
    if "://" not in said:
        return URL.create("sqlite", database=str(Path(said).expanduser().absolute()))
    try:
        url = make_url(said)
    except ArgumentError as error:
        raise RecordBookError(
            f"{said} is no database address; give a file, or postgresql://USER@HOST/NAME"
        ) from error
    if url.drivername not in _POSTGRESQL:
        raise RecordBookError(
            f"a record book cannot live in {url.drivername}; give a file, or "
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
