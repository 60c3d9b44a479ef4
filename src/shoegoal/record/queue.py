"""What waits for a teacher: sets without a sure verdict first, then those to sign."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from shoegoal.record.history import load_sets
from shoegoal.record.plain import summary


def waiting_sets(connection: Connection, class_name: str | None = None) -> list[dict[str, Any]]:
    """Return the sets that are not signed, in short: first those that need a look.

    Of these, the ones that the fewest looks settle come first, so that a few minutes clear most.
    """
    unsigned = load_sets(connection, class_name=class_name, signed=False)
    waiting = [summary(history, history.standing_while_open()) for history in unsigned]
    return sorted(waiting, key=_urgency)


def _urgency(waiting: dict[str, Any]) -> tuple[bool, int, int]:
    return waiting["state"] != "look", len(waiting["look_at"]), waiting["set"]
