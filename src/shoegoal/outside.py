"""Files and names that come from outside: what may be read, how much of it, and how it is shown."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from io import BufferedReader
from pathlib import Path
from typing import Any

MAX_KEY_PARTS = 12  # of a dotted key; no file of ours has more than three
_KEY_PARTS = re.compile(r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'|[\w-]+|[ \t]*\.[ \t]*|.", re.DOTALL)
# C0 but tab and line feed, DEL and C1 (ECMA-48): a terminal takes them for orders. And what turns
# the direction of writing round (Unicode Standard Annex #9), so that a name reads as another.
_ORDERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


class NestedTooDeepError(ValueError):
    """A text whose parts lie within one another further than any file of ours has them."""


def open_regular(path: Path, *, follow: bool = True) -> BufferedReader:
    """Open a regular file for reading; a pipe or a device is refused without waiting for it.

    Raises
    ------
    OSError
        It is not there, may not be read, or is not a regular file; ``strerror`` says so.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    if not follow:
        flags |= getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(path, flags)
    except ValueError as error:  # a name that no file can have
        raise OSError(0, str(error), str(path)) from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(0, "it is not a regular file", str(path))
    return os.fdopen(handle, "rb")


def read_outside(path: Path, most_bytes: int, *, follow: bool = True) -> bytes:
    """Read a file whole.

    Parameters
    ----------
    path : of a regular file, as for `open_regular`.
    most_bytes : a longer one is refused, unread.
    follow : a symbolic link in the last place.

    Raises
    ------
    OSError
        It is not there, may not be read, is not a regular file, or is too long; ``strerror`` says
        which.
    """
    with open_regular(path, follow=follow) as stream:
        content = stream.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(0, f"it is longer than {most_bytes // 1000} kB", str(path))
    return content


def is_inside(folder: Path, name: str) -> bool:
    """Whether a regular file lies in a folder under a relative name, without a link on the way."""
    place = folder
    try:
        for part in Path(name).parts:
            place = place / part
            found = place.lstat().st_mode
            if stat.S_ISLNK(found):
                return False
    except (OSError, ValueError):
        return False
    return place != folder and stat.S_ISREG(found)


def read_inside(folder: Path, name: str, most_bytes: int) -> bytes | None:
    """Read a file that `is_inside` a folder; None where there is none, or a longer one."""
    if not is_inside(folder, name):
        return None
    try:
        return read_outside(folder / name, most_bytes, follow=False)
    except OSError:
        return None


def parse_toml(text: str) -> dict[str, Any]:
    """Parse TOML whose keys are not nested without end, which takes tomllib its time or the stack.

    Raises
    ------
    NestedTooDeepError
        Keys or brackets are.
    ValueError
        It is no TOML; tomllib's own error, or Python's for a number of thousands of digits.
    """
    if longest_key(text) > MAX_KEY_PARTS:
        raise NestedTooDeepError(f"a key of more than {MAX_KEY_PARTS} parts is nested too deeply")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise NestedTooDeepError("brackets are nested too deeply") from error


def longest_key(text: str) -> int:
    """Count the parts of the longest dotted key; what looks like one in a text counts, too."""
    longest = parts = 0
    after_dot = False
    for found in _KEY_PARTS.finditer(text):
        token = found[0]
        if token.strip(" \t") == ".":
            after_dot = True
        elif token[0] in "\"'" or token[0] == "-" or token[0].isalnum() or token[0] == "_":
            parts = parts + 1 if after_dot else 1
            longest, after_dot = max(longest, parts), False
        else:
            parts, after_dot = 0, False
    return longest


def is_plain_name(name: str) -> bool:
    """Whether a name is that of a file in the folder at hand, and of nothing else."""
    return name not in ("", ".", "..") and "\0" not in name and Path(name).name == name


def shown(text: str) -> str:
    r"""Make a text fit to be printed: orders to a terminal appear as in JSON, ``\u001b``."""
    return _ORDERS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
