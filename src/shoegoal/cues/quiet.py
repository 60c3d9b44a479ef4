"""Keeps a library's own prints off standard error."""

from __future__ import annotations

import os
from collections.abc import Generator
from contextlib import contextmanager


@contextmanager
def quiet_standard_error() -> Generator[None, None, None]:
    """Send what is written to file descriptor 2 nowhere, and put it back whatever happens.

    The pose library writes there from C++, past Python's `sys.stderr` and whatever the level of
    its log. The descriptor is the whole process's: other threads' lines are lost meanwhile.
    """
    try:
        kept = os.dup(2)
    except OSError:  # standard error is closed: nothing can come out of it
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
