"""What coaches' answers say of the count: shares with their intervals, and kappa, cue by cue."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, select

from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.agreement import checks_missing, cohens_kappa, wilson_interval
from shoegoal.record.coaching import ANSWERED, CANNOT_TELL, SHOT, class_id_of, told_of


@dataclass(frozen=True, slots=True)
class Agreement:
    """How often a coach agreed.

    Attributes
    ----------
    what : ``all``, or what was counted: ``make``, ``miss``, a band.
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
class CueReport:
    """What the answers say of one cue, or of makes and misses.

    Attributes
    ----------
    cue : its name; empty for makes and misses.
    shares : of all, then by what they were counted as.
    kappa : Cohen's, beyond chance; None where it is undefined.
    could_not_tell, open_checks : drawn without an answer to compare, and not yet answered.
    """

    cue: str
    shares: tuple[Agreement, ...]
    kappa: float | None
    could_not_tell: int
    open_checks: int

    @property
    def drawn(self) -> bool:
        """Whether anything of it was ever drawn."""
        return bool(self.shares[0].checked or self.could_not_tell or self.open_checks)

    @property
    def kappa_words(self) -> str:
        """Kappa to two places, or why it is undefined."""
        one_answer = "not defined: one answer throughout"
        return one_answer if self.kappa is None else f"{self.kappa:.2f}"


@dataclass(frozen=True, slots=True)
class Report:
    """What the answers of a class say: of makes and misses, then cue by cue."""

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
    words = told_of(cue)
    table = [[pairs.count((counted, seen)) for seen in words] for counted in words]
    agreed = [table[i][i] for i in range(len(words))]
    shares = [_agreement("all", sum(agreed), len(pairs), width)]
    shares += [_agreement(word, agreed[i], sum(table[i]), width) for i, word in enumerate(words)]
    return CueReport(cue, tuple(shares), cohens_kappa(table), len(first) - len(pairs), open_checks)


def _agreement(what: str, agreed: int, checked: int, width: float) -> Agreement:
    low, high = wilson_interval(agreed, checked)
    return Agreement(what, agreed, checked, low, high, checks_missing(agreed, checked, width))
