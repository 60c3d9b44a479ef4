"""Spot checks: a random sample of counted shots, looked at by a coach who does not see the count.

A check is about a shot's call, or about one cue of its form. What the count left unsure has nothing
to agree with, so only what it told is drawn: by cue and by what was told, from each as many as its
share of the class asks for. The sample then stands for all of them as it is.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from sqlalchemy import Connection, and_, func, insert, select

from shoegoal.clip.clock import clock_text
from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.cues import BANDS, cues_told
from shoegoal.record.history import SetHistory, load_set, load_sets
from shoegoal.record.journal import append_of_book, now_text
from shoegoal.types import Call

HIGHEST_SEED = 2**31 - 1
CANNOT_TELL = "cannot-tell"
SHOT = ""  # in place of a cue's name: the check is about the shot's call
_CALLS = (Call.MAKE.value, Call.MISS.value)
ANSWERED = and_(
    schema.coach_answers.c.round_id == schema.coach_items.c.round_id,
    schema.coach_answers.c.place == schema.coach_items.c.place,
)


@dataclass(frozen=True, slots=True)
class Check:
    """A shot to look at; what it was counted as is not told.

    Attributes
    ----------
    place : number within the round, in random order.
    set_id, clip, clock : where it is, by a player's clock; None for a clip that is not known, or
        whose path would tell whose it is.
    kick_time_s, kick_s : presentation time of the kick, and seconds of the player's clock.
    cue : what to look at; empty for make or miss.
    answer : the coach's, once given.
    """

    place: int
    set_id: int
    clip: Path | None
    clock: str
    kick_time_s: float
    kick_s: float
    cue: str
    answer: str | None

    @property
    def answers(self) -> tuple[str, ...]:
        """What a coach may say of it."""
        return (*told_of(self.cue), CANNOT_TELL)


@dataclass(frozen=True, slots=True)
class Round:
    """A round of a class: how many checks it has, and how many of them are answered."""

    round_id: int
    class_name: str
    made_at: str
    size: int
    answered: int


@dataclass(frozen=True, slots=True)
class _Told:
    """What a count told of a shot."""

    set_id: int
    analysis_seq: int
    kick_time_s: float
    cue: str
    counted: str


def told_of(cue: str) -> tuple[str, ...]:
    """Return what a count may tell of a cue, or of a shot: what a coach agrees with or not."""
    return _CALLS if cue == SHOT else BANDS


def draw_round(
    connection: Connection, class_name: str, size: int, seed: int, *, cues: bool = False
) -> int:
    """Draw a round for a class; the same seed draws the same shots of the same book.

    Parameters
    ----------
    connection : from `Book.writing`.
    class_name : of the class.
    size : how many checks; all that there are when there are fewer.
    seed : 0 to 2**31 - 1.
    cues : of what was told of form, in place of makes and misses.

    Returns
    -------
    Number of the round.

    Raises
    ------
    BadSettingsError
        No such class, or nothing of it to draw.
    """
    class_id = class_id_of(connection, class_name)
    strata: dict[tuple[str, str], list[_Told]] = {}
    for told in _told(connection, class_name, cues=cues):
        strata.setdefault((told.cue, told.counted), []).append(told)
    if not strata:
        what = "form that was read and told" if cues else "shots counted as make or miss"
        raise BadSettingsError(f'the class "{class_name}" has no {what} yet')
    chance = random.Random(seed)
    keys = sorted(strata)
    shares = _shares([len(strata[key]) for key in keys], size)
    drawn = [
        told
        for key, wanted in zip(keys, shares, strict=True)
        for told in chance.sample(strata[key], wanted)
    ]
    chance.shuffle(drawn)  # or the order would tell what each was counted as
    row = {"seed": seed, "made_at": now_text()}
    made = connection.execute(insert(schema.coach_rounds).values(class_id=class_id, **row))
    key = made.inserted_primary_key
    assert key is not None
    round_id = int(key[0])
    items = [{"place": place, **asdict(told)} for place, told in enumerate(drawn, start=1)]
    connection.execute(
        insert(schema.coach_items), [{"round_id": round_id, **item} for item in items]
    )
    told_of_round = {"round": round_id, "class": class_id, "items": items, **row}
    append_of_book(connection, "round", told_of_round)
    return round_id


def rounds_of(connection: Connection, class_name: str) -> list[Round]:
    """List a class's rounds, the newest first."""
    rounds, classes, items = schema.coach_rounds.c, schema.classes.c, schema.coach_items.c
    query = (
        select(
            rounds.id,
            classes.name,
            rounds.made_at,
            func.count(items.place).label("size"),
            func.count(schema.coach_answers.c.place).label("answered"),
        )
        .join(schema.classes, classes.id == rounds.class_id)
        .join(schema.coach_items, items.round_id == rounds.id)
        .outerjoin(schema.coach_answers, ANSWERED)
        .where(classes.name == class_name)
        .group_by(rounds.id, classes.name, rounds.made_at)
        .order_by(rounds.id.desc())
    )
    return [Round(*row) for row in connection.execute(query)]


