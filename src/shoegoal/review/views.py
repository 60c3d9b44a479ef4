"""What the templates show, worked out beforehand: they only lay it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.record.coaching import Check
from shoegoal.record.corrections import ADDITIONS, ANSWERS, Answer
from shoegoal.record.history import SetHistory
from shoegoal.record.pictures import SetPictures
from shoegoal.record.plain import counted_text, state_of
from shoegoal.record.standing import Standing, StandingShot
from shoegoal.review.above import Above, seen_from_above
from shoegoal.types import Call, EventKind, ImagePoint

BEFORE_S, AFTER_S = 1.0, 2.0  # round the kick: what a snippet shows
SYMBOLS = {Call.MAKE: "●", Call.MISS: "✕", Call.UNSURE: "?"}
PATH_POINTS = 60
_KINDS = {False: (EventKind.SHOT,), True: (EventKind.TOUCH, EventKind.LOSS)}
_SAID = {
    Answer.MAKE: "Make",
    Answer.MISS: "Miss",
    Answer.NOT_A_SHOT: "Not a shot",
    Answer.RETAKE: "Retake",
    Answer.TOUCH: "Touch",
    Answer.NO_TOUCH: "No touch",
    Answer.LOST: "Ball lost",
    Answer.NOT_LOST: "Not lost",
}
_ADDING = {
    Answer.MAKE: "Add a make",
    Answer.MISS: "Add a miss",
    Answer.TOUCH: "Add a touch",
    Answer.LOST: "Add a loss of the ball",
}
USUAL_RATE_HZ = 30.0


@dataclass(frozen=True, slots=True)
class ShotView:
    """A shot, touch or loss for a page; times are seconds of the player's clock.

    Attributes
    ----------
    answers : what can be answered, as it is sent and as it is said.
    path : points of the fitted path over the picture, as SVG writes them.
    has_strip : a strip of stills is there.
    """

    number: int
    name: str
    clock: str
    kick_s: float
    start_s: float
    end_s: float
    symbol: str
    word: str
    call: str
    chance: str
    answers: tuple[tuple[str, str], ...]
    why: str
    counts: bool
    answer: str | None
    note: str
    path: str
    has_strip: bool


@dataclass(frozen=True, slots=True)
class StretchView:
    """A stretch to look through; times are seconds of the player's clock."""

    place: int
    clock: str
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True)
class TimeMark:
    """A touch or loss on a line of time: how far along it, 0 to 100, and in words."""

    along: float
    is_loss: bool
    symbol: str
    words: str


@dataclass(frozen=True, slots=True)
class SetView:
    """A set for its page.

    Attributes
    ----------
    open : can be changed, by whoever looks.
    to_watch : the shots that settle the verdict, the most telling first.
    above, left_px, right_px : of a set of shots; None where there is no goal.
    over_time : touches and losses along a line of time; none of a set of shots.
    additions, answers : what can be added and answered, as it is sent and as it is said.
    to_look_through : stretches in which a shot may be hidden; none once the verdict holds.
    playable : the clip lies where it was and is the one that was counted.
    moved : a marker was, and the count that holds is not the one in the result folder.
    """

    history: SetHistory
    open: bool
    state: str
    sentence: str
    tally: str
    shots: list[ShotView]
    to_watch: list[ShotView]
    to_look_through: list[StretchView]
    above: Above | None
    over_time: list[TimeMark]
    additions: tuple[tuple[str, str], ...]
    answers: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]
    notes: list[tuple[str, str]]
    can_undo: bool
    clip_state: str
    playable: bool
    width_px: int
    height_px: int
    rate_hz: float
    left_px: tuple[float, float] | None
    right_px: tuple[float, float] | None
    has_markers_picture: bool
    moved: bool


def view_of(history: SetHistory, analysis: Analysis, *, can_change: bool) -> SetView:
    """Work a set's page out.

    Parameters
    ----------
    history, analysis : the set and the count that holds.
    can_change : whoever looks may correct and sign; nobody may once it is signed.
    """
    standing = history.standing(analysis)
    pictures = SetPictures(history, analysis)
    shots = [_shot_view(shot, pictures, analysis) for shot in standing.shots]
    by_number = {shot.number: shot for shot in shots}
    scene, clip = analysis.scene, analysis.clip
    clip_state = history.clip_state()
    return SetView(
        history=history,
        open=can_change and history.signature is None,
        state=state_of(history, standing),
        sentence=_sentence(history, standing),
        tally=standing.tally.sentence,
        shots=shots,
        to_watch=[by_number[number] for number in standing.looks],
        to_look_through=_stretches(standing, analysis),
        above=None if scene is None else seen_from_above(analysis, standing),
        over_time=_over_time(standing, analysis) if history.counts_touches else [],
        additions=tuple((a.value, _ADDING[a]) for a in ADDITIONS[history.counts_touches]),
        answers=_answers(*_KINDS[history.counts_touches]),
        problems=analysis.problems,
        notes=_notes(history),
        can_undo=bool(history.held),
        clip_state=clip_state,
        playable=clip_state == "as counted",
        width_px=clip.width_px,
        height_px=clip.height_px,
        rate_hz=clip.nominal_rate_hz or USUAL_RATE_HZ,
        left_px=None if scene is None else _rounded(scene.left_px),
        right_px=None if scene is None else _rounded(scene.right_px),
        has_markers_picture=pictures.has_markers,
        moved=history.is_recounted,
    )


