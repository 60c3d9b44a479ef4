"""What a database complains about, in one line that says what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Generator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError

from shoegoal.errors import OutputError, RecordBookError, RecordChangedError, ShoegoalError
from shoegoal.record.migrations.append_only import REFUSAL, SIGNED

_NO_ROOM = ("disk is full", "no space left", "disk i/o error", "could not extend file")
_NO_RIGHT = ("readonly database", "read-only", "permission denied", "unable to open database file")
_LOCKED = ("database is locked", "lock timeout", "database table is locked")
_DAMAGED = ("malformed", "not a database", "corrupt", "invalid page", "no such table",
            "file is encrypted")  # fmt: skip


@contextmanager
def told_plainly(name: str) -> Generator[None, None, None]:
    """Turn a database's errors into shoegoal's; nothing of the transaction remains.

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
            "somebody else wrote to the book at the same moment; nothing of yours was written, "
            "so look again and repeat it"
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
            f"the record book {name} has no room left ({said}); make room and repeat. What was "
            "there is still there"
        )
    if any(words in low for words in _NO_RIGHT):
        return OutputError(f"the record book {name} cannot be written ({said}); check the folder")
    return RecordBookError(f"the record book {name} cannot be used ({said})")
