"""Spot checks: a random sample of counted shots, looked at by a coach who does not see the count.

A check is about a shot's call, or about one cue of its form. Nobody can agree or disagree with an
unsure call, so only decided ones are drawn: by cue and by decision, each in proportion to its share
of the class. The sample then represents them all without weights.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from sqlalchemy import Connection, and_, func, insert, select

from shoegoal.analysis.form_file import load_form
from shoegoal.clip.clock import clock_text
from shoegoal.cues.bands import load_bands
from shoegoal.cues.reading import Answer
from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.accuracy import checks_missing, cohens_kappa, wilson_interval
from shoegoal.record.history import SetHistory, load_set, load_sets
from shoegoal.record.journal import append_of_book, now_text
from shoegoal.types import Call

HIGHEST_SEED = 2**31 - 1
CANNOT_TELL = "cannot-tell"
SHOT = ""  # instead of a cue's name: the check is about the shot's call
_CALLS = (Call.MAKE.value, Call.MISS.value)
ANSWERED = and_(
    schema.coach_answers.c.round_id == schema.coach_items.c.round_id,
    schema.coach_answers.c.place == schema.coach_items.c.place,
)
BANDS = (Answer.IN_BAND.value, Answer.LOOK.value)


@dataclass(frozen=True, slots=True)
class Check:
    """A shot to look at; its call stays hidden.

    Attributes
    ----------
    place : number within the round, in random order.
    set_id, clip, clock : where it is, by a player's clock; None for a clip that is not known, or
        whose path would show whose it is.
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
        """What a coach can answer."""
        return (*decisions_of(self.cue), CANNOT_TELL)


@dataclass(frozen=True, slots=True)
class Round:
    """A round of a class: how many checks it has, and how many of them are answered."""

    round_id: int
    class_name: str
    made_at: str
    size: int
    answered: int


@dataclass(frozen=True, slots=True)
class _Decided:
    """A decision of a count about a shot."""

    set_id: int
    analysis_seq: int
    kick_time_s: float
    cue: str
    counted: str


def decisions_of(cue: str) -> tuple[str, ...]:
    """Return the decisions that a count can make about a cue or a shot."""
    return _CALLS if cue == SHOT else BANDS


def draw_round(
    connection: Connection, class_name: str, size: int, seed: int, *, cues: bool = False
) -> int:
    """Draw a round for a class; the same seed draws the same shots from the same book.

    Parameters
    ----------
    connection : from `Book.writing`.
    class_name : of the class.
    size : how many checks; all of them where there are fewer.
    seed : 0 to 2**31 - 1.
    cues : check cues of form instead of makes and misses.

    Returns
    -------
    Number of the round.

    Raises
    ------
    BadSettingsError
        No such class, or it has nothing to draw.
    """
    class_id = class_id_of(connection, class_name)
    strata: dict[tuple[str, str], list[_Decided]] = {}
    for decided in _decided(connection, class_name, cues=cues):
        strata.setdefault((decided.cue, decided.counted), []).append(decided)
    if not strata:
        what = "cues of form with an answer" if cues else "shots counted as make or miss"
        raise BadSettingsError(f'the class "{class_name}" has no {what} yet')
    chance = random.Random(seed)
    keys = sorted(strata)
    shares = _shares([len(strata[key]) for key in keys], size)
    drawn = [
        decided
        for key, wanted in zip(keys, shares, strict=True)
        for decided in chance.sample(strata[key], wanted)
    ]
    chance.shuffle(drawn)  # otherwise the order would show the calls
    row = {"seed": seed, "made_at": now_text()}
    made = connection.execute(insert(schema.coach_rounds).values(class_id=class_id, **row))
    key = made.inserted_primary_key
    assert key is not None
    round_id = int(key[0])
    items = [{"place": place, **asdict(decided)} for place, decided in enumerate(drawn, start=1)]
    connection.execute(
        insert(schema.coach_items), [{"round_id": round_id, **item} for item in items]
    )
    payload = {"round": round_id, "class": class_id, "items": items, **row}
    append_of_book(connection, "round", payload)
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
    """List a round's shots in their order, without their calls.

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
    """Return the path of a set's clip; None where it holds the pupil's name, as it often does."""
    path = history.clip_path
    if path is None or _letters(history.pupil) in _letters(str(path)):
        return None
    return path


def _letters(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def start_of(history: SetHistory) -> float:
    """Return the presentation time of a set's first picture, whichever version counted it."""
    return float(json.loads(history.count.content)["clip"]["start_s"])


