"""How often calls made without asking were right, and how far later ones can be trusted.

Such a call is checked in two ways. A coach's spot checks are drawn at random and blind to the
count. A teacher saw every signed set: calls that nobody corrected there count as right, so the
share of changed calls is a lower bound of the errors.

Both are counted in classes of evidence: a make or a miss, by its probability, with the same edges
as the counts that come with shoegoal (`shots/weights.json`). Once enough checks show that a class
does worse in this book than there, it is trusted less; one that does better is trusted more.
"""

from __future__ import annotations

import json
import math
from bisect import bisect
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist

from sqlalchemy import Connection, select

from shoegoal.analysis.file import analysis_from_json
from shoegoal.analysis.model import Analysis
from shoegoal.errors import ShoegoalError
from shoegoal.ladder.rules import TouchesInARow
from shoegoal.pipeline.form import common_view, shot_spaces
from shoegoal.record import schema
from shoegoal.record.status import (
    CALL_ANSWERED,
    NOT_COUNTED,
    SAME_EVENT_S,
    Added,
    Answer,
    Answered,
    Correction,
    read_correction,
    still_held,
)
from shoegoal.shots.judge import CALL_AT
from shoegoal.shots.weights import shipped_weights
from shoegoal.types import Call, EventKind, Shot

CONFIDENCE = 0.95
MOST_CHECKS = 1_000_000
VIEW_UNKNOWN = "not known"
MOST_KEPT = 32
_AT_A_TIME = 500  # sets of one query
_CALLS = (Call.MAKE, Call.MISS)
_SAME_KICK_S = SAME_EVENT_S[EventKind.SHOT]
_views: dict[str, str] = {}  # by the hash of the count, which takes long to read
_trusts: dict[str, Trust] = {}  # by the hash of the newest entry that bears on it
_signed_sets: dict[str, tuple[list[CheckedCall], int]] = {}  # by the hash of a set's last entry


def wilson_interval(hits: int, of: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval for a share (Wilson 1927, without correction for continuity).

    Parameters
    ----------
    hits, of : how many of how many; none of none gives 0..1.
    confidence : of the interval.

    Raises
    ------
    ValueError
        More hits than checks, or a number below 0.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"{hits} of {of} is not a share")
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share = hits / of
    scale = 1 + z * z / of
    middle = (share + z * z / (2 * of)) / scale
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / scale
    return max(0.0, middle - half), min(1.0, middle + half)


def cohens_kappa(table: Sequence[Sequence[int]]) -> float | None:
    """Agreement of two judges beyond chance (Cohen 1960).

    Parameters
    ----------
    table : (K, K) counts, rows one judge's answers, columns the other's, in the same order.

    Returns
    -------
    Kappa; None where both gave the same single answer throughout, which leaves it undefined.
    """
    total = sum(map(sum, table))
    if total == 0:
        return None
    rows = [sum(row) / total for row in table]
    columns = [sum(column) / total for column in zip(*table, strict=True)]
    agreed = sum(table[i][i] for i in range(len(table))) / total
    by_chance: float = sum(row * column for row, column in zip(rows, columns, strict=True))
    if by_chance >= 1.0:
        return None
    return (agreed - by_chance) / (1 - by_chance)


def checks_missing(hits: int, of: int, width: float, confidence: float = CONFIDENCE) -> int:
    """Return how many more checks make the interval narrow enough if the share stays as it is.

    Parameters
    ----------
    hits, of : checked so far; without any, a share of a half is assumed, which needs the most.
    width : wanted, from the interval's lower to its upper end; above 0.
    confidence : of the interval.

    Raises
    ------
    ValueError
        The width is not above 0, or takes more than a million checks.
    """
    share = hits / of if of else 0.5

    def wide_enough(checks: int) -> bool:
        low, high = wilson_interval(round(share * checks), checks, confidence)
        return high - low <= width

    if width <= 0 or not wide_enough(MOST_CHECKS):
        raise ValueError(f"an interval {width} wide takes more than {MOST_CHECKS} checks")
    low, high = of, MOST_CHECKS
    if of and wide_enough(of):
        return 0
    # Rounding makes the width not quite monotonic: bisect, then step up to the first.
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if wide_enough(middle) else (middle, high)
    return high - of


class Source(StrEnum):
    """Who checked a call."""

    BLIND = "blind checks"
    SIGNED = "signed sets"