def class_of_round(connection: Connection, round_id: int) -> str:
    """Name the class that a round is of.

    Raises
    ------
    BadSettingsError
        No such round.
    """
    rounds, classes = schema.coach_rounds.c, schema.classes.c
    query = select(classes.name).join(schema.coach_rounds, rounds.class_id == classes.id)
    found = connection.scalar(query.where(rounds.id == round_id))
    if found is None:
        raise BadSettingsError(f"there is no round {round_id} (shoegoal coach draw makes one)")
    return str(found)


def class_names(connection: Connection) -> list[str]:
    """List all classes by name."""
    return list(connection.scalars(select(schema.classes.c.name).order_by(schema.classes.c.name)))


def checks_of(connection: Connection, round_id: int) -> list[Check]:
    """List a round's shots in their order, without what they were counted as.

    Raises
    ------
    BadSettingsError
        No such round.
    """
    class_of_round(connection, round_id)
    items = schema.coach_items.c
    found = connection.execute(
        select(
            items.place, items.set_id, items.kick_time_s, items.cue, schema.coach_answers.c.answer
        )
        .outerjoin(schema.coach_answers, ANSWERED)
        .where(items.round_id == round_id)
        .order_by(items.place)
    ).all()
    sets = {set_id: load_set(connection, set_id) for set_id in {row.set_id for row in found}}
    starts = {set_id: start_of(history) for set_id, history in sets.items()}
    return [
        Check(
            row.place,
            row.set_id,
            _nameless(sets[row.set_id]),
            clock_text(row.kick_time_s - starts[row.set_id]),
            row.kick_time_s,
            row.kick_time_s - starts[row.set_id],
            row.cue,
            row.answer,
        )
        for row in found
    ]


def _nameless(history: SetHistory) -> Path | None:
    """Path of a set's clip, unless it names the pupil: files of a class are often called so."""
    path = history.clip_path
    if path is None or _letters(history.pupil) in _letters(str(path)):
        return None
    return path


def _letters(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def start_of(history: SetHistory) -> float:
    """Presentation time of a set's first picture, whatever version counted it."""
    return float(json.loads(history.count.content)["clip"]["start_s"])


def answer_check(
    connection: Connection, round_id: int, place: int, answer: str, by: str = ""
) -> None:
    """Write a coach's answer down; it cannot be changed, or it would not be blind any more.

    Raises
    ------
    BadSettingsError
        No such shot in the round, it is answered already, or that is no answer to it.
    """
    check = next((c for c in checks_of(connection, round_id) if c.place == place), None)
    if check is None:
        raise BadSettingsError(f"round {round_id} has no shot {place}")
    if check.answer is not None:
        raise BadSettingsError(f"shot {place} of round {round_id} is answered: {check.answer}")
    if answer not in check.answers:
        raise BadSettingsError(f"answer shot {place} with one of: {', '.join(check.answers)}")
    row = {"place": place, "answer": answer, "at": now_text()}
    connection.execute(insert(schema.coach_answers).values(round_id=round_id, by_name=by, **row))
    append_of_book(connection, "check", {"round": round_id, "by": by, **row})


def class_id_of(connection: Connection, class_name: str) -> int:
    """Find a class.

    Raises
    ------
    BadSettingsError
        There is none of that name.
    """
    classes = schema.classes.c
    found = connection.scalar(select(classes.id).where(classes.name == class_name))
    if found is None:
        raise BadSettingsError(f'there is no class "{class_name}" in the book')
    return int(found)


def _told(connection: Connection, class_name: str, *, cues: bool) -> list[_Told]:
    """List what the newest count of every set told."""
    calls = schema.calls.c
    told: list[_Told] = []
    for history in load_sets(connection, class_name=class_name):
        if history.counts_touches:
            continue
        seq = history.count.seq
        if cues:
            told += [_Told(history.set_id, seq, *one) for one in cues_told(history)]
            continue
        query = select(calls.kick_time_s, calls.call).where(
            calls.analysis_seq == seq, calls.call.in_(_CALLS)
        )
        told += [
            _Told(history.set_id, seq, float(row.kick_time_s), SHOT, str(row.call))
            for row in connection.execute(query.order_by(calls.shot))
        ]
    return told


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