def answer_check(
    connection: Connection, round_id: int, place: int, answer: str, by: str = ""
) -> None:
    """Store a coach's answer. It cannot be changed later, because then it would not be blind.

    Parameters
    ----------
    connection : from `Book.writing`.
    round_id, place : the shot of the round, counted from 1.
    answer : one of those that fit the shot.
    by : the coach's name.

    Raises
    ------
    BadSettingsError
        No such shot in the round, it is already answered, or the answer does not fit it.
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


def _decided(connection: Connection, class_name: str, *, cues: bool) -> list[_Decided]:
    """List the decisions of the newest count of every set."""
    calls = schema.calls.c
    decided: list[_Decided] = []
    for history in load_sets(connection, class_name=class_name):
        if history.counts_touches:
            continue
        seq = history.count.seq
        if cues:
            decided += [_Decided(history.set_id, seq, *one) for one in decided_cues(history)]
            continue
        query = select(calls.kick_time_s, calls.call).where(
            calls.analysis_seq == seq, calls.call.in_(_CALLS)
        )
        decided += [
            _Decided(history.set_id, seq, float(row.kick_time_s), SHOT, str(row.call))
            for row in connection.execute(query.order_by(calls.shot))
        ]
    return decided


def _shares(sizes: Sequence[int], wanted: int) -> list[int]:
    """Split a sample in proportion (largest remainders), at least one of each kind that occurs."""
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


def decided_cues(history: SetHistory) -> Iterator[tuple[float, str, str]]:
    """List kick time, cue and band of every cue with an answer; nothing where no form was read."""
    if history.folder_path is None:
        return
    try:
        form = load_form(history.folder_path)
    except BadSettingsError:
        return  # damaged, or of another version
    if form is None or form.clip_sha256 != history.clip_sha256:
        return
    for shot in form.shots:
        yield from ((shot.kick_time_s, given.cue, given.answer.value) for given in shot.given)


def cue_words(cue: str) -> tuple[str, str]:
    """Return a cue's title and what to look for; for an unknown cue, its key."""
    band = load_bands().get(cue)
    return (cue, "") if band is None else (band.title, band.well)


@dataclass(frozen=True, slots=True)
class Agreement:
    """How often a coach agreed.

    Attributes
    ----------
    what : ``all``, or what was counted: ``make``, ``miss``, a band.
    agreed, checked : how often, of how many that the coach could judge.
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
class CueReport:
    """The answers about one cue, or about makes and misses.

    Attributes
    ----------
    cue : its name; empty for makes and misses.
    shares : for all, then by call.
    kappa : Cohen's, beyond chance; None where it is undefined.
    could_not_tell, open_checks : drawn, but the coach could not tell; not yet answered.
    """

    cue: str
    shares: tuple[Agreement, ...]
    kappa: float | None
    could_not_tell: int
    open_checks: int

    @property
    def drawn(self) -> bool:
        """Whether any check of it was drawn."""
        return bool(self.shares[0].checked or self.could_not_tell or self.open_checks)

    @property
    def kappa_words(self) -> str:
        """Kappa to two places, or why it is undefined."""
        one_answer = "not defined: one answer throughout"
        return one_answer if self.kappa is None else f"{self.kappa:.2f}"


@dataclass(frozen=True, slots=True)
class Report:
    """A class's answers: about makes and misses, then cue by cue."""

    class_name: str
    cues: tuple[CueReport, ...]


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
    class_id = class_id_of(connection, class_name)
    items, rounds = schema.coach_items.c, schema.coach_rounds.c
    found = connection.execute(
        select(
            items.cue, items.set_id, items.kick_time_s, items.counted,
            schema.coach_answers.c.answer,
        )
        .join(schema.coach_rounds, rounds.id == items.round_id)
        .outerjoin(schema.coach_answers, ANSWERED)
        .where(rounds.class_id == class_id)
        .order_by(items.round_id, items.place)
    ).all()  # fmt: skip
    cues = sorted({SHOT, *(row.cue for row in found)})
    try:
        reports = tuple(
            _cue_report(cue, [tuple(row[1:]) for row in found if row.cue == cue], width)
            for cue in cues
        )
    except ValueError as error:
        raise BadSettingsError(f"{error}; ask for a wider one") from error
    return Report(class_name, reports)


def _cue_report(
    cue: str, rows: Iterable[tuple[int, float, str, str | None]], width: float
) -> CueReport:
    first: dict[tuple[int, float], tuple[str, str]] = {}
    open_checks = 0
    for set_id, kick_time_s, counted, answer in rows:
        if answer is None:
            open_checks += 1
        else:
            first.setdefault((set_id, kick_time_s), (counted, answer))
    pairs = [pair for pair in first.values() if pair[1] != CANNOT_TELL]
    words = decisions_of(cue)
    table = [[pairs.count((counted, seen)) for seen in words] for counted in words]
    agreed = [table[i][i] for i in range(len(words))]
    shares = [_agreement("all", sum(agreed), len(pairs), width)]
    shares += [_agreement(word, agreed[i], sum(table[i]), width) for i, word in enumerate(words)]
    return CueReport(cue, tuple(shares), cohens_kappa(table), len(first) - len(pairs), open_checks)


def _agreement(what: str, agreed: int, checked: int, width: float) -> Agreement:
    low, high = wilson_interval(agreed, checked)
    return Agreement(what, agreed, checked, low, high, checks_missing(agreed, checked, width))
