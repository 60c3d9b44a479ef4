"""The chain of the journal: canonical JSON (RFC 8785) hashed with SHA-256 (FIPS 180-4).

An entry's hash covers the entry before it, so a change anywhere shows from there on. Canonical
means: keys sorted by UTF-16 code units, no blanks, numbers as ECMAScript writes them, UTF-8.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import rfc8785

FIRST_PREVIOUS = "0" * 64  # what stands before the first entry


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal, before or after it is chained.

    Attributes
    ----------
    seq : 1, 2, 3, ... over the whole book.
    set_id, set_version : the set it is about, and how many entries that set then has; None and 0
        where it is about the book: its classes, pupils, ladders, sets, checks, accounts and keys.
    kind : what happened; `shoegoal.record.told` knows them all.
    at : when, UTC, ISO 8601.
    payload : what happened, in plain JSON values.
    previous : hash of the entry before, 64 hexadecimal digits.
    """

    seq: int
    set_id: int | None
    set_version: int
    kind: str
    at: str
    payload: dict[str, Any]
    previous: str

    @property
    def hash(self) -> str:
        """SHA-256 over all of the entry, 64 hexadecimal digits."""
        whole = {
            "seq": self.seq,
            "set": self.set_id,
            "set_version": self.set_version,
            "kind": self.kind,
            "at": self.at,
            "payload": self.payload,
            "previous": self.previous,
        }
        return sha256_of(whole)


def canonical_text(value: Any) -> str:
    """Write plain JSON values in the one way that RFC 8785 allows.

    Raises
    ------
    rfc8785.CanonicalizationError
        A number is not finite, or a whole number lies beyond 2**53.
    """
    return rfc8785.dumps(value).decode("utf-8")


def sha256_of(value: Any) -> str:
    """SHA-256 of the canonical form of plain JSON values, 64 hexadecimal digits."""
    return hashlib.sha256(rfc8785.dumps(value)).hexdigest()
