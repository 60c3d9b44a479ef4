"""The content of a set's page; the templates only lay it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesOfShots, Stage, TouchesInARow
from shoegoal.ladder.verdict import Tally
from shoegoal.pictures.from_above import SMALL, FromAbove, from_above
from shoegoal.pictures.stills import SceneView, strip_moments
from shoegoal.pictures.strip import shot_box
from shoegoal.record.coaching import Check
from shoegoal.record.history import SetHistory, state_of
from shoegoal.record.pictures import MOMENTS, SetPictures
from shoegoal.record.status import ADDITIONS, ANSWERS, Answer, SetStatus, ShotStatus
from shoegoal.types import Call, EventKind, ImagePoint

USUAL_RATE_HZ = 30.0
_ADDING = {
    Answer.MAKE: "Add a make",
    Answer.MISS: "Add a miss",
    Answer.TOUCH: "Add a touch",
    Answer.LOST: "Add a loss of the ball",
}
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
class StretchView:
    """A part of the clip to look through; times are seconds of the player's clock."""

    place: int
    clock: str
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True)
class TimeMark:
    """A touch or loss on a time line: its place, 0 to 100, and in words."""

    along: float
    is_loss: bool
    symbol: str
    words: str


@dataclass(frozen=True, slots=True)
class SetView:
    """A set for its page.

    Attributes
    ----------
    open : whether this visitor can change it.
    question : the shot or part of the clip that is asked about now; None when nothing is asked.
    chosen : whether the visitor picked the question; otherwise it is the one that settles most.
    open_questions : how many are left that the verdict may depend on.
    above, left_px, right_px : of a set of shots; None where there is no goal.
    over_time : touches and losses along a time line; empty for a set of shots.
    additions : what can be added: form value and words.
    task, counted : what the stage asks, and what was counted so far, in a few words.
    playable : whether the clip is in its place and is the one that was counted.
    moved : whether a marker was moved, so that the valid count is not the one in the result folder.
    can_move : whether there is a still to point at markers in.
    """

    history: SetHistory
    open: bool
    state: str
    sentence: str
    task: str
    counted: str
    shots: list[ShotView]
    question: ShotView | StretchView | None
    chosen: bool
    open_questions: int
    above: FromAbove | None
    over_time: list[TimeMark]
    additions: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]
    notes: list[tuple[str, str]]
    can_undo: bool
    clip_state: str
    playable: bool
    start_s: float
    width_px: int
    height_px: int
    rate_hz: float
    left_px: tuple[float, float] | None
    right_px: tuple[float, float] | None
    can_move: bool
    moved: bool

    @property
    def asks_about_shot(self) -> bool:
        """Whether the question is about a shot rather than a part of the clip."""
        return isinstance(self.question, ShotView)


def view_of(
    history: SetHistory, analysis: Analysis, *, can_change: bool, chosen: int | None = None
) -> SetView:
    """Work out a set's page.

    Parameters
    ----------
    history, analysis : the set and its valid count.
    can_change : whether the visitor may correct and sign; nobody may once it is signed.
    chosen : number of the shot that was picked; None for the one that settles most.
    """
    status = history.status(analysis)
    pictures = SetPictures(history, analysis)
    shots = [shot_view(shot, pictures, analysis) for shot in status.shots]
    by_number = {shot.number: shot for shot in shots}
    stretches = _stretches(status, analysis)
    open_ = can_change and history.signature is None
    asked: list[ShotView | StretchView] = [by_number[number] for number in status.looks]
    asked += stretches
    picked = None if chosen is None else by_number.get(chosen)
    question = picked or (asked[0] if asked else None)
    scene, clip = analysis.scene, analysis.clip
    clip_state = history.clip_state()
    return SetView(
        history=history,
        open=open_,
        state=state_of(history, status),
        sentence=_sentence(history, status),
        task=_task(history.stage),
        counted=tally_words(status.tally, touches=history.counts_touches),
        shots=shots,
        question=question,
        chosen=picked is not None,
        open_questions=len(asked),
        above=None if scene is None else from_above(analysis, status.to_draw, widest=SMALL),
        over_time=over_time(status, analysis) if history.counts_touches else [],
        additions=tuple((a.value, _ADDING[a]) for a in ADDITIONS[history.counts_touches]),
        problems=analysis.problems,
        notes=_notes(history),
        can_undo=bool(history.held),
        clip_state=clip_state,
        playable=clip_state == "as counted",
        start_s=clip.start_s,
        width_px=clip.width_px,
        height_px=clip.height_px,
        rate_hz=clip.nominal_rate_hz or USUAL_RATE_HZ,
        left_px=None if scene is None else _rounded(scene.left_px),
        right_px=None if scene is None else _rounded(scene.right_px),
        can_move=pictures.has_any_stills,
        moved=history.is_recounted,
    )


@dataclass(frozen=True, slots=True)
class OldSetView:
    """A set whose count was written by another version of shoegoal.

    Attributes
    ----------
    why : it cannot be shown in full.
    signed_shots : numbers and calls of the shots as they were signed.
    """

    history: SetHistory
    why: str
    signed_shots: list[dict[str, Any]]


def old_view_of(history: SetHistory, why: str) -> OldSetView:
    """Work out what can be shown of such a set; its signature is still valid."""
    signed = [] if history.signature is None else list(history.signature.content["calls"])
    return OldSetView(history, why, signed)


@dataclass(frozen=True, slots=True)
class CheckView:
    """A spot check for its page, without any call and without a name.

    Attributes
    ----------
    start_s, end_s, kick_s : seconds of the player's clock.
    playable, has_stills : what there is to look at.
    """

    place: int
    clock: str
    start_s: float
    kick_s: float
    end_s: float
    playable: bool
    has_stills: bool
    width_px: int
    height_px: int
    rate_hz: float


