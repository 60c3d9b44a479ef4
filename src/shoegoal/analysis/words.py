"""How the events of a set and the calls on them are named, for shots and touches alike."""

from __future__ import annotations

from shoegoal.types import Call, EventKind

_WORDS = {
    (EventKind.SHOT, Call.MAKE): "make",
    (EventKind.SHOT, Call.MISS): "miss",
    (EventKind.TOUCH, Call.MAKE): "touch",
    (EventKind.TOUCH, Call.MISS): "no touch",
    (EventKind.LOSS, Call.MAKE): "ball lost",
    (EventKind.LOSS, Call.MISS): "not lost",
}
_NAMES = {EventKind.SHOT: "shot", EventKind.TOUCH: "touch", EventKind.LOSS: "loss"}


def call_word(kind: EventKind, call: Call) -> str:
    """Say a call: ``make``, ``touch``, ``ball lost``; ``unsure`` whatever it is about."""
    return _WORDS.get((kind, call), call.value)


def event_name(kind: EventKind, number: int) -> str:
    """Name an event: ``shot 3``, ``touch 12``."""
    return f"{_NAMES[kind]} {number}"


def shown_call(kind: EventKind, call: Call) -> Call:
    """Choose the call whose colour and symbol show this one; a loss is shown as a miss is."""
    if kind is not EventKind.LOSS or call is Call.UNSURE:
        return call
    return Call.MISS if call is Call.MAKE else Call.MAKE


def chance_text(p: float) -> str:
    """Write a probability; never as certain as only a person's answer is."""
    if p > 0.99:
        return "over 99 %"
    return "under 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def chance_words(kind: EventKind) -> str:
    """Say what an event's probability is of."""
    return {
        EventKind.SHOT: "chance of a make",
        EventKind.TOUCH: "chance of a touch",
        EventKind.LOSS: "chance that the ball was lost",
    }[kind]
