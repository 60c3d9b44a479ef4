"""How a set stands: its count with all that people have said about it taken in.

A shot that a person answered is one, and has the probability 1 or 0 of a make; one that is no
shot, or was taken again, is left out of the set. The rest follows the ladder's exact rules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shoegoal.analysis.model import Analysis
from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import Decision, HiddenTime, Tally, Verdict, judge_shots_around
from shoegoal.pipeline.judging import doubtful_times
from shoegoal.record.corrections import (
    CALL_ANSWERED,
    KIND_ANSWERED,
    Added,
    Answer,
    Answered,
    BreaksWatched,
    Change,
    LookedThrough,
)
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, EventKind, Shot

_TAKEN_AGAIN = (Answer.RETAKE, Answer.CANNOT_TELL)
# Two kicks of one ball are further apart, and so are two touches.
SAME_EVENT_S = {EventKind.SHOT: 0.4, EventKind.TOUCH: 0.15, EventKind.LOSS: 0.15}


@dataclass(frozen=True, slots=True)
class StandingShot:
    """A shot, or a touch or loss, as it stands.

    Attributes
    ----------
    kind : which it is.
    number : that the shot is called by, in order of time; a shot added before it moves it on.
    time_s : presentation time of the kick.
    call, p_make : as it stands; P(make) is 1 or 0 where a person answered.
    counts : whether it is part of the set; not when it is no shot, or was taken again.
    answer, note : a person's, where there is one.
    counted : the shot as it was counted; None for one that a person added.
    """

    number: int
    time_s: float
    call: Call
    p_make: float
    counts: bool
    answer: Answer | None
    note: str
    counted: Shot | None
    kind: EventKind = EventKind.SHOT

    @property
    def p_shot(self) -> float:
        """Probability that it is a shot of the set; 1 or 0 where a person answered."""
        if self.answer is None and self.counted is not None:
            return self.counted.p_shot
        return float(self.counts)


@dataclass(frozen=True, slots=True)
class Standing:
    """A set as it stands.

    Attributes
    ----------
    shots : in order of time.
    tally, verdict : of the shots that count.
    looks : numbers of the shots to look at, the most telling first.
    doubts : stretches of the clip in which a shot may be hidden, that nobody looked through yet.
    """

    shots: tuple[StandingShot, ...]
    tally: Tally
    verdict: Verdict
    looks: tuple[int, ...]
    doubts: tuple[HiddenTime, ...]

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has to look before there is a verdict."""
        return self.verdict.decision is Decision.LOOK


def stand(analysis: Analysis, stage: Stage, changes: Sequence[Change]) -> Standing:
    """Take the changes that still hold into a count.

    Parameters
    ----------
    analysis : the newest count of the set.
    stage : what the set is judged by.
    changes : that still hold, in the order in which they were made; a later answer to the same
        shot replaces an earlier one.
    """
    shots = [_as_counted(shot) for shot in analysis.shots]
    for change in changes:
        if isinstance(change, (Answered, Added)):
            _take_in(shots, change)
    shots.sort(key=lambda shot: shot.time_s)
    shots = [replace(shot, number=number) for number, shot in enumerate(shots, start=1)]
    counting = [shot for shot in shots if shot.counts]
    counted, clip = [_as_it_stands(shot) for shot in counting], analysis.clip
    doubts = doubtful_times(
        stage.rule,
        counted,
        analysis.take.breaks,
        clip.start_s,
        clip.end_s,
        retaken_s=[shot.time_s for shot in shots if shot.answer in _TAKEN_AGAIN],
        looked_s=_looked_through(analysis, changes),
        counted_doubts=analysis.doubts,
    )
    tally, verdict = judge_shots_around(
        stage.rule,
        counted,
        doubts,
        watched_until_s=clip.end_s,
        confidence=analysis.verdict.confidence,
    )
    looks = () if verdict.looks is None else verdict.looks.shots
    return Standing(
        tuple(shots),
        tally,
        verdict,
        tuple(counting[place - 1].number for place in looks),
        tuple(doubts),
    )


def shot_at(
    shots: Sequence[StandingShot], time_s: float, kind: EventKind = EventKind.SHOT
) -> StandingShot | None:
    """Find the shot kicked at a time, or the touch or loss there."""
    alike = (shot for shot in shots if shot.kind is kind)
    near = min(alike, key=lambda shot: abs(shot.time_s - time_s), default=None)
    return near if near is not None and abs(near.time_s - time_s) <= SAME_EVENT_S[kind] else None


def _looked_through(analysis: Analysis, changes: Sequence[Change]) -> list[tuple[float, float]]:
    looked: list[tuple[float, float]] = []
    for change in changes:
        if isinstance(change, LookedThrough):
            looked += change.stretches_s
        elif isinstance(change, BreaksWatched):
            looked += [(one.start_s, one.end_s) for one in analysis.take.breaks]
    return looked


def _as_it_stands(shot: StandingShot) -> Shot:
    counted = shot.counted or unseen_shot(shot.number, shot.time_s, "added by hand")
    return replace(
        counted,
        kick_time_s=shot.time_s,
        call=shot.call,
        p_make=shot.p_make,
        kind=shot.kind,
        p_shot=shot.p_shot,
    )


def _as_counted(shot: Shot) -> StandingShot:
    return StandingShot(
        shot.number, shot.kick_time_s, shot.call, shot.p_make, True, None, "", shot, shot.kind
    )


def _take_in(shots: list[StandingShot], change: Answered | Added) -> None:
    """Answer the shot kicked at that time, or add one there.

    A set worked out anew may lack a kick that was answered, or show one that was added: what the
    person saw holds either way.
    """
    answer, kind = change.answer, KIND_ANSWERED[change.answer]
    found, call = shot_at(shots, change.time_s, kind), CALL_ANSWERED.get(answer)
    if found is None:
        if call is not None:
            p_make = float(call is Call.MAKE)
            shots.append(
                StandingShot(0, change.time_s, call, p_make, True, answer, change.note, None, kind)
            )
        return
    shots[shots.index(found)] = replace(
        found,
        call=found.call if call is None else call,
        p_make=found.p_make if call is None else float(call is Call.MAKE),
        counts=call is not None,
        answer=answer,
        note=change.note,
    )
