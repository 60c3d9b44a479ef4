"""How a class stands: every set, every stage's share of makes, every pupil's way up the ladder.

Only signed sets are verified. What nobody has signed yet is told beside them and never mixed in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select

from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.next_setup import Advice
from shoegoal.ladder.progress import SetResult, progress_of
from shoegoal.ladder.verdict import Decision
from shoegoal.record import schema
from shoegoal.record.agreement import wilson_interval
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.journal import now_text
from shoegoal.record.plain import summary
from shoegoal.scale.aims import PlacedShot, SeenSet, advice_of, placed_shots


@dataclass(frozen=True, slots=True)
class SetRow:
    """One set of the class.

    Attributes
    ----------
    set_id, pupil, stage, clip, added_at : as in the record book.
    counted_in : ``shots``, or ``touches`` of a dribble, for which ``makes`` are real touches.
    makes, misses, unsure : as signed, or as they stand; None where another version counted.
    decision, sentence : the verdict.
    state : what the set waits for, or ``signed``.
    verified : whether a person has signed it.
    signed_by, signed_at : who and when; empty while not signed.
    """

    set_id: int
    pupil: str
    stage: str
    counted_in: str
    clip: str
    added_at: str
    makes: int | None
    misses: int | None
    unsure: int | None
    decision: str | None
    sentence: str
    state: str
    verified: bool
    signed_by: str
    signed_at: str

    @property
    def shots(self) -> int | None:
        """Shots that count; None where another version counted."""
        if self.makes is None or self.misses is None or self.unsure is None:
            return None
        return self.makes + self.misses + self.unsure


@dataclass(frozen=True, slots=True)
class Share:
    """Makes among shots, with the 95 % Wilson interval of their share."""

    sets: int
    makes: int
    shots: int

    @property
    def share(self) -> float | None:
        """Share of makes; None without a shot."""
        return self.makes / self.shots if self.shots else None

    @property
    def interval(self) -> tuple[float, float]:
        """Wilson interval."""
        return wilson_interval(self.makes, self.shots)


def share_text(share: Share) -> str:
    """Write a share with its interval: ``70 % (40 to 89 %)``; a dash without a shot."""
    if share.share is None:
        return "-"
    low, high = share.interval
    return f"{100 * share.share:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


@dataclass(frozen=True, slots=True)
class StageRow:
    """One stage: what is verified, and what only counted so far.

    An unsure shot is among the shots and not among the makes.
    """

    stage: str
    title: str
    verified: Share
    not_verified: Share


@dataclass(frozen=True, slots=True)
class PupilRow:
    """One pupil.

    Attributes
    ----------
    verified, counted : makes among shots of signed sets, and of the others.
    passed : rungs of the ladder that are passed, by signed sets alone.
    rungs : of the ladder.
    next_step : what comes next, by signed sets alone.
    next_if_signed : what would come next were every count signed as it stands; empty where that
        is the same.
    advice : what to try next, by the shots of signed sets alone.
    shots : where every shot of every set went.
    """

    pupil: str
    verified: Share
    counted: Share
    passed: int
    rungs: int
    next_step: str
    next_if_signed: str
    advice: Advice
    shots: tuple[PlacedShot, ...]


@dataclass(frozen=True, slots=True)
class ClassResults:
    """A class as it stood at a moment."""

    class_name: str
    ladder: str
    made_at: str
    sets: tuple[SetRow, ...]
    stages: tuple[StageRow, ...]
    pupils: tuple[PupilRow, ...]


def class_results(book: Book, class_name: str, ladder: Ladder) -> ClassResults:
    """Read a class from the book.

    Parameters
    ----------
    book : the record book.
    class_name : of the class.
    ladder : that it climbs; sets of stages that are not on it count for no rung.

    Raises
    ------
    BadSettingsError
        There is no such class.
    """
    with book.reading() as connection:
        pupils = pupils_of(connection, class_name)
        histories = load_sets(connection, class_name=class_name)
    seen = [seen_set(history) for history in histories]
    rows = [set_row(one) for one in seen]
    return ClassResults(
        class_name=class_name,
        ladder=ladder.title,
        made_at=now_text(),
        sets=tuple(rows),
        stages=tuple(_stage_rows(ladder, seen, rows)),
        pupils=tuple(_pupil_row(pupil, ladder, seen, rows) for pupil in pupils),
    )


def pupils_of(connection: Connection, class_name: str) -> list[str]:
    """Names of a class's pupils, those without a set too.

    Raises
    ------
    BadSettingsError
        There is no such class.
    """
    classes, pupils = schema.classes.c, schema.pupils.c
    names = list(connection.scalars(select(classes.name)))
    if class_name not in names:
        known = f" (there are: {', '.join(sorted(names))})" if names else " (there are none yet)"
        raise BadSettingsError(f'there is no class "{class_name}" in the book{known}')
    query = (
        select(pupils.name)
        .join(schema.classes, classes.id == pupils.class_id)
        .where(classes.name == class_name)
    )
    return sorted(connection.scalars(query), key=str.casefold)


def seen_set(history: SetHistory) -> SeenSet:
    """Read a set's count, where this version can."""
    try:
        analysis: Analysis | None = history.count.analysis()
        standing = history.standing(analysis)
    except BadSettingsError:  # counted by another version; what was signed still stands
        analysis, standing = None, None
    return SeenSet(history, analysis, standing)