@dataclass(frozen=True, slots=True)
class OldSetView:
    """A set whose count was written by another version of shoegoal.

    Attributes
    ----------
    why : it cannot be shown in full.
    signed_shots : clock-less numbers and calls of the shots as they were signed.
    """

    history: SetHistory
    why: str
    signed_shots: list[dict[str, Any]]


def old_view_of(history: SetHistory, why: str) -> OldSetView:
    """Work out what can be shown of such a set: what was signed stands all the same."""
    signed = [] if history.signature is None else list(history.signature.content["calls"])
    return OldSetView(history, why, signed)


@dataclass(frozen=True, slots=True)
class CheckView:
    """A spot check for its page, without anything of what was counted, and without a name.

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
    """Work a spot check's page out.

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


def _rounded(point: ImagePoint) -> tuple[float, float]:
    return round(point.x_px, 1), round(point.y_px, 1)


def _answers(*kinds: EventKind) -> tuple[tuple[str, str], ...]:
    return tuple((answer.value, _SAID[answer]) for kind in kinds for answer in ANSWERS[kind])


def _over_time(standing: Standing, analysis: Analysis) -> list[TimeMark]:
    """Place touches and losses along a line of time, 0 to 100."""
    start_s, end_s = analysis.clip.start_s, analysis.clip.end_s
    return [
        TimeMark(
            round(100 * (shot.time_s - start_s) / max(1e-6, end_s - start_s), 2),
            shot.kind is EventKind.LOSS,
            _symbol(shot),
            f"{event_name(shot.kind, shot.number)} at {analysis.clock(shot.time_s)}: "
            f"{call_word(shot.kind, shot.call)}",
        )
        for shot in standing.shots
        if shot.counts and shot.call is not Call.MISS
    ]


def _symbol(shot: StandingShot) -> str:
    return SYMBOLS[shown_call(shot.kind, shot.call)]


def _sentence(history: SetHistory, standing: Standing) -> str:
    if history.signature is not None:
        return str(history.signature.content["sentence"])
    return standing.verdict.sentence


def _stretches(standing: Standing, analysis: Analysis) -> list[StretchView]:
    if not standing.needs_a_look:
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
        for place, doubt in enumerate(standing.doubts, start=1)
    ]


def _notes(history: SetHistory) -> list[tuple[str, str]]:
    notes = [(getattr(c.change, "note", ""), c.by) for c in history.held]
    return [(note, by) for note, by in notes if note]


def _shot_view(shot: StandingShot, pictures: SetPictures, analysis: Analysis) -> ShotView:
    kick_s = shot.time_s - analysis.clip.start_s
    counted = shot.counted
    end_s = kick_s + AFTER_S
    if counted is not None:
        end_s = max(end_s, counted.end_time_s - analysis.clip.start_s + 0.5)
    return ShotView(
        number=shot.number,
        name=event_name(shot.kind, shot.number).capitalize(),
        clock=analysis.clock(shot.time_s),
        kick_s=round(kick_s, 3),
        start_s=round(max(0.0, kick_s - BEFORE_S), 3),
        end_s=round(end_s, 3),
        symbol=_symbol(shot) if shot.counts else "-",
        word=call_word(shot.kind, shot.call) if shot.counts else "does not count",
        call=shot.call.value if shot.counts else "out",
        chance=f"{chance_words(shot.kind)} {_chance(shot.p_make)}" if shot.counts else "",
        answers=_answers(shot.kind),
        why="added by hand" if counted is None else counted.reason,
        counts=shot.counts,
        answer=None if shot.answer is None else shot.answer.value,
        note=shot.note,
        path=_path_points(shot),
        has_strip=counted is not None and pictures.has_strip(counted),
    )


def _chance(p_make: float) -> str:
    return chance_text(p_make).replace(" %", "\N{NO-BREAK SPACE}%")


def _path_points(shot: StandingShot) -> str:
    if shot.counted is None:
        return ""
    path = shot.counted.fitted_path_px
    step = max(1, len(path) // PATH_POINTS)
    return " ".join(f"{point.x_px:.0f},{point.y_px:.0f}" for point in path[::step])


def queue_rows(waiting: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Queue rows with the words for their state and for what was counted."""
    words = {
        "look": "needs a look",
        "to sign": "ready to sign",
        "count again": "count again",
        "signed": "signed",
    }
    return [
        row | {"state_words": words[row["state"]], "counted": counted_text(row)} for row in waiting
    ]
