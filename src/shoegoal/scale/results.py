"""Results of a class and each pupil: sets, shares of makes, progress on the ladder, what to try."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from sqlalchemy import Connection, select

from shoegoal.analysis.form_file import load_form
from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.cues.reading import Advice as FormAdvice
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.next_setup import (
    Advice,
    Between,
    Direction,
    Measured,
    NextSetUp,
    NotEnoughShots,
    Outside,
    SetUp,
    next_setup,
)
from shoegoal.ladder.progress import NextStep, Progress, SetResult, progress_of
from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import Decision
from shoegoal.record import schema
from shoegoal.record.accuracy import wilson_interval
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_sets, summary
from shoegoal.record.journal import now_text
from shoegoal.record.status import SetStatus, ShotStatus
from shoegoal.types import Call, Outcome, Shot

MOST_HINTS = 2


@dataclass(frozen=True, slots=True)
class SeenSet:
    """A set with its count and status; both None where another version counted."""

    history: SetHistory
    analysis: Analysis | None
    status: SetStatus | None


@dataclass(frozen=True, slots=True)
class PlacedShot:
    """Where a shot went.

    Attributes
    ----------
    set_id, number : which shot.
    call : with corrections.
    verified : its set is signed.
    goal_width_m : between the markers.
    spot_m : (x, y) of the kick spot in the goal frame; None when not seen.
    crossing_m : x at which it crossed the goal line; None when that was not seen.
    outcome : how it ended, as counted; None for one that a person added.
    """

    set_id: int
    number: int
    call: Call
    verified: bool
    goal_width_m: float
    spot_m: tuple[float, float] | None
    crossing_m: float | None
    outcome: Outcome | None


def placed_shots(seen: SeenSet) -> Iterable[PlacedShot]:
    """Return the shots of a set that count."""
    analysis, status = seen.analysis, seen.status
    if analysis is None or status is None or analysis.scene is None:
        return
    for shot in status.shots:
        if not shot.counts:
            continue
        counted = shot.counted
        crossing = None if counted is None else counted.crossing_x_m
        yield PlacedShot(
            set_id=seen.history.set_id,
            number=shot.number,
            call=shot.call,
            verified=seen.history.signature is not None,
            goal_width_m=analysis.goal_scene.goal_width_m.value,
            spot_m=None if counted is None else counted.kick_spot_m,
            crossing_m=None if crossing is None else crossing.value,
            outcome=None if counted is None else counted.outcome,
        )


def advice_of(sets: Sequence[SeenSet]) -> Advice:
    """Advise what to try after these sets, given in order of play."""
    directions: list[Direction] = []
    short = 0
    now, radius_steps = None, 0.0
    for seen in sets:
        analysis, status, stage = seen.analysis, seen.status, seen.history.stage
        if analysis is None or status is None or analysis.scene is None:
            continue
        if stage.width_steps is None or stage.back_steps is None:
            continue
        now = SetUp(stage.width_steps, stage.back_steps)
        distance_m = _distance_m(analysis)
        if distance_m is None:
            continue
        radius_m = analysis.goal_scene.ball_diameter_m.value / 2
        radius_steps = radius_m * stage.back_steps / distance_m
        for shot in status.shots:
            if not shot.counts:
                continue
            if shot.call is Call.MISS and _stopped_short(shot):
                short += 1
            elif (direction := direction_of(shot, analysis, distance_m, radius_m)) is not None:
                directions.append(direction)
    if now is None:
        return NotEnoughShots(0, "not enough shots yet: no set at a goal is signed")
    return next_setup(directions, short, now, radius_steps)


def direction_of(
    shot: ShotStatus, analysis: Analysis, distance_m: float, radius_m: float
) -> Direction | None:
    """Read the direction of a shot that reached the line, or would have; None if unknown.

    Parameters
    ----------
    shot : with corrections; a person's answer overrides the measurement.
    analysis : of its set.
    distance_m : from the usual kick spot, for a shot whose kick spot was not seen.
    radius_m : of the ball, which has to pass inside the markers whole.
    """
    counted = shot.counted
    spot_m = (0.0, distance_m)
    if counted is not None and counted.kick_spot_m is not None and counted.kick_spot_m[1] > 0:
        spot_m = counted.kick_spot_m
    half_m = max(0.0, analysis.goal_scene.goal_width_m.value / 2 - radius_m)
    low, high = (_angle_rad(spot_m, x_m) for x_m in (-half_m, half_m))
    if counted is not None and counted.crossing_x_m is not None:
        measured = _measured(spot_m, counted)
        is_inside = low <= measured.angle_rad <= high
        if shot.answer is None or is_inside == (shot.call is Call.MAKE):
            return measured
    if shot.call is Call.MAKE:
        return Between(low, high)
    if shot.call is Call.MISS:
        return _missed(shot, low, high)
    return None  # unsure and not measured: the direction is unknown


def _missed(shot: ShotStatus, low: float, high: float) -> Direction | None:
    outcome = None if shot.counted is None else shot.counted.outcome
    if outcome is Outcome.WIDE_LEFT:
        return Between(-math.inf, low)
    if outcome is Outcome.WIDE_RIGHT:
        return Between(high, math.inf)
    if outcome is Outcome.BLOCKED:
        return None  # the direction was not seen
    return Outside(low, high)


def _measured(spot_m: tuple[float, float], counted: Shot) -> Measured:
    crossing = counted.crossing_x_m
    assert crossing is not None
    x_m, y_m = spot_m
    # Derivative of the angle with respect to the crossing point.
    per_m = y_m / (y_m**2 + (crossing.value - x_m) ** 2)
    return Measured(_angle_rad(spot_m, crossing.value), crossing.sigma * per_m)


def _angle_rad(spot_m: tuple[float, float], x_m: float) -> float:
    """Return the angle at the kick spot from the goal's middle to a point of the goal line."""
    return math.atan2(x_m - spot_m[0], spot_m[1]) - math.atan2(-spot_m[0], spot_m[1])


