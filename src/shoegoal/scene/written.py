"""Files that are whole or not there: written aside, then renamed."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from shoegoal.errors import OutputError


def replace_file(path: Path, content: bytes) -> None:
    """Write a file in one go; an older one of that name stays until the new one is whole.

    Parameters
    ----------
    path : file to write; its folder must exist.
    content : all of it.

    Raises
    ------
    OutputError
        The folder is missing or full, or may not be written to.
    """
    try:
        handle, aside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise OutputError(
            f"Cannot write {path}: {error.strerror}; choose another folder."
        ) from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        mask = os.umask(0)
        os.umask(mask)
        Path(aside).chmod(0o666 & ~mask)  # mkstemp hides the file from everybody else
        Path(aside).replace(path)
    except OSError as error:
        Path(aside).unlink(missing_ok=True)
        raise OutputError(
            f"Cannot write {path}: {error.strerror}; choose another folder."
        ) from error
