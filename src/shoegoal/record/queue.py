"""What every set waits for, kept beside it: a queue of thousands is sorted without reading them.

The table follows from the rest of the book. A new entry about a set makes its row unknown, in the
same transaction; whoever wants to see the queue works such rows out first.
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
    """Work out states that are not up to date; whether some are left.

    Parameters
    ----------
    connection : from `Book.writing`.
    most, within_s : sets at a time, and how long to go on.
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
    """Work one set's state out, in the transaction that changed it."""
    _keep(connection, set_id, _name_of(trust_of(connection)))


def state_row(history: SetHistory, trust: str) -> dict[str, Any]:
    """Say what a set waits for, as its row does.

    Parameters
    ----------
    history : the set.
    trust : name of what the book's own checks make of its calls.
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
    """Find a set whose row says something else than the rest of the book; None where all fit."""
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
    """Unknown, or worked out when the book trusted its calls otherwise; what is signed stays."""
    states = schema.set_states.c
    return or_(states.state == UNKNOWN, and_(states.state != SIGNED, states.trust != trust))


def _name_of(trust: Trust) -> str:
    classes = [[one.evidence.name, one.p, one.is_lowered] for one in trust.classes]
    return sha256_of([__version__, FORMAT_VERSION, classes])  # another version works out otherwise


def waiting_sets(connection: Connection, class_name: str | None = None) -> list[dict[str, Any]]:
    """Return the sets that are not signed, in short: first those that need a look.

    Of these, the ones that the fewest looks settle come first, so that a few minutes clear most.
    """
    unsigned = load_sets(connection, class_name=class_name, signed=False)
    waiting = [summary(history, history.open_status()) for history in unsigned]
    return sorted(waiting, key=_urgency)


def _urgency(waiting: dict[str, Any]) -> tuple[bool, int, int]:
    return waiting["state"] != "look", len(waiting["look_at"]), waiting["set"]
