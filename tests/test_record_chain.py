"""Canonical JSON and its hash, against RFC 8785 and FIPS 180-4."""

from __future__ import annotations

import json
import struct

import pytest

from shoegoal.record.journal import FIRST_PREVIOUS, Entry, canonical_text, sha256_of


@pytest.mark.parametrize(
    ("bits", "written"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_rfc_8785_appendix_b_has_them(bits: str, written: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_text(number) == written


def test_keys_are_sorted_by_utf16_units() -> None:
    """RFC 8785 section 3.2.3's example (from memory): the astral smiley sorts before U+FB33."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\x80", "\xf6"]
    written = canonical_text(dict.fromkeys(keys, 0))
    order = [key for key, _ in json.loads(written, object_pairs_hook=list)]
    assert order == ["\r", "1", "\x80", "\xf6", "\u20ac", "\U0001f600", "\ufb33"]


def test_writing_what_was_read_gives_the_same_text() -> None:
    """What comes back from a database hashes as what went in, whole floats included."""
    payload = {"p_make": 1.0, "z": [0.1 + 0.2, 3, None, True], "a": "Grüße \u2028"}
    again = json.loads(canonical_text(payload))
    assert canonical_text(again) == canonical_text(payload)
    assert sha256_of(again) == sha256_of(payload)


def test_the_hash_is_sha_256() -> None:
    """SHA-256 of the two bytes ``{}``, from coreutils' sha256sum."""
    assert sha256_of({}) == "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"


def test_every_part_of_an_entry_bears_on_its_hash() -> None:
    entry = Entry(1, 1, 1, "analysis", "2026-03-01T09:00:00.000000Z", {"a": 1}, FIRST_PREVIOUS)
    others = [
        Entry(2, 1, 1, entry.kind, entry.at, entry.payload, entry.previous),
        Entry(1, 2, 1, entry.kind, entry.at, entry.payload, entry.previous),
        Entry(1, 1, 2, entry.kind, entry.at, entry.payload, entry.previous),
        Entry(1, 1, 1, "signature", entry.at, entry.payload, entry.previous),
        Entry(1, 1, 1, entry.kind, "2026-03-02T09:00:00.000000Z", entry.payload, entry.previous),
        Entry(1, 1, 1, entry.kind, entry.at, {"a": 2}, entry.previous),
        Entry(1, 1, 1, entry.kind, entry.at, entry.payload, "1" * 64),
    ]
    assert len({entry.hash, *(other.hash for other in others)}) == 8
