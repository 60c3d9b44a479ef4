"""What a person says about a set, in the form in which it is written down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from shoegoal.types import Call, EventKind


class Answer(StrEnum):
    """What a person saw in a shot, or where a touch or a loss was counted."""

    MAKE = "make"
    MISS = "miss"
    NOT_A_SHOT = "not-a-shot"
    RETAKE = "retake"  # kicked, but taken again: neither a make nor a miss of the set
    CANNOT_TELL = "cannot-tell"  # nor can a person say: it does not count, as if taken again
    TOUCH = "touch"
    NO_TOUCH = "no-touch"
    LOST = "lost"
    NOT_LOST = "not-lost"


# What can be answered about each kind of event, what happened first.
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
    """A shot was looked at.

    Attributes
    ----------
    time_s : presentation time of its kick; names the shot even when the count is worked out anew.
    answer : what was seen.
    note : in the person's own words; may be empty.
    """

    time_s: float
    answer: Answer
    note: str = ""


@dataclass(frozen=True, slots=True)
class Added:
    """A shot, touch or loss that was not counted is added; ``answer`` is of `ADDITIONS`."""

    time_s: float
    answer: Answer
    note: str = ""


@dataclass(frozen=True, slots=True)
class MarkerMoved:
    """A marker's inner base is elsewhere, px of the displayed picture; the set was worked out anew.

    The new calls, and the hashes of what they rest on, stand beside it in the journal.
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
    """Somebody looked through stretches of the clip: no shot is there that was not added.

    ``stretches_s`` holds presentation times, from and until.
    """

    stretches_s: tuple[tuple[float, float], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class BreaksWatched:
    """The same for every break of the clip at once; books of the first version hold it."""

    note: str = ""


@dataclass(frozen=True, slots=True)
class Undone:
    """An earlier correction does not hold any more; ``seq`` is its place in the journal."""

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
    """A change, and where, when and by whom it was written down."""

    seq: int
    at: str
    by: str
    change: Change


def kind_of(change: Change) -> str:
    """Name a change's kind as it is written down."""
    return next(name for name, kind in _KINDS.items() if isinstance(change, kind))


def change_to_plain(change: Change, by: str) -> dict[str, Any]:
    """Write a change as plain JSON values."""
    return {"what": kind_of(change), "by": by, **asdict(change)}


def correction_from_plain(seq: int, at: str, plain: dict[str, Any]) -> Correction:
    """Read a change again; fields that stand beside it in the journal are left aside.

    Raises
    ------
    KeyError, TypeError, ValueError
        It is none.
    """
    kind = _KINDS[plain["what"]]
    fields = {name: plain[name] for name in kind.__dataclass_fields__ if name in plain}
    if "answer" in fields:
        fields["answer"] = Answer(fields["answer"])
    if "side" in fields:
        fields["side"] = Side(fields["side"])
    if "stretches_s" in fields:
        fields["stretches_s"] = tuple((float(a), float(b)) for a, b in fields["stretches_s"])
    return Correction(seq, at, str(plain["by"]), kind(**fields))


def still_held(corrections: Sequence[Correction]) -> list[Correction]:
    """Leave out what was undone, and the undoing itself."""
    undone = {c.change.seq for c in corrections if isinstance(c.change, Undone)}
    return [c for c in corrections if c.seq not in undone and not isinstance(c.change, Undone)]
