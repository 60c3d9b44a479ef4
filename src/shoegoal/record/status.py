"""The status of a set: its count with all corrections applied.

Once a person has answered, a shot has the probability 1 or 0 of a make; one that is no shot, or was
retaken, is left out of the set. The rest follows the ladder's exact rules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from shoegoal.analysis.model import Analysis
from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import Decision, HiddenTime, Tally, Verdict, judge_shots_around
from shoegoal.pipeline.judging import doubtful_times
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, EventKind, Shot

# Two kicks of one ball are farther apart, and so are two touches.
SAME_EVENT_S = {EventKind.SHOT: 0.4, EventKind.TOUCH: 0.15, EventKind.LOSS: 0.15}


class Answer(StrEnum):
    """What a person saw in a shot, or where a touch or a loss was counted."""

    MAKE = "make"
    MISS = "miss"
    NOT_A_SHOT = "not-a-shot"
    RETAKE = "retake"  # kicked, but taken again: neither a make nor a miss of the set
    CANNOT_TELL = "cannot-tell"  # a person cannot tell either: it does not count, like a retake
    TOUCH = "touch"
    NO_TOUCH = "no-touch"
    LOST = "lost"
    NOT_LOST = "not-lost"


# Answers to each kind of event; the first is that it happened.
ANSWERS: dict[EventKind, tuple[Answer, ...]] = {
    EventKind.SHOT: (
        Answer.MAKE,
        Answer.MISS,
        Answer.NOT_A_SHOT,
        Answer.RETAKE,
        Answer.CANNOT_TELL,
    ),
    EventKind.TOUCH: (Answer.TOUCH, Answer.NO_TOUCH),
    EventKind.LOSS: (Answer.LOST, Answer.NOT_LOST),
}
KIND_ANSWERED = {answer: kind for kind, answers in ANSWERS.items() for answer in answers}
CALL_ANSWERED = {
    answer: call
    for answers in ANSWERS.values()
    for answer, call in zip(answers[:2], (Call.MAKE, Call.MISS), strict=True)
}
NOT_COUNTED = (Answer.RETAKE, Answer.CANNOT_TELL)
# What can be added, by whether the set counts touches.
ADDITIONS: dict[bool, tuple[Answer, ...]] = {
    False: (Answer.MAKE, Answer.MISS),
    True: (Answer.TOUCH, Answer.LOST),
}


class Side(StrEnum):
    """A marker, as the kicker sees it."""

    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True, slots=True)
class Answered:
    """A person's answer to a shot.

    Attributes
    ----------
    time_s : presentation time of its kick, which identifies the shot even after a recount.
    answer : what was seen.
    note : in the person's own words; may be empty.
    """

    time_s: float
    answer: Answer
    note: str = ""


@dataclass(frozen=True, slots=True)
class Added:
    """A shot, touch or loss that the count missed; ``answer`` is one of `ADDITIONS`."""

    time_s: float
    answer: Answer
    note: str = ""


@dataclass(frozen=True, slots=True)
class MarkerMoved:
    """A marker's corrected inner foot, px of the displayed picture; the set was judged again.

    The journal entry also holds the new calls and the hashes of their inputs.
    """

    side: Side
    x_px: float
    y_px: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Noted:
    """A remark about the set."""

    note: str


@dataclass(frozen=True, slots=True)
class LookedThrough:
    """A person looked through stretches of the clip: no shot is missing there any more.

    ``stretches_s`` holds presentation times, from and until.
    """

    stretches_s: tuple[tuple[float, float], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class BreaksWatched:
    """The same for every break of the clip at once; only in books of the first version."""

    note: str = ""


@dataclass(frozen=True, slots=True)
class Undone:
    """An earlier correction is undone; ``seq`` is its place in the journal."""

    seq: int


Change = Answered | Added | MarkerMoved | Noted | LookedThrough | BreaksWatched | Undone
_KINDS: dict[str, type[Change]] = {
    "answered": Answered,
    "added": Added,
    "marker-moved": MarkerMoved,
    "noted": Noted,
    "looked-through": LookedThrough,
    "breaks-watched": BreaksWatched,
    "undone": Undone,
}


@dataclass(frozen=True, slots=True)
class Correction:
    """A change, with its journal entry, time and author."""

    seq: int
    at: str
    by: str
    change: Change


def kind_of(change: Change) -> str:
    """Return the name of a change's kind in the journal."""
    return next(name for name, kind in _KINDS.items() if isinstance(change, kind))


