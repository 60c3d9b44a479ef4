"""One shot, touch or loss for a page: what is asked, answered, played and zoomed on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.stills import SceneView
from shoegoal.analysis.strip import shot_box
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.record.corrections import ANSWERS, Answer
from shoegoal.record.pictures import SetPictures
from shoegoal.record.standing import StandingShot
from shoegoal.types import Call, EventKind

BEFORE_S, AFTER_S = 1.0, 2.0  # round the kick: what a snippet shows
SYMBOLS = {Call.MAKE: "●", Call.MISS: "✕", Call.UNSURE: "◆"}
PATH_POINTS = 60
_SAID = {
    Answer.MAKE: "Make",
    Answer.MISS: "Miss",
    Answer.NOT_A_SHOT: "Not a shot",
    Answer.RETAKE: "Retake",
    Answer.CANNOT_TELL: "Cannot tell",
    Answer.TOUCH: "Touch",
    Answer.NO_TOUCH: "No touch",
    Answer.LOST: "Ball lost",
    Answer.NOT_LOST: "Not lost",
}
_KEYS = {
    Answer.MAKE: "M", Answer.MISS: "X", Answer.NOT_A_SHOT: "N", Answer.RETAKE: "T",
    Answer.CANNOT_TELL: "C", Answer.TOUCH: "M", Answer.NO_TOUCH: "X", Answer.LOST: "M",
    Answer.NOT_LOST: "X",
}  # fmt: skip
_LOOKS = {
    Answer.MAKE: "first make", Answer.MISS: "first miss", Answer.CANNOT_TELL: "last",
    Answer.TOUCH: "first make", Answer.NO_TOUCH: "first miss", Answer.LOST: "first miss",
    Answer.NOT_LOST: "first make",
}  # fmt: skip
_MARKS = {Answer.MAKE: "●", Answer.MISS: "✕", Answer.TOUCH: "●", Answer.NO_TOUCH: "✕",
          Answer.LOST: "✕", Answer.NOT_LOST: "●"}  # fmt: skip
_ASKED = {
    EventKind.SHOT: "did it go in?",
    EventKind.TOUCH: "was it one?",
    EventKind.LOSS: "was the ball lost?",
}


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One answer: as it is sent, said, marked, and which key gives it."""

    value: str
    word: str
    key: str
    mark: str
    look: str
    given: bool


@dataclass(frozen=True, slots=True)
class ShotView:
    """A shot, touch or loss for a page; times are seconds of the player's clock.

    Attributes
    ----------
    answers : what can be answered.
    path : points of the fitted path over the picture, as SVG writes them.
    box : part of the picture that it happens in: left, top, width and height as shares.
    has_strip, has_moments : a strip of stills is there; so are single ones to zoom.
    strip : number that the strip goes by.
    """

    number: int
    name: str
    asked: str
    clock: str
    kick_s: float
    start_s: float
    end_s: float
    line_s: float
    symbol: str
    word: str
    call: str
    chance: str
    answers: tuple[AnswerView, ...]
    why: str
    counts: bool
    answer: str | None
    note: str
    path: str
    box: tuple[float, float, float, float]
    has_strip: bool
    has_moments: bool
    strip: int


def shot_view(shot: StandingShot, pictures: SetPictures, analysis: Analysis) -> ShotView:
    """Work a shot out."""
    start_s = analysis.clip.start_s
    kick_s = shot.time_s - start_s
    counted = shot.counted
    end_s, line_s = kick_s + AFTER_S, kick_s + AFTER_S
    if counted is not None:
        line_s = counted.end_time_s - start_s
        end_s = max(end_s, line_s + 0.5)
    name = event_name(shot.kind, shot.number).capitalize()
    return ShotView(
        number=shot.number,
        name=name,
        asked=f"{name}: {_ASKED[shot.kind]}",
        clock=analysis.clock(shot.time_s),
        kick_s=round(kick_s, 3),
        start_s=round(max(0.0, kick_s - BEFORE_S), 3),
        end_s=round(end_s, 3),
        line_s=round(line_s, 3),
        symbol=symbol_of(shot) if shot.counts else "-",
        word=call_word(shot.kind, shot.call) if shot.counts else "does not count",
        call=shot.call.value if shot.counts else "out",
        chance=f"{chance_words(shot.kind)} {_chance(shot.p_make)}" if shot.counts else "",
        answers=_answers(shot),
        why="added by hand" if counted is None else counted.reason,
        counts=shot.counts,
        answer=None if shot.answer is None else shot.answer.value,
        note=shot.note,
        path=_path_points(shot),
        box=_box(shot, analysis),
        has_strip=counted is not None and pictures.has_strip(counted),
        has_moments=counted is not None and pictures.has_stills(counted.kick_time_s),
        strip=0 if counted is None else counted.number,
    )


def _box(shot: StandingShot, analysis: Analysis) -> tuple[float, float, float, float]:
    """Part of the picture to zoom on, in shares of its width and height and of its shape."""
    wide, high = float(analysis.clip.width_px), float(analysis.clip.height_px)
    if shot.counted is None or analysis.scene is None:
        return 0.0, 0.0, 1.0, 1.0
    box = shot_box(shot.counted, (wide, high), SceneView.of(analysis.scene))
    share = min(1.0, max(box.width / wide, box.height / high))
    middle = (box.left + box.width / 2) / wide, (box.top + box.height / 2) / high
    left, top = (float(np.clip(at - share / 2, 0.0, 1.0 - share)) for at in middle)
    return round(left, 4), round(top, 4), round(share, 4), round(share, 4)


def _chance(p_make: float) -> str:
    return chance_text(p_make).replace(" %", "\N{NO-BREAK SPACE}%")


def _path_points(shot: StandingShot) -> str:
    if shot.counted is None:
        return ""
    path = shot.counted.fitted_path_px
    step = max(1, len(path) // PATH_POINTS)
    return " ".join(f"{point.x_px:.0f},{point.y_px:.0f}" for point in path[::step])


def symbol_of(shot: StandingShot) -> str:
    """Give the shape that stands for a call."""
    return SYMBOLS[shown_call(shot.kind, shot.call)]


def _answers(shot: StandingShot) -> tuple[AnswerView, ...]:
    return tuple(
        AnswerView(
            answer.value,
            _SAID[answer],
            _KEYS[answer],
            _MARKS.get(answer, ""),
            _LOOKS.get(answer, ""),
            answer is shot.answer,
        )
        for answer in ANSWERS[shot.kind]
    )
