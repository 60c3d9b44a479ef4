"""Whose clip it is and what it was filmed for, however that was told."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from shoegoal.ladder.rules import Stage

LONGEST_NAME = 80  # of a pupil, as in the record book
VIDEO_ENDINGS = frozenset((".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".3gp"))


@dataclass(frozen=True, slots=True)
class Assignment:
    """One clip of a class.

    Attributes
    ----------
    clip : the file; it may be missing.
    pupil : name as in the record book.
    stage : what was filmed.
    told_by : where that was said, for messages: ``class.csv, line 7`` or the file's name.
    """

    clip: Path
    pupil: str
    stage: Stage
    told_by: str


@dataclass(frozen=True, slots=True)
class NotAssigned:
    """A clip of which nobody can say whose it is or what it was filmed for, and why."""

    clip: Path
    reason: str


def suffix_of(file_name: str) -> str | None:
    """Take the ending of a file's name; None where it is that of no clip."""
    ending = Path(file_name).suffix.casefold()
    return ending if ending in VIDEO_ENDINGS else None


def tidy_name(text: str) -> str:
    """Write a name in one way: composed letters (Unicode NFC), single blanks, none around it."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def name_trouble(name: str) -> str | None:
    """Say what is wrong with a tidied pupil's name; None where nothing is."""
    if not name:
        return "there is no pupil's name"
    if len(name) > LONGEST_NAME:
        return f"a pupil's name has at most {LONGEST_NAME} letters"
    if not name.isprintable():
        return "the pupil's name holds a character that cannot be printed"
    return None


def spelt_differently(names: Iterable[tuple[str, str]]) -> list[str]:
    """Find pupils whose names differ by capitals alone: surely one pupil, written in two ways.

    Parameters
    ----------
    names : pairs of a tidied name and where it stands.

    Returns
    -------
    A sentence for each such pair.
    """
    first: dict[str, tuple[str, str]] = {}
    told: set[tuple[str, str]] = set()
    found = []
    for name, place in names:
        known, known_place = first.setdefault(name.casefold(), (name, place))
        if known != name and (known, name) not in told:
            told.add((known, name))
            found.append(
                f'{place}: the pupil "{name}" is "{known}" at {known_place}; '
                "write the name in one way"
            )
    return found
