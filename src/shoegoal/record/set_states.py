"""What every set waits for, stored so that a queue of thousands is sorted without reading them.

The table follows from the rest of the book. A new entry about a set marks its row as unknown, in
the same transaction; such rows are worked out before the queue is shown.
"""

from __future__ import annotations

import time
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, or_, select, update

from shoegoal import __version__
from shoegoal.analysis.model import FORMAT_VERSION
from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.accuracy import Trust, trust_of
from shoegoal.record.history import SetHistory, load_set, load_sets, state_of, summary
from shoegoal.record.journal import UNKNOWN, sha256_of

LOOK, TO_SIGN, COUNT_AGAIN, SIGNED = "look", "to sign", "count again", "signed"
AT_A_TIME = 50
WITHIN_S = 20.0


def are_known(connection: Connection) -> bool:
    """Whether every set's state is up to date."""
    stale = _stale(_name_of(trust_of(connection)))
    return connection.scalar(select(schema.set_states.c.set_id).where(stale).limit(1)) is None


def work_out(connection: Connection, *, most: int = AT_A_TIME, within_s: float = WITHIN_S) -> bool:
    """Work out states that are not up to date; return whether some are left.

    Parameters
    ----------
    connection : from `Book.writing`.
    most, within_s : most sets at a time, and longest time.
    """
    until = time.monotonic() + within_s
    states = schema.set_states
    trust = _name_of(trust_of(connection))
    found = connection.scalars(
        select(states.c.set_id).where(_stale(trust)).order_by(states.c.set_id).limit(most)
    ).all()
    for set_id in found:
        _keep(connection, set_id, trust)
        if time.monotonic() > until:
            return True
    return len(found) == most


def keep_state(connection: Connection, set_id: int) -> None:
    """Work out one set's state, in the transaction that changed it."""
    _keep(connection, set_id, _name_of(trust_of(connection)))


def state_row(history: SetHistory, trust: str) -> dict[str, Any]:
    """Return the row of what a set waits for.

    Parameters
    ----------
    history : the set.
    trust : name of the book's present trust in its calls.
    """
    status = None
    try:
        if history.signature is None:
            status = history.status()
    except BadSettingsError:
        pass  # counted by another version
    return {
        "state": state_of(history, status),
        "questions": 0 if status is None else len(status.looks) + len(status.doubts),
        "stage": history.stage.name,
        "trust": trust,
        "signed_at": "" if history.signature is None else history.signature.at,
    }


def wrong_state(connection: Connection) -> int | None:
    """Find a set whose row disagrees with the rest of the book; None where all agree."""
    states, sets = schema.set_states, schema.sets.c
    lost = select(sets.id).where(sets.id.not_in(select(states.c.set_id)))
    without = connection.scalar(lost.limit(1))
    if without is not None:
        return int(without)
    trust = _name_of(trust_of(connection))
    for row in connection.execute(select(states).where(~_stale(trust))).mappings():
        expected = state_row(load_set(connection, row["set_id"]), row["trust"])
        if expected["state"] != COUNT_AGAIN and expected.items() - row.items():
            return int(row["set_id"])
    return None


def _keep(connection: Connection, set_id: int, trust: str) -> None:
    states = schema.set_states
    row = state_row(load_set(connection, set_id), trust)
    connection.execute(update(states).where(states.c.set_id == set_id).values(**row))


def _stale(trust: str) -> ColumnElement[bool]:
    """Select rows that are unknown, or were worked out with another trust while not signed."""
    states = schema.set_states.c
    return or_(states.state == UNKNOWN, and_(states.state != SIGNED, states.trust != trust))


def _name_of(trust: Trust) -> str:
    classes = [[one.evidence.name, one.p, one.is_lowered] for one in trust.classes]
    return sha256_of([__version__, FORMAT_VERSION, classes])  # another version may differ


def waiting_sets(connection: Connection, class_name: str | None = None) -> list[dict[str, Any]]:
    """Return summaries of the sets that are not signed, first those that need a look.

    Of these, the ones with the fewest looks come first, so that a few minutes settle most.
    """
    unsigned = load_sets(connection, class_name=class_name, signed=False)
    waiting = [summary(history, history.open_status()) for history in unsigned]
    return sorted(waiting, key=_urgency)


def _urgency(waiting: dict[str, Any]) -> tuple[bool, int, int]:
    return waiting["state"] != "look", len(waiting["look_at"]), waiting["set"]
