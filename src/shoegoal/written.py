"""Files that are whole or not there: written aside, kept on the disk, then put in place."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Generator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from shoegoal.errors import OutputError


@contextmanager
def whole_file(
    path: Path, *, private: bool = False, replace: bool = True
) -> Generator[BinaryIO, None, None]:
    """Give a stream whose bytes become the file once they are all there; else nothing is left.

    Parameters
    ----------
    path : file to write; its folder must exist.
    private : nobody but its owner may read it.
    replace : an older file of that name; else that one stays, and `FileExistsError` says so.

    Raises
    ------
    OSError
        It cannot be written; an older file stands as it was.
    """
    handle, aside_name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    aside = Path(aside_name)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        if not private:
            aside.chmod(0o666 & ~_umask())  # mkstemp's own mode is for the owner alone
        if replace:
            aside.replace(path)
        else:
            os.link(aside, path)
        _keep_name(path.parent)
    finally:
        aside.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file in one go, as `whole_file` does."""
    with whole_file(path) as stream:
        stream.write(content)


def replace_file(path: Path, content: bytes) -> None:
    """Write a file in one go; an older one of that name stays until the new one is whole.

    Raises
    ------
    OutputError
        The folder is missing or full, or may not be written to.
    """
    try:
        write_whole(path, content)
    except OSError as error:
        raise OutputError(
            f"Cannot write {path}: {error.strerror or error}; choose another folder."
        ) from error


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _keep_name(folder: Path) -> None:
    """Have a folder's list of names on the disk, too, where a folder can be opened for that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