def check_view_of(check: Check, history: SetHistory, *, playable: bool) -> CheckView:
    """Work out a spot check's page.

    Raises
    ------
    BadSettingsError
        The count has a form that this version cannot read.
    """
    analysis = history.count.analysis()
    clip = analysis.clip
    return CheckView(
        check.place,
        check.clock,
        round(max(0.0, check.kick_s - BEFORE_S), 3),
        round(check.kick_s, 3),
        round(check.kick_s + AFTER_S + BEFORE_S, 3),
        playable,
        SetPictures(history, analysis).has_stills(check.kick_time_s),
        clip.width_px,
        clip.height_px,
        clip.nominal_rate_hz or USUAL_RATE_HZ,
    )


def tally_words(tally: Tally, *, touches: bool) -> str:
    """Put a tally into a few words, without probabilities."""
    one, more = ("touch", "touches") if touches else ("make", "makes")
    words = [f"{tally.makes} {one if tally.makes == 1 else more}"]
    if not touches:
        words.append(f"{tally.misses} {'miss' if tally.misses == 1 else 'misses'}")
    if tally.unsure:
        words.append(f"{tally.unsure} open")
    return ", ".join(words)


def _task(stage: StageRecord) -> str:
    asked = task_of(stage.to_stage())
    if stage.width_steps is None:
        return asked
    return f"{asked} · goal {stage.width_steps:g} steps, from {stage.back_steps:g} steps"


def _rounded(point: ImagePoint) -> tuple[float, float]:
    return round(point.x_px, 1), round(point.y_px, 1)


def over_time(status: SetStatus, analysis: Analysis) -> list[TimeMark]:
    """Place touches and losses along a time line, 0 to 100."""
    start_s, end_s = analysis.clip.start_s, analysis.clip.end_s
    return [
        TimeMark(
            round(100 * (shot.time_s - start_s) / max(1e-6, end_s - start_s), 2),
            shot.kind is EventKind.LOSS,
            symbol_of(shot),
            f"{event_name(shot.kind, shot.number)} at {analysis.clock(shot.time_s)}: "
            f"{call_word(shot.kind, shot.call)}",
        )
        for shot in status.shots
        if shot.counts and shot.call is not Call.MISS
    ]


def _sentence(history: SetHistory, status: SetStatus) -> str:
    if history.signature is not None:
        return str(history.signature.content["sentence"])
    return status.verdict.sentence


def _stretches(status: SetStatus, analysis: Analysis) -> list[StretchView]:
    if not status.needs_a_look:
        return []
    start_s = analysis.clip.start_s
    return [
        StretchView(
            place,
            analysis.clock_span(doubt.time_s, doubt.until_s),
            round(max(0.0, doubt.time_s - start_s - BEFORE_S), 3),
            round(doubt.until_s - start_s + BEFORE_S, 3),
            doubt.doubt,
        )
        for place, doubt in enumerate(status.doubts, start=1)
    ]


def _notes(history: SetHistory) -> list[tuple[str, str]]:
    notes = [(getattr(c.change, "note", ""), c.by) for c in history.held]
    withdrawn = [(one.sentence, one.by) for one in history.withdrawals]
    return [(note, by) for note, by in notes if note] + withdrawn


BEFORE_S, AFTER_S = 1.0, 2.0  # around the kick: the length of a snippet


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One answer: its form value, words, symbol and key."""

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
    line_s : when the fitted path ends.
    line_caption : for the still of the ball at the line, or where it was last seen.
    path : points of the fitted path over the picture, as SVG writes them.
    box : part of the picture to zoom on: left, top, width and height as shares.
    has_strip, has_moments : whether there is a strip of stills, and single stills to zoom.
    strip : number of its strip.
    """

    number: int
    name: str
    asked: str
    clock: str
    kick_s: float
    start_s: float
    end_s: float
    line_s: float
    line_caption: str
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


def shot_view(shot: ShotStatus, pictures: SetPictures, analysis: Analysis) -> ShotView:
    """Work out a shot's view."""
    start_s = analysis.clip.start_s
    kick_s = shot.time_s - start_s
    counted = shot.counted
    end_s, line_s, line_caption = kick_s + AFTER_S, kick_s + AFTER_S, ""
    if counted is not None:
        line_s = counted.end_time_s - start_s
        end_s = max(end_s, line_s + 0.5)
        moment = strip_moments(counted)[MOMENTS.index("line")]
        line_caption = f"{moment.name} {analysis.clock(moment.time_s)}"
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
        line_caption=line_caption,
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


def _box(shot: ShotStatus, analysis: Analysis) -> tuple[float, float, float, float]:
    """Return the part of the picture to zoom on, in shares of its size and with its aspect."""
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


def _path_points(shot: ShotStatus) -> str:
    if shot.counted is None:
        return ""
    path = shot.counted.fitted_path_px
    step = max(1, len(path) // PATH_POINTS)
    return " ".join(f"{point.x_px:.0f},{point.y_px:.0f}" for point in path[::step])


def symbol_of(shot: ShotStatus) -> str:
    """Return a call's symbol."""
    return SYMBOLS[shown_call(shot.kind, shot.call)]


def _answers(shot: ShotStatus) -> tuple[AnswerView, ...]:
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


def task_of(stage: Stage) -> str:
    """Say in a few words what a stage asks, without its goal."""
    match stage.rule:
        case FirstMakes(makes):
            return f"make {makes}"
        case MakesOfShots(makes, shots):
            return f"make {makes} of {shots}"
        case MakesInARow(makes, _):
            return f"make {makes} in a row"
        case TouchesInARow(touches):
            return f"{touches} touches in a row"
        case rule:
            return f"make {rule.makes} within {rule.time_s:g} s"