def serialise_change(change: Change, by: str) -> dict[str, Any]:
    """Return a change as JSON values."""
    return {"what": kind_of(change), "by": by, **asdict(change)}


def read_correction(seq: int, at: str, values: dict[str, Any]) -> Correction:
    """Read a change; other fields of the journal entry are ignored.

    Raises
    ------
    KeyError, TypeError, ValueError
        It is not a change.
    """
    kind = _KINDS[values["what"]]
    fields = {name: values[name] for name in kind.__dataclass_fields__ if name in values}
    if "answer" in fields:
        fields["answer"] = Answer(fields["answer"])
    if "side" in fields:
        fields["side"] = Side(fields["side"])
    if "stretches_s" in fields:
        fields["stretches_s"] = tuple((float(a), float(b)) for a, b in fields["stretches_s"])
    return Correction(seq, at, str(values["by"]), kind(**fields))


def still_held(corrections: Sequence[Correction]) -> list[Correction]:
    """Return the corrections without those undone and without the undoing."""
    undone = {c.change.seq for c in corrections if isinstance(c.change, Undone)}
    return [c for c in corrections if c.seq not in undone and not isinstance(c.change, Undone)]


@dataclass(frozen=True, slots=True)
class ShotStatus:
    """The status of a shot, touch or loss.

    Attributes
    ----------
    kind : which it is.
    number : in order of time; a shot added before it changes it.
    time_s : presentation time of the kick.
    call, p_make : with corrections; P(make) is 1 or 0 where a person answered.
    counts : whether it is part of the set; False when it is no shot or was retaken.
    answer, note : a person's, where there is one.
    counted : the shot as counted; None for one that a person added.
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
class SetStatus:
    """The status of a set.

    Attributes
    ----------
    shots : in order of time.
    tally, verdict : of the shots that count.
    looks : numbers of the shots to look at, the most telling first.
    doubts : stretches of the clip in which a shot may be hidden and that nobody has looked through.
    """

    shots: tuple[ShotStatus, ...]
    tally: Tally
    verdict: Verdict
    looks: tuple[int, ...]
    doubts: tuple[HiddenTime, ...]

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has to look before there is a verdict."""
        return self.verdict.decision is Decision.LOOK

    @property
    def to_draw(self) -> list[tuple[int, Call, Shot | None]]:
        """Number, present call and counted shot of each that counts."""
        return [(shot.number, shot.call, shot.counted) for shot in self.shots if shot.counts]


def set_status(analysis: Analysis, stage: Stage, changes: Sequence[Change]) -> SetStatus:
    """Apply changes to a count.

    Parameters
    ----------
    analysis : the newest count of the set.
    stage : what the set is judged by.
    changes : not undone, in the order in which they were made; a later answer to the same shot
        replaces an earlier one.
    """
    shots = [_as_counted(shot) for shot in analysis.shots]
    for change in changes:
        if isinstance(change, (Answered, Added)):
            _apply(shots, change)
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
        retaken_s=[shot.time_s for shot in shots if shot.answer in NOT_COUNTED],
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
    return SetStatus(
        tuple(shots),
        tally,
        verdict,
        tuple(counting[place - 1].number for place in looks),
        tuple(doubts),
    )


def shot_at(
    shots: Sequence[ShotStatus], time_s: float, kind: EventKind = EventKind.SHOT
) -> ShotStatus | None:
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


def _as_it_stands(shot: ShotStatus) -> Shot:
    counted = shot.counted or unseen_shot(shot.number, shot.time_s, "added by hand")
    return replace(
        counted,
        kick_time_s=shot.time_s,
        call=shot.call,
        p_make=shot.p_make,
        kind=shot.kind,
        p_shot=shot.p_shot,
    )


def _as_counted(shot: Shot) -> ShotStatus:
    return ShotStatus(
        shot.number, shot.kick_time_s, shot.call, shot.p_make, True, None, "", shot, shot.kind
    )


def _apply(shots: list[ShotStatus], change: Answered | Added) -> None:
    """Answer the shot kicked at that time, or add one there.

    A recount may lack a kick that was answered, or show one that was added: the person's answer
    holds either way.
    """
    answer, kind = change.answer, KIND_ANSWERED[change.answer]
    found, call = shot_at(shots, change.time_s, kind), CALL_ANSWERED.get(answer)
    if found is None:
        if call is not None:
            p_make = float(call is Call.MAKE)
            shots.append(
                ShotStatus(0, change.time_s, call, p_make, True, answer, change.note, None, kind)
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
