"""What the templates show, worked out beforehand: they only lay it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shoegoal.analysis.model import Analysis
from shoegoal.record.coaching import Check
from shoegoal.record.history import SetHistory
from shoegoal.record.pictures import SetPictures
from shoegoal.record.plain import state_of
from shoegoal.record.standing import Standing, StandingShot
from shoegoal.review.above import Above, seen_from_above
from shoegoal.types import Call

BEFORE_S, AFTER_S = 1.0, 2.0  # round the kick: what a snippet shows
SYMBOLS = {Call.MAKE: "●", Call.MISS: "✕", Call.UNSURE: "?"}
PATH_POINTS = 60
USUAL_RATE_HZ = 30.0


@dataclass(frozen=True, slots=True)
class ShotView:
    """A shot for a page; times are seconds of the player's clock.

    Attributes
    ----------
    path : points of the fitted path over the picture, as SVG writes them.
    has_strip : a strip of stills is there.
    """

    number: int
    clock: str
    kick_s: float
    start_s: float
    end_s: float
    symbol: str
    word: str
    call: str
    chance: str
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
class SetView:
    """A set for its page.

    Attributes
    ----------
    open : can be changed, by whoever looks.
    to_watch : the shots that settle the verdict, the most telling first.
    to_look_through : stretches in which a shot may be hidden; none once the verdict holds.
    playable : the clip lies where it was and is the one that was counted.
    """

    history: SetHistory
    open: bool
    state: str
    sentence: str
    tally: str
    shots: list[ShotView]
    to_watch: list[ShotView]
    to_look_through: list[StretchView]
    above: Above
    problems: tuple[str, ...]
    notes: list[tuple[str, str]]
    can_undo: bool
    clip_state: str
    playable: bool
    width_px: int
    height_px: int
    rate_hz: float
    left_px: tuple[float, float]
    right_px: tuple[float, float]
    has_markers_picture: bool


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
        above=seen_from_above(analysis, standing),
        problems=analysis.problems,
        notes=_notes(history),
        can_undo=bool(history.held),
        clip_state=clip_state,
        playable=clip_state == "as counted",
        width_px=clip.width_px,
        height_px=clip.height_px,
        rate_hz=clip.nominal_rate_hz or USUAL_RATE_HZ,
        left_px=(round(scene.left_px.x_px, 1), round(scene.left_px.y_px, 1)),
        right_px=(round(scene.right_px.x_px, 1), round(scene.right_px.y_px, 1)),
        has_markers_picture=pictures.has_markers,
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
    cue: str
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
        check.cue,
        round(max(0.0, check.kick_s - BEFORE_S), 3),
        round(check.kick_s, 3),
        round(check.kick_s + AFTER_S + BEFORE_S, 3),
        playable,
        SetPictures(history, analysis).has_stills(check.kick_time_s),
        clip.width_px,
        clip.height_px,
        clip.nominal_rate_hz or USUAL_RATE_HZ,
    )


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
        clock=analysis.clock(shot.time_s),
        kick_s=round(kick_s, 3),
        start_s=round(max(0.0, kick_s - BEFORE_S), 3),
        end_s=round(end_s, 3),
        symbol=SYMBOLS[shot.call] if shot.counts else "-",
        word=shot.call.value if shot.counts else "does not count",
        call=shot.call.value if shot.counts else "out",
        chance=_chance(shot.p_make) if shot.counts else "",
        why="added by hand" if counted is None else counted.reason,
        counts=shot.counts,
        answer=None if shot.answer is None else shot.answer.value,
        note=shot.note,
        path=_path_points(shot),
        has_strip=counted is not None and pictures.has_strip(counted),
    )


def _chance(p_make: float) -> str:
    """Write a probability; never as certain as only a person's answer is."""
    if p_make > 0.99:
        words = "over 99 %"
    else:
        words = "under 1 %" if p_make < 0.01 else f"{100 * p_make:.0f} %"
    return words.replace(" %", "\N{NO-BREAK SPACE}%")


def _path_points(shot: StandingShot) -> str:
    if shot.counted is None:
        return ""
    path = shot.counted.fitted_path_px
    step = max(1, len(path) // PATH_POINTS)
    return " ".join(f"{point.x_px:.0f},{point.y_px:.0f}" for point in path[::step])


def queue_rows(waiting: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Queue rows with the words for their state."""
    words = {
        "look": "needs a look",
        "to sign": "ready to sign",
        "count again": "count again",
        "signed": "signed",
    }
    return [row | {"state_words": words[row["state"]]} for row in waiting]
