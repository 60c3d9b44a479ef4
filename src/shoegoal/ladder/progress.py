"""How far a pupil has climbed: the next stage, its round, and the tries left.

A pure function of the results of a pupil's sets. Give it all results to see the state by the count,
or only the signed ones to see what is verified.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.rules import Advance, Round, Rung, Stage
from shoegoal.ladder.verdict import Decision


@dataclass(frozen=True, slots=True)
class SetResult:
    """How one set ended.

    Attributes
    ----------
    stage : the stage it was judged by.
    decision : with all corrections so far.
    """

    stage: Stage
    decision: Decision


class RungState(StrEnum):
    """The state of a rung."""

    PASSED = "passed"
    UNDER_WAY = "under way"
    LET_PAST = "let past"
    NOT_PLAYED = "not played"


class NextStep(StrEnum):
    """What comes next for a pupil."""

    PLAY = "play"
    TRY_AGAIN = "try again"
    LOOK_FIRST = "look first"
    ASK_TEACHER = "ask the teacher"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class RoundProgress:
    """One round of a rung, as far as it was played.

    Attributes
    ----------
    round, stage : which round, and what it asks.
    sets : number of sets played for it.
    met : whether one of them met it.
    tries : sets that ended in "try again" since the round was last opened. An unfinished set, or
        one that still has to be looked at, does not use up a try.
    tries_left : further sets allowed; None for as many as wanted.
    waiting : sets that a person has to look at first.
    """

    round: Round
    stage: Stage
    sets: int
    met: bool
    tries: int
    tries_left: int | None
    waiting: int


@dataclass(frozen=True, slots=True)
class RungProgress:
    """The state of one rung.

    Attributes
    ----------
    state : ``let past`` if the pupil is beyond it without having passed it: a later stage was
        passed, or the very first set was played further up.
    rounds : the stage itself and its second rounds, if it has any.
    """

    rung: Rung
    state: RungState
    rounds: tuple[RoundProgress, ...]


@dataclass(frozen=True, slots=True)
class Progress:
    """A pupil on a ladder.

    Attributes
    ----------
    rungs : all of the ladder's, in order.
    step : what comes next.
    stage : the stage that comes next; None when the ladder is finished.
    also : a harder round that is open as well, on the rung passed last; None without one.
    passed : number of rungs passed.
    left_over : results that belong to no stage of the ladder as it is now.
    """

    rungs: tuple[RungProgress, ...]
    step: NextStep
    stage: Stage | None
    also: Stage | None
    passed: int
    left_over: tuple[SetResult, ...]

    @property
    def sentence(self) -> str:
        """What comes next, as a person would say it."""
        title = "" if self.stage is None else self.stage.title
        match self.step:
            case NextStep.PLAY:
                said = f"next: {title}"
            case NextStep.TRY_AGAIN:
                said = f"try again: {title}{self._tries_left_text()}"
            case NextStep.LOOK_FIRST:
                said = f"look at the waiting set first: {title}"
            case NextStep.ASK_TEACHER:
                said = f"tries used up, the teacher decides: {title}"
            case NextStep.FINISHED:
                said = "the whole ladder is climbed"
        return said if self.also is None else f"{said}; as an extra: {self.also.title}"

    def _tries_left_text(self) -> str:
        rounds = (one for rung in self.rungs for one in rung.rounds)
        left = next((one.tries_left for one in rounds if one.stage == self.stage), None)
        if left is None:
            return ""
        return f" ({left} {'try' if left == 1 else 'tries'} left)"


def progress_of(ladder: Ladder, results: Sequence[SetResult]) -> Progress:
    """Work out how far a pupil has climbed.

    Parameters
    ----------
    ladder : the ladder.
    results : of the pupil's sets, in order of play. A set counts for the stage with the same name,
        rule and goal; other sets are left over.

    Notes
    -----
    Rules of the climb (common practice, no source):

    - A pupil who passes a rung is let past all those before it. A pupil whose first sets are
      further up is let past those below, so that a teacher can start a pupil where it suits.
    - On the first open rung, a set that a person has to look at comes first. Then comes the stage,
      until it is met or its tries are used up. Then comes the easier round, if there is one, and
      after it the stage again with fresh tries. Without an easier round, the teacher decides.
    - The rung's `advance` says who climbs on. The harder round is part of the climb only if that
      says so; otherwise it is open as an extra.
    """
    played: list[list[tuple[Round, SetResult]]] = [[] for _ in ladder.rungs]
    left_over = []
    for result in results:
        place = _place_of(ladder, result.stage)
        if place is None:
            left_over.append(result)
        else:
            played[place[0]].append((place[1], result))
    walks = [_walk(rung, sets) for rung, sets in zip(ladder.rungs, played, strict=True)]
    passed = [place for place, walk in enumerate(walks) if walk.passed]
    begun = [place for place, sets in enumerate(played) if sets]
    at = max(passed[-1] + 1 if passed else 0, begun[0] if begun else 0)
    rungs = tuple(
        RungProgress(walk.rung, walk.state(behind=place < at), walk.rounds())
        for place, walk in enumerate(walks)
    )
    if at == len(walks):
        step, stage = NextStep.FINISHED, None
    else:
        step, stage = walks[at].next_step()
    newest = walks[passed[-1]] if passed else None
    also = newest.open_harder() if newest is not None else None
    return Progress(rungs, step, stage, also, len(passed), tuple(left_over))


def _place_of(ladder: Ladder, stage: Stage) -> tuple[int, Round] | None:
    for place, rung in enumerate(ladder.rungs):
        for which, own in rung.rounds:
            if own.name == stage.name and _asks(own) == _asks(stage):
                return place, which
    return None


def _asks(stage: Stage) -> tuple[object, ...]:
    return stage.rule, stage.width_steps, stage.back_steps


class _Walk:
    """The sets of one rung, one after the other."""

    def __init__(self, rung: Rung) -> None:
        self.rung = rung
        self._stages = dict(rung.rounds)
        self._sets = dict.fromkeys(self._stages, 0)
        self._met: set[Round] = set()
        self._tries = dict.fromkeys(self._stages, 0)
        self._waiting = dict.fromkeys(self._stages, 0)

    def add(self, which: Round, decision: Decision) -> None:
        """Add the next set."""
        self._sets[which] += 1
        match decision:
            case Decision.LOOK:
                self._waiting[which] += 1
            case Decision.TRY_AGAIN:
                self._tries[which] += 1
            case Decision.ADVANCE:
                self._met.add(which)
                if which is Round.EASIER:
                    self._tries[Round.STAGE] = 0  # back to the stage with fresh tries
            case Decision.NOT_FINISHED:
                pass

    @property
    def passed(self) -> bool:
        """Whether the pupil climbs on from here."""
        match self.rung.advance:
            case Advance.MET:
                return Round.STAGE in self._met
            case Advance.MET_HARDER:
                return {Round.STAGE, Round.HARDER} <= self._met
            case Advance.MET_EASIER:
                return bool({Round.STAGE, Round.EASIER} & self._met)
            case Advance.TRIED:
                return Round.STAGE in self._met or self._tries_left(Round.STAGE) == 0

    def state(self, *, behind: bool) -> RungState:
        """Give the rung's state; ``behind`` if the pupil is past it."""
        if self.passed:
            return RungState.PASSED
        if behind:
            return RungState.LET_PAST
        return RungState.UNDER_WAY if any(self._sets.values()) else RungState.NOT_PLAYED

    def rounds(self) -> tuple[RoundProgress, ...]:
        """Give the state of every round."""
        return tuple(
            RoundProgress(
                round=which,
                stage=stage,
                sets=self._sets[which],
                met=which in self._met,
                tries=self._tries[which],
                tries_left=self._tries_left(which),
                waiting=self._waiting[which],
            )
            for which, stage in self._stages.items()
        )

    def next_step(self) -> tuple[NextStep, Stage]:
        """Say what comes next on a rung that is not passed."""
        for which, stage in self._stages.items():
            if self._waiting[which] and which not in self._met:
                return NextStep.LOOK_FIRST, stage
        if Round.STAGE in self._met:  # so only the harder round is missing
            return self._play(Round.HARDER)
        easier_is_open = Round.EASIER in self._stages and Round.EASIER not in self._met
        if self._tries_left(Round.STAGE) == 0 and easier_is_open:
            return self._play(Round.EASIER)
        return self._play(Round.STAGE)

    def open_harder(self) -> Stage | None:
        """Return the harder round of a passed rung that is not met yet and has a try left."""
        which = Round.HARDER
        is_open = which in self._stages and Round.STAGE in self._met and which not in self._met
        return self._stages[which] if is_open and self._tries_left(which) != 0 else None

    def _play(self, which: Round) -> tuple[NextStep, Stage]:
        stage = self._stages[which]
        if self._tries_left(which) == 0:
            return NextStep.ASK_TEACHER, stage
        return (NextStep.TRY_AGAIN if self._tries[which] else NextStep.PLAY), stage

    def _tries_left(self, which: Round) -> int | None:
        retries = self._stages[which].retries
        return None if retries is None else max(0, 1 + retries - self._tries[which])


def _walk(rung: Rung, sets: Sequence[tuple[Round, SetResult]]) -> _Walk:
    walk = _Walk(rung)
    for which, result in sets:
        walk.add(which, result.decision)
    return walk