@dataclass(frozen=True, slots=True)
class CheckedCall:
    """A shot as it was first counted, and what a person found it to be.

    Attributes
    ----------
    source : who checked.
    set_id, analysis_seq, kick_time_s : which shot, of which count.
    call, p_make : as counted.
    seen : make, miss or not a shot.
    """

    source: Source
    set_id: int
    analysis_seq: int
    kick_time_s: float
    call: Call
    p_make: float
    seen: Answer

    @property
    def is_changed(self) -> bool:
        """Whether the person disagreed with the call."""
        return CALL_ANSWERED.get(self.seen) is not self.call


@dataclass(frozen=True, slots=True)
class EvidenceClass:
    """A make or a miss, by its probability.

    Attributes
    ----------
    call : make or miss.
    from_p, to_p : P(make) of its shots.
    shipped_wrong, shipped_checked : what was counted on rendered shots; see `shots/weights.json`.
    """

    call: Call
    from_p: float
    to_p: float
    shipped_wrong: int
    shipped_checked: int

    @property
    def name(self) -> str:
        """For a table."""
        return f"{self.call.value}, P(make) {self.from_p:g} to {self.to_p:g}"

    @property
    def shipped_error(self) -> float:
        """Mean of Beta(k + 1/2, n - k + 1/2), as everywhere."""
        return _error(self.shipped_wrong, self.shipped_checked)


@dataclass(frozen=True, slots=True)
class ClassTrust:
    """What a class of evidence is worth in this book.

    Attributes
    ----------
    evidence : the class.
    changed, checked : how many calls people changed, of how many that they checked.
    p : probability that such a call is right, from these counts.
    is_lowered : whether that is below the shipped probability, rather than above.
    """

    evidence: EvidenceClass
    changed: int
    checked: int
    p: float
    is_lowered: bool

    @property
    def sentence(self) -> str:
        """How trust changes, and why."""
        more = "less" if self.is_lowered else "more"
        return (
            f"{self.evidence.name}: {self.changed} of {self.checked} turned out otherwise, so such "
            f"calls are trusted {more} in this book ({100 * self.p:.1f} % instead of "
            f"{100 * (1 - self.evidence.shipped_error):.1f} %)"
        )


@dataclass(frozen=True, slots=True)
class Trust:
    """How far a book's own checks change the trust in its calls; without checks, not at all.

    Attributes
    ----------
    classes : those that differ from the shipped error rates.
    """

    classes: tuple[ClassTrust, ...] = ()

    def weighed(self, analysis: Analysis) -> Analysis:
        """Give a count's shots the probabilities that this book's checks support.

        A call that is no longer sure enough becomes unsure, and its reason says why.
        """
        if not self.classes:
            return analysis
        return replace(analysis, shots=tuple(self._weighed(shot) for shot in analysis.shots))

    def _weighed(self, shot: Shot) -> Shot:
        if shot.kind is not EventKind.SHOT or shot.call not in _CALLS:
            return shot
        evidence = evidence_class(shot.call, shot.p_make)
        one = next((trust for trust in self.classes if trust.evidence == evidence), None)
        if one is None:
            return shot
        p_right = shot.p_make if shot.call is Call.MAKE else 1 - shot.p_make
        p_right = min(p_right, one.p) if one.is_lowered else max(p_right, one.p)
        p_make = p_right if shot.call is Call.MAKE else 1 - p_right
        if shot.p_shot * p_right >= CALL_AT:
            return replace(shot, p_make=p_make)
        reason = (
            f"{shot.reason}; in this book {one.changed} of {one.checked} calls like this one "
            "turned out otherwise: please look"
        )
        return replace(shot, p_make=p_make, call=Call.UNSURE, reason=reason)


AS_SHIPPED = Trust()