def _stopped_short(shot: ShotStatus) -> bool:
    return shot.counted is not None and shot.counted.outcome is Outcome.SHORT


def _distance_m(analysis: Analysis) -> float | None:
    distance = analysis.goal_scene.kick_distance_m
    return distance.value if distance is not None and distance.value > 0 else None


@dataclass(frozen=True, slots=True)
class SetRow:
    """One set of the class.

    Attributes
    ----------
    set_id, pupil, stage, clip, added_at : as in the record book.
    counted_in : ``shots``, or ``touches`` of a dribble, for which ``makes`` are real touches.
    makes, misses, unsure : as signed, or with corrections so far; None where another version
        counted.
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
    """One stage: signed results, and unsigned ones.

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
    passed : rungs of the ladder that are passed, by signed sets only.
    rungs : of the ladder.
    next_step : what comes next, by signed sets only.
    next_if_signed : what would come next if every set were signed now; empty if it is the same.
    advice : what to try next, by the shots of signed sets only.
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
    """The results of a class at one moment."""

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
    ladder : the class's ladder; sets for other stages count for no rung.

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
    """Return the names of a class's pupils, also of those without a set.

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
    """Read a set's count if this version can."""
    try:
        analysis: Analysis | None = history.count.analysis()
        status = history.status(analysis)
    except BadSettingsError:  # counted by another version; its signature is still valid
        analysis, status = None, None
    return SeenSet(history, analysis, status)


def set_row(seen: SeenSet) -> SetRow:
    """Describe a set."""
    history = seen.history
    short = summary(history, seen.status)
    return SetRow(
        set_id=history.set_id,
        pupil=history.pupil,
        stage=history.stage.name,
        counted_in=short["counted_in"],
        clip=history.clip_name,
        added_at=history.added_at,
        makes=short["makes"],
        misses=short["misses"],
        unsure=short["unsure"],
        decision=short["decision"],
        sentence=short["sentence"],
        state=short["state"],
        verified=history.signature is not None,
        signed_by=short["signed_by"] or "",
        signed_at=short["signed_at"] or "",
    )


def _share(rows: Iterable[SetRow]) -> Share:
    counted = [row for row in rows if row.shots is not None]
    return Share(
        len(counted), sum(row.makes or 0 for row in counted), sum(row.shots or 0 for row in counted)
    )


def _stage_rows(
    ladder: Ladder, seen: Sequence[SeenSet], rows: Sequence[SetRow]
) -> Iterable[StageRow]:
    """Return the stages in the ladder's order, then others; touches have no makes."""
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
    """Return what progress on a ladder depends on."""
    return [
        SetResult(one.history.stage_asked, Decision(row.decision))
        for one, row in own
        if row.decision is not None
    ]


@dataclass(frozen=True, slots=True)
class PupilResults:
    """A pupil on the class's ladder.

    Attributes
    ----------
    pupil, ladder : whose, and which.
    signed : sets that a teacher has signed, the newest last.
    verified, counted : progress by these only, and by all sets.
    advice : goal to try next, by the shots of signed sets.
    """

    pupil: str
    ladder: Ladder
    signed: tuple[tuple[SeenSet, SetRow], ...]
    verified: Progress
    counted: Progress
    advice: Advice

    @property
    def is_finished(self) -> bool:
        """Whether the whole ladder is climbed, by signed sets."""
        return self.verified.step is NextStep.FINISHED

    @property
    def next_stage(self) -> Stage:
        """The stage to offer; after the last one a harder round, or the last one again."""
        return self.counted.stage or self.counted.also or self.ladder.stages[-1]

    @property
    def next_goal(self) -> str | None:
        """The goal at which most shots should be makes; None with too few shots."""
        return self.advice.sentence if isinstance(self.advice, NextSetUp) else None


def pupil_results(connection: Connection, pupil: str, ladder: Ladder) -> PupilResults:
    """Read a pupil's results."""
    seen = [seen_set(history) for history in load_sets(connection, pupil=pupil)]
    own = [(one, set_row(one)) for one in seen]
    signed = [(one, row) for one, row in own if row.verified]
    return PupilResults(
        pupil,
        ladder,
        tuple(signed),
        progress_of(ladder, ladder_results(signed)),
        progress_of(ladder, ladder_results(own)),
        advice_of([one for one, _ in signed]),
    )


def form_hints(history: SetHistory) -> FormAdvice:
    """Return two hints from a set's form: what to try next, then what went well.

    None where form was not read.
    """
    form = None
    if history.folder_path is not None:
        with suppress(BadSettingsError):  # read by another version
            form = load_form(history.folder_path)
    if form is None:
        return FormAdvice((), ())
    to_try = form.advice.to_try[:MOST_HINTS]
    return FormAdvice(form.advice.went_well[: MOST_HINTS - len(to_try)], to_try)
