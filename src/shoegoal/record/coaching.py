"""Spot checks: a random sample of counted shots, looked at by a coach who does not see the count.

A shot that the count left unsure has no call to agree with, so only makes and misses are drawn,
from each as many as its share of the class asks for: the sample then stands for all of them as it
is.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from sqlalchemy import Connection, and_, insert, select

from shoegoal.clip.clock import clock_text
from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.agreement import checks_missing, cohens_kappa, wilson_interval
from shoegoal.record.history import load_sets
from shoegoal.record.journal import now_text
from shoegoal.types import Call

HIGHEST_SEED = 2**31 - 1
CALLS = (Call.MAKE, Call.MISS)
_ANSWERED = and_(
    schema.coach_answers.c.round_id == schema.coach_items.c.round_id,
    schema.coach_answers.c.place == schema.coach_items.c.place,
)


class Seen(StrEnum):
    """What a coach saw."""

    MAKE = "make"
    MISS = "miss"
    CANNOT_TELL = "cannot-tell"


@dataclass(frozen=True, slots=True)
class Check:
    """A shot to look at; what it was counted as is not told.

    Attributes
    ----------
    place : number within the round, in random order.
    set_id, clip, clock : where it is, by a player's clock; None for a clip that is not known.
    answer : the coach's, once given.
    """

    place: int
    set_id: int
    clip: Path | None
    clock: str
    answer: str | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """How often a coach agreed.

    Attributes
    ----------
    what : ``all shots``, or those counted as ``make`` or ``miss``.
    agreed, checked : of how many that the coach could tell.
    low, high : 95 % Wilson interval of the share.
    missing : further checks until that interval is as narrow as wanted.
    """

    what: str
    agreed: int
    checked: int
    low: float
    high: float
    missing: int


@dataclass(frozen=True, slots=True)
class Report:
    """What the answers of a class say.

    Attributes
    ----------
    class_name : of the class.
    shares : all shots, then by what they were counted as.
    kappa : Cohen's, beyond chance; None where it is undefined.
    could_not_tell, open_checks : drawn shots without a make or miss, and those not yet answered.
    """

    class_name: str
    shares: tuple[Agreement, ...]
    kappa: float | None
    could_not_tell: int
    open_checks: int


def draw_round(connection: Connection, class_name: str, size: int, seed: int) -> int:
    """Draw a round for a class; the same seed draws the same shots of the same book.

    Parameters
    ----------
    connection : from `Book.writing`.
    class_name : of the class.
    size : how many shots; all that there are when there are fewer.
    seed : 0 to 2**31 - 1.

    Returns
    -------
    Number of the round.

    Raises
    ------
    BadSettingsError
        No such class, or no shot of it to draw.
    """
    class_id = _class_id(connection, class_name)
    shots = _counted_shots(connection, class_name)
    strata = [[shot for shot in shots if shot[3] == call.value] for call in CALLS]
    if not any(strata):
        raise BadSettingsError(f'the class "{class_name}" has no shots counted as make or miss yet')
    chance = random.Random(seed)
    drawn = [
        shot
        for stratum, wanted in zip(strata, _shares([len(s) for s in strata], size), strict=True)
        for shot in chance.sample(stratum, wanted)
    ]
    chance.shuffle(drawn)  # or the order would tell what each was counted as
    made = connection.execute(
        insert(schema.coach_rounds).values(class_id=class_id, seed=seed, made_at=now_text())
    )
    key = made.inserted_primary_key
    assert key is not None
    names = ("set_id", "analysis_seq", "kick_time_s", "counted")
    rows = [
        {"round_id": key[0], "place": place, **dict(zip(names, shot, strict=True))}
        for place, shot in enumerate(drawn, start=1)
    ]
    connection.execute(insert(schema.coach_items), rows)
    return int(key[0])


def checks_of(connection: Connection, round_id: int) -> list[Check]:
    """List a round's shots in their order, without what they were counted as.

    Raises
    ------
    BadSettingsError
        No such round.
    """
    items, answers = schema.coach_items.c, schema.coach_answers.c
    found = connection.execute(
        select(items.place, items.set_id, items.kick_time_s, answers.answer)
        .outerjoin(
            schema.coach_answers,
            (answers.round_id == items.round_id) & (answers.place == items.place),
        )
        .where(items.round_id == round_id)
        .order_by(items.place)
    ).all()
    if not found:
        raise BadSettingsError(f"there is no round {round_id} (shoegoal coach draw makes one)")
    sets = {history.set_id: history for history in load_sets(connection)}
    starts = {row.set_id: sets[row.set_id].count.analysis().clip.start_s for row in found}
    return [
        Check(
            row.place,
            row.set_id,
            sets[row.set_id].clip_path,
            clock_text(row.kick_time_s - starts[row.set_id]),
            row.answer,
        )
        for row in found
    ]


def answer_check(
    connection: Connection, round_id: int, place: int, answer: Seen, by: str = ""
) -> None:
    """Write a coach's answer down; it cannot be changed, or it would not be blind any more.

    Raises
    ------
    BadSettingsError
        No such shot in the round, or it is answered already.
    """
    check = next((c for c in checks_of(connection, round_id) if c.place == place), None)
    if check is None:
        raise BadSettingsError(f"round {round_id} has no shot {place}")
    if check.answer is not None:
        raise BadSettingsError(f"shot {place} of round {round_id} is answered: {check.answer}")
    connection.execute(
        insert(schema.coach_answers).values(
            round_id=round_id, place=place, answer=answer.value, by_name=by, at=now_text()
        )
    )


def report_of(connection: Connection, class_name: str, width: float) -> Report:
    """Compare all answers of a class with the count; of a shot drawn twice, the first counts.

    Parameters
    ----------
    connection : from `Book.reading`.
    class_name : of the class.
    width : wanted, of the intervals, 0..1.

    Raises
    ------
    BadSettingsError
        No such class, or a width that takes more than a million checks.
    """
    class_id = _class_id(connection, class_name)
    items, answers, rounds = schema.coach_items.c, schema.coach_answers.c, schema.coach_rounds.c
    found = connection.execute(
        select(items.set_id, items.kick_time_s, items.counted, answers.answer)
        .join(schema.coach_rounds, rounds.id == items.round_id)
        .outerjoin(
            schema.coach_answers,
            (answers.round_id == items.round_id) & (answers.place == items.place),
        )
        .where(rounds.class_id == class_id)
        .order_by(items.round_id, items.place)
    ).all()
    first: dict[tuple[int, float], tuple[str, str]] = {}
    for row in found:
        if row.answer is not None:
            first.setdefault((row.set_id, row.kick_time_s), (row.counted, row.answer))
    told = [pair for pair in first.values() if pair[1] != Seen.CANNOT_TELL]
    table = [[told.count((counted.value, seen.value)) for seen in CALLS] for counted in CALLS]
    try:
        shares = [_agreement("all shots", table[0][0] + table[1][1], len(told), width)]
        shares += [
            _agreement(call.value, table[i][i], sum(table[i]), width)
            for i, call in enumerate(CALLS)
        ]
    except ValueError as error:
        raise BadSettingsError(f"{error}; ask for a wider one") from error
    return Report(
        class_name,
        tuple(shares),
        cohens_kappa(table),
        len(first) - len(told),
        sum(row.answer is None for row in found),
    )


def _agreement(what: str, agreed: int, checked: int, width: float) -> Agreement:
    low, high = wilson_interval(agreed, checked)
    return Agreement(what, agreed, checked, low, high, checks_missing(agreed, checked, width))


def _class_id(connection: Connection, class_name: str) -> int:
    classes = schema.classes.c
    found = connection.scalar(select(classes.id).where(classes.name == class_name))
    if found is None:
        raise BadSettingsError(f'there is no class "{class_name}" in the book')
    return int(found)


def _counted_shots(connection: Connection, class_name: str) -> list[tuple[int, int, float, str]]:
    """Every call of the newest count of every set: set, entry, kick time, call."""
    calls = schema.calls.c
    shots: list[tuple[int, int, float, str]] = []
    for history in load_sets(connection, class_name=class_name):
        seq = history.count.seq
        query = select(calls.kick_time_s, calls.call).where(calls.analysis_seq == seq)
        shots += [
            (history.set_id, seq, float(row.kick_time_s), str(row.call))
            for row in connection.execute(query.order_by(calls.shot))
        ]
    return shots


def _shares(sizes: Sequence[int], wanted: int) -> list[int]:
    """Split a sample in proportion (largest remainders), with one at least of each that has any."""
    total = sum(sizes)
    wanted = min(wanted, total)
    exact = [wanted * size / total for size in sizes]
    shares = [math.floor(part) for part in exact]
    by_rest = sorted(range(len(sizes)), key=lambda i: (shares[i] - exact[i], i))
    for i in by_rest[: wanted - sum(shares)]:
        shares[i] += 1
    for i, size in enumerate(sizes):
        most = max(range(len(sizes)), key=shares.__getitem__)
        if size and not shares[i] and shares[most] > 1:
            shares[i] += 1
            shares[most] -= 1
    return shares