def set_row(seen: SeenSet) -> SetRow:
    """Describe a set."""
    history = seen.history
    told = summary(history, seen.standing)
    return SetRow(
        set_id=history.set_id,
        pupil=history.pupil,
        stage=history.stage.name,
        counted_in=told["counted_in"],
        clip=history.clip_name,
        added_at=history.added_at,
        makes=told["makes"],
        misses=told["misses"],
        unsure=told["unsure"],
        decision=told["decision"],
        sentence=told["sentence"],
        state=told["state"],
        verified=history.signature is not None,
        signed_by=told["signed_by"] or "",
        signed_at=told["signed_at"] or "",
    )


def _share(rows: Iterable[SetRow]) -> Share:
    counted = [row for row in rows if row.shots is not None]
    return Share(
        len(counted), sum(row.makes or 0 for row in counted), sum(row.shots or 0 for row in counted)
    )


def _stage_rows(
    ladder: Ladder, seen: Sequence[SeenSet], rows: Sequence[SetRow]
) -> Iterable[StageRow]:
    """Stages in the ladder's order, others after them; those counted in touches have no makes."""
    records: dict[str, StageRecord] = {one.history.stage.name: one.history.stage for one in seen}
    order = [stage.name for stage in ladder.stages]
    for name in sorted(records, key=lambda n: (order.index(n) if n in order else len(order), n)):
        if records[name].touches is not None:
            continue
        of_stage = [row for row in rows if row.stage == name]
        yield StageRow(
            name,
            records[name].title,
            _share(row for row in of_stage if row.verified),
            _share(row for row in of_stage if not row.verified),
        )


def _pupil_row(
    pupil: str, ladder: Ladder, seen: Sequence[SeenSet], rows: Sequence[SetRow]
) -> PupilRow:
    own = [(one, row) for one, row in zip(seen, rows, strict=True) if row.pupil == pupil]
    signed = [(one, row) for one, row in own if row.verified]
    verified = progress_of(ladder, ladder_results(signed))
    counted = progress_of(ladder, ladder_results(own))
    shooting = [(one, row) for one, row in own if one.history.stage.touches is None]
    return PupilRow(
        pupil=pupil,
        verified=_share(row for _, row in shooting if row.verified),
        counted=_share(row for _, row in shooting if not row.verified),
        passed=verified.passed,
        rungs=len(verified.rungs),
        next_step=verified.sentence,
        next_if_signed="" if counted.sentence == verified.sentence else counted.sentence,
        advice=advice_of([one for one, _ in signed]),
        shots=tuple(shot for one, _ in own for shot in placed_shots(one)),
    )


def ladder_results(own: Sequence[tuple[SeenSet, SetRow]]) -> list[SetResult]:
    """Take out what the way up a ladder hangs on."""
    return [
        SetResult(one.history.stage_asked, Decision(row.decision))
        for one, row in own
        if row.decision is not None
    ]
