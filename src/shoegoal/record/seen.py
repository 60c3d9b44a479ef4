"""What this computer has seen of a book, noted outside it: its head after each signature.

A head is a hash over everything before it. Is the noted one no longer in the book, then what this
computer saw was cut off or rewritten, whether or not the book still agrees with itself.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from shoegoal.outside import read_outside
from shoegoal.record.journal import now_text
from shoegoal.record.keys import keys_folder
from shoegoal.written import write_whole

_MOST_BYTES = 10_000


@dataclass(frozen=True, slots=True)
class Seen:
    """An entry that this computer saw in the book at a place, and when."""

    place: str
    entry: int
    head: str
    at: str


def note_seen(place: str, entry: int, head: str) -> None:
    """Note the newest entry of the book at a place; without room or right, the older note stays."""
    file = _file(place)
    with suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(file, json.dumps(asdict(Seen(place, entry, head, now_text()))).encode())


def seen_of(place: str) -> Seen | None:
    """Recall the note about the book at a place; None while there is none that can be read."""
    try:
        plain = json.loads(read_outside(_file(place), _MOST_BYTES))
        return Seen(str(plain["place"]), int(plain["entry"]), str(plain["head"]), str(plain["at"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forget_seen(place: str) -> None:
    """Drop the note: a new book begins there."""
    with suppress(OSError):
        _file(place).unlink(missing_ok=True)


def _file(place: str) -> Path:
    return keys_folder() / "seen" / f"{hashlib.sha256(place.encode()).hexdigest()[:32]}.json"