@dataclass(frozen=True, slots=True)
class Row:
    """How many calls of one kind people changed, with the 95 % Wilson interval of that share."""

    what: str
    changed: int
    called: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Found:
    """One source's results: for all calls, then by call, by view and by class of evidence."""

    source: Source
    all: Row
    by_call: tuple[Row, ...]
    by_view: tuple[Row, ...]
    by_class: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class ReliabilityPoint:
    """Shots with about the same probability: how often they were makes.

    Attributes
    ----------
    p_make : mean of the probabilities given.
    makes, shots : as people found them.
    low, high : 95 % Wilson interval of the share.
    """

    p_make: float
    makes: int
    shots: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How a book's calls did.

    Attributes
    ----------
    class_name : None for the whole book.
    found : by source, blind checks first.
    reliability : by rising probability; a shot that both sources saw counts once, blind.
    missed, sets : shots that people added to signed sets, and how many such sets there are.
    trust : of the whole book, whichever class was asked for.
    """

    class_name: str | None
    found: tuple[Found, ...]
    reliability: tuple[ReliabilityPoint, ...]
    missed: int
    sets: int
    trust: Trust

    @property
    def missed_sentence(self) -> str:
        """Say how many shots were not called at all."""
        shots = f"{self.missed} {'shot' if self.missed == 1 else 'shots'}"
        sets = f"{self.sets} signed {'set' if self.sets == 1 else 'sets'}"
        return f"{shots} added by hand in {sets}"


def evidence_class(call: Call, p_make: float) -> EvidenceClass:
    """Find the class of a call."""
    calibration = shipped_weights().make_calibration
    k = bisect(calibration.edges, p_make)
    edges = (0.0, *calibration.edges, 1.0)
    checked = calibration.checked[k] if calibration.checked else 0
    came_true = calibration.came_true[k] if calibration.checked else 0
    wrong = checked - came_true if call is Call.MAKE else came_true
    return EvidenceClass(call, edges[k], edges[k + 1], wrong, checked)


def trust_of(connection: Connection) -> Trust:
    """Work out how far a book's own checks change the trust in its calls.

    It changes only with a signature, its withdrawal or a coach's answer, and is kept until then.
    """
    journal = schema.journal.c
    newest = select(journal.hash).where(journal.kind.in_(("signature", schema.WITHDRAWN, "check")))
    state = connection.scalar(newest.order_by(journal.seq.desc()).limit(1))
    if state is None:
        return AS_SHIPPED
    if state not in _trusts:
        if len(_trusts) >= MOST_KEPT:
            _trusts.clear()
        _trusts[state] = _trust(connection)
    return _trusts[state]


def accuracy_of(connection: Connection, class_name: str | None = None) -> Accuracy:
    """Compare the calls made without asking with what people found.

    Parameters
    ----------
    connection : from `Book.reading`.
    class_name : of the class; None for the whole book.
    """
    blind, signed = _blind(connection, class_name), _signed(connection, class_name)
    views = {call.analysis_seq: "" for call in (*blind, *signed.checked)}
    for seq in views:
        views[seq] = _view_of(connection, seq)
    found = tuple(
        _found(source, [call for call in calls if call.call in _CALLS], views)
        for source, calls in ((Source.BLIND, blind), (Source.SIGNED, signed.checked))
    )
    return Accuracy(
        class_name,
        found,
        reliability_of(_once((*blind, *signed.checked))),
        signed.missed,
        signed.sets,
        trust_of(connection),
    )


def row_of(what: str, changed: int, called: int) -> Row:
    """Make a row."""
    return Row(what, changed, called, *wilson_interval(changed, called))


def class_trust(
    evidence: EvidenceClass, blind: Sequence[CheckedCall], signed: Sequence[CheckedCall]
) -> ClassTrust | None:
    """Work out the trust in a class; None where it is as shipped.

    It is lowered once the 95 % interval of the changed share lies above the shipped error, and
    raised once it lies below. Only blind checks can raise it.
    """
    both = _once((*blind, *signed))
    worse = [
        ClassTrust(evidence, changed, checked, 1 - _error(changed, checked), True)
        for calls in (blind, both)
        for changed, checked in [(sum(call.is_changed for call in calls), len(calls))]
        if wilson_interval(changed, checked)[0] > evidence.shipped_error
    ]
    if worse:
        return min(worse, key=lambda one: one.p)
    changed, checked = sum(call.is_changed for call in blind), len(blind)
    if wilson_interval(changed, checked)[1] < evidence.shipped_error:
        return ClassTrust(evidence, changed, checked, 1 - _error(changed, checked), False)
    return None


def reliability_of(calls: Iterable[CheckedCall]) -> tuple[ReliabilityPoint, ...]:
    """Compare probabilities with how often the shots were makes, in the shipped classes."""
    edges = shipped_weights().make_calibration.edges
    by_class: dict[int, list[CheckedCall]] = defaultdict(list)
    for call in calls:
        if call.seen in CALL_ANSWERED:
            by_class[bisect(edges, call.p_make)].append(call)
    points = []
    for _, those in sorted(by_class.items()):
        makes = sum(CALL_ANSWERED[call.seen] is Call.MAKE for call in those)
        mean = sum(call.p_make for call in those) / len(those)
        points.append(
            ReliabilityPoint(mean, makes, len(those), *wilson_interval(makes, len(those)))
        )
    return tuple(points)


def _error(wrong: int, checked: int) -> float:
    return (wrong + 0.5) / (checked + 1)


def _trust(connection: Connection) -> Trust:
    by_class: dict[EvidenceClass, tuple[list[CheckedCall], list[CheckedCall]]] = {}
    checked = (_blind(connection, None), _signed(connection, None).checked)
    for place, calls in enumerate(checked):
        for call in calls:
            if call.call in _CALLS:
                evidence = evidence_class(call.call, call.p_make)
                by_class.setdefault(evidence, ([], []))[place].append(call)
    trusts = (class_trust(evidence, *calls) for evidence, calls in by_class.items())
    found = [one for one in trusts if one is not None]
    return Trust(tuple(sorted(found, key=lambda one: one.evidence.name)))


def _once(calls: Iterable[CheckedCall]) -> list[CheckedCall]:
    """Keep the first of the calls about one shot: blind checks come first."""
    kept: list[CheckedCall] = []
    by_set: dict[int, list[float]] = defaultdict(list)
    for call in calls:
        times = by_set[call.set_id]
        if all(abs(call.kick_time_s - at_s) > _SAME_KICK_S for at_s in times):
            times.append(call.kick_time_s)
            kept.append(call)
    return kept


def _found(source: Source, calls: Sequence[CheckedCall], views: dict[int, str]) -> Found:
    def rows(key: Callable[[CheckedCall], str]) -> tuple[Row, ...]:
        names = sorted({key(call) for call in calls})
        parts = {name: [call for call in calls if key(call) == name] for name in names}
        return tuple(_row(name, part) for name, part in parts.items())

    return Found(
        source,
        _row("all", calls),
        rows(lambda call: call.call.value),
        rows(lambda call: views[call.analysis_seq]),
        rows(lambda call: evidence_class(call.call, call.p_make).name),
    )


def _row(what: str, calls: Sequence[CheckedCall]) -> Row:
    return row_of(what, sum(call.is_changed for call in calls), len(calls))


def _blind(connection: Connection, class_name: str | None) -> list[CheckedCall]:
    """List coaches' answers about calls; of a shot drawn twice, the first answer counts."""
    items, answers, calls = schema.coach_items.c, schema.coach_answers.c, schema.calls.c
    rounds, classes = schema.coach_rounds.c, schema.classes.c
    query = (
        select(
            items.set_id,
            items.analysis_seq,
            items.kick_time_s,
            calls.call,
            calls.p_make,
            answers.answer,
        )
        .join(schema.coach_rounds, rounds.id == items.round_id)
        .join(schema.classes, classes.id == rounds.class_id)
        .join(
            schema.coach_answers,
            (answers.round_id == items.round_id) & (answers.place == items.place),
        )
        .join(
            schema.calls,
            (calls.analysis_seq == items.analysis_seq) & (calls.kick_time_s == items.kick_time_s),
        )
        .where(items.cue == "", answers.answer != Answer.CANNOT_TELL.value)
        .order_by(items.round_id, items.place)
    )
    if class_name is not None:
        query = query.where(classes.name == class_name)
    return _once(
        CheckedCall(
            Source.BLIND,
            row.set_id,
            row.analysis_seq,
            row.kick_time_s,
            Call(row.call),
            row.p_make,
            Answer(row.answer),
        )
        for row in connection.execute(query)
    )


