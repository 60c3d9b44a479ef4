"""What was signed follows from the count and the corrections of that moment."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, select

from shoegoal import __version__
from shoegoal.errors import BadSettingsError, RecordNotTrueError
from shoegoal.record import schema
from shoegoal.record.accuracy import AS_SHIPPED
from shoegoal.record.chain import canonical_text
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.reviewing import signed_content

# The words of a verdict may change between versions, and so may names of parts.
_NOT_COMPARED = frozenset({"by", "sentence", "tool_version"})
_OF_THE_VERDICT = frozenset({"tally", "decision"})


def check_signed(connection: Connection, signatures: dict[int, int]) -> None:
    """Work out anew what every signature stands for, withdrawn ones included.

    Parameters
    ----------
    connection : to the book, whose entries were checked.
    signatures : every signature's entry, and its set.

    Raises
    ------
    RecordNotTrueError
        Names the first signature that stands for something else.
    """
    table = schema.signatures.c
    for seq, set_id in signatures.items():
        told = connection.scalar(select(table.content).where(table.seq == seq))
        signed = json.loads(str(told))
        history = _as_of(load_set(connection, set_id), seq)
        wrong = _wrong_part(history, signed)
        if wrong is not None:
            raise RecordNotTrueError(
                f"entry {seq} of the journal (set {set_id}, signature) does not fit: its {wrong} "
                f"{'are' if wrong == 'calls' else 'is'} not that of the count with its corrections"
            )


def _as_of(history: SetHistory, seq: int) -> SetHistory:
    """Take a set back to what it was before an entry; what is signed rests on the count alone."""
    return replace(
        history,
        trust=AS_SHIPPED,
        counts=tuple(count for count in history.counts if count.seq < seq),
        corrections=tuple(change for change in history.corrections if change.seq < seq),
    )


def _wrong_part(history: SetHistory, signed: dict[str, Any]) -> str | None:
    if not history.counts:
        return "count"
    try:
        standing = history.standing()
    except BadSettingsError:
        return None  # counted in a form of another version: the hashes vouch for it
    content = signed_content(history, standing, "")
    expected = json.loads(canonical_text(content))
    left_out = set(_NOT_COMPARED)
    if signed.get("tool_version", __version__) != __version__:
        left_out |= _OF_THE_VERDICT  # worked out by another version's arithmetic
    for part in sorted(signed.keys() - left_out):
        if _comparable(expected.get(part)) != _comparable(signed[part]):
            return part.replace("_sha256", "").replace("_", " ")
    return None


def _comparable(part: Any) -> Any:
    """Leave numbers of shots out: they are known by their times, and were numbered otherwise."""
    if not isinstance(part, list):
        return part
    return [{name: value for name, value in call.items() if name != "shot"} for call in part]