@dataclass(frozen=True, slots=True)
class _SignedSets:
    checked: tuple[CheckedCall, ...]
    missed: int
    sets: int


def _signed(connection: Connection, class_name: str | None) -> _SignedSets:
    """Compare the first count of every signed set with its status."""
    sets, pupils, classes = schema.sets.c, schema.pupils.c, schema.classes.c
    journal = schema.journal.c
    last = select(journal.hash).where(journal.set_id == sets.id).order_by(journal.seq.desc())
    query = (
        select(sets.id, sets.stage, last.limit(1).scalar_subquery().label("last"))
        .join(schema.pupils, pupils.id == sets.pupil_id)
        .outerjoin(schema.classes, classes.id == pupils.class_id)
        .where(schema.stands_signed(sets.id))
        .order_by(sets.id)
    )
    if class_name is not None:
        query = query.where(classes.name == class_name)
    checked: list[CheckedCall] = []
    missed = 0
    signed = [
        row
        for row in connection.execute(query).all()
        if json.loads(row.stage)["rule_kind"] != TouchesInARow.kind
    ]
    fresh = [
        row for row in signed if row.last not in _signed_sets
    ]  # what is signed does not change
    for first in range(0, len(fresh), _AT_A_TIME):
        some = fresh[first : first + _AT_A_TIME]
        found = _of_signed_sets(connection, [row.id for row in some])
        _signed_sets.update({row.last: found[row.id] for row in some})
    for row in signed:
        calls, added = _signed_sets[row.last]
        checked += calls
        missed += added
    return _SignedSets(tuple(checked), missed, len(signed))


def _of_signed_sets(
    connection: Connection, set_ids: Sequence[int]
) -> dict[int, tuple[list[CheckedCall], int]]:
    corrections, analyses, calls = schema.corrections.c, schema.analyses.c, schema.calls.c
    changes: dict[int, list[Correction]] = {set_id: [] for set_id in set_ids}
    written = (
        select(corrections.seq, corrections.set_id, corrections.content)
        .where(corrections.set_id.in_(set_ids))
        .order_by(corrections.seq)
    )
    for row in connection.execute(written):
        changes[row.set_id].append(read_correction(row.seq, "", json.loads(row.content)))
    seqs: dict[int, list[int]] = defaultdict(list)
    counts = (
        select(analyses.seq, analyses.set_id)
        .where(analyses.set_id.in_(set_ids))
        .order_by(analyses.seq)
    )
    for seq, set_id in connection.execute(counts):
        seqs[set_id].append(seq)
    called: dict[int, list[tuple[float, Call, float]]] = defaultdict(list)
    of_counts = select(calls.analysis_seq, calls.kick_time_s, calls.call, calls.p_make).where(
        calls.analysis_seq.in_([seq for some in seqs.values() for seq in some])
    )
    in_order = of_counts.order_by(calls.analysis_seq, calls.shot)
    for seq, time_s, call, p_make in connection.execute(in_order):
        called[seq].append((time_s, Call(call), p_make))
    return {set_id: _checked(set_id, changes[set_id], seqs[set_id], called) for set_id in set_ids}


def _checked(
    set_id: int,
    changes: Sequence[Correction],
    seqs: Sequence[int],
    called: Mapping[int, Sequence[tuple[float, Call, float]]],
) -> tuple[list[CheckedCall], int]:
    """Compare a set's first count with its status; count added shots, too."""
    held = still_held(changes)
    undone = {change.seq for change in changes} - {change.seq for change in held}
    first, now = seqs[0], [seq for seq in seqs if seq not in undone][-1]
    checked = []
    for time_s, call, p_make in called[first]:
        seen = _answer_to(time_s, [change.change for change in held])
        if seen is None and call in _CALLS:
            seen = Answer(call.value) if now == first else _seen_now(time_s, called[now])
        if seen is not None and seen not in NOT_COUNTED:
            checked.append(CheckedCall(Source.SIGNED, set_id, first, time_s, call, p_make, seen))
    return checked, sum(isinstance(change.change, Added) for change in held)


def _answer_to(time_s: float, changes: Iterable[object]) -> Answer | None:
    """Return the last answer to the shot kicked then."""
    answers = [
        change.answer
        for change in changes
        if isinstance(change, Answered) and abs(change.time_s - time_s) <= _SAME_KICK_S
    ]
    return answers[-1] if answers else None


def _seen_now(time_s: float, calls: Iterable[tuple[float, Call, float]]) -> Answer | None:
    """Return a shot's call after markers were moved; None where that is unsure."""
    near = min(calls, key=lambda call: abs(call[0] - time_s), default=None)
    if near is None or abs(near[0] - time_s) > _SAME_KICK_S:
        return Answer.NOT_A_SHOT
    return Answer(near[1].value) if near[1] in _CALLS else None


def _view_of(connection: Connection, seq: int) -> str:
    """Say from where a set was filmed."""
    analyses = schema.analyses.c
    sha256 = connection.scalar(select(analyses.sha256).where(analyses.seq == seq))
    if sha256 not in _views:
        content = connection.scalar(select(analyses.content).where(analyses.seq == seq))
        try:
            view = common_view(shot_spaces(analysis_from_json(str(content).encode(), "the count")))
        except ShoegoalError:  # counted in a form of another version
            view = None
        _views[str(sha256)] = VIEW_UNKNOWN if view is None else view.value
    return _views[str(sha256)]
