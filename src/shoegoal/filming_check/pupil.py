"""The filming check of a clip that a pupil hands in, in words for a twelve-year-old."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from shoegoal.clip.reader import open_clip
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError
from shoegoal.filming_check.answer import Answer, FilmingCheck, check_clip
from shoegoal.filming_check.checks import Level
from shoegoal.filming_check.picture import draw_found, encoded
from shoegoal.ladder.rules import Stage
from shoegoal.pipeline.settings import CountSettings
from shoegoal.scene.ball_size import BallSize

MOST_CHANGES = 2
# For a twelve-year-old; ``shoegoal fit`` has it in full.
_SAID_SHORTER = {
    "length": "Film the whole set in one clip, from before the first kick to after the last.",
    "whole file": "The end of the clip is missing. Send it once more.",
    "goal in view": "Put the phone so that both markers, and a metre beside each, are in the "
    "picture.",
    "ball seen": "Let the ball lie still before each kick, and use one whose colour stands out.",
    "kick seen": "Stand the phone a step or two to the side, so that you do not hide the ball.",
    "ball colour": "Use a ball whose colour stands out from the ground.",
    "phone height": "Put the phone higher: as high as your chest.",
    "camera still": "Lean the phone on something firm. Nobody holds or touches it.",
}
_MARKERS_UNSURE = "We could not make out both markers for sure. Can you see them in this picture?"
_GOAL_LIKELY = "We saw the ball, and most likely both markers. Are they marked in this picture?"
_BALL_UNSURE = "We could not make out the ball for sure. Can you see it in this picture?"


@dataclass(frozen=True, slots=True)
class PupilAnswer:
    """The result of a clip's filming check, stored with the clip.

    Attributes
    ----------
    good : whether it will be counted; otherwise the pupil is asked to film again.
    saw : what was seen, in a sentence.
    change : at most two things to change.
    markers_px : feet of the goal's markers in the picture; None where not sure.
    width_px, height_px : size of that picture.
    sure : whether the count will surely work; otherwise only the count can tell.
    """

    good: bool
    saw: str
    change: tuple[str, ...]
    markers_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    width_px: int = 0
    height_px: int = 0
    sure: bool = True

    def serialise(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return asdict(self)

    @classmethod
    def deserialise(cls, values: dict[str, Any]) -> PupilAnswer:
        """Read it again."""
        markers = values["markers_px"]
        pair = None if markers is None else (_pair(markers[0]), _pair(markers[1]))
        rest = {name: values[name] for name in ("good", "saw", "width_px", "height_px")}
        # Checks of earlier versions lack this field.
        return cls(
            change=tuple(values["change"]), markers_px=pair, sure=values.get("sure", True), **rest
        )


def _pair(point: Sequence[float]) -> tuple[float, float]:
    return float(point[0]), float(point[1])


@dataclass(frozen=True, slots=True)
class Pictures:
    """JPEG pictures: with the findings drawn on it, and plain, to point in."""

    found: bytes
    plain: bytes


def check_filming(
    clip: Path, stage: Stage, longest_min: float
) -> tuple[PupilAnswer, Pictures | None]:
    """Check the filming of a clip that was handed in.

    Parameters
    ----------
    clip : the clip, whole.
    stage : what it was filmed for.
    longest_min : longer clips are refused.

    Returns
    -------
    The answer and its pictures; None for pictures of an unreadable clip.
    """
    try:
        with open_clip(clip) as opened:
            duration_s = opened.info.duration_s or 0.0
        if duration_s > 60.0 * longest_min:
            return PupilAnswer(
                False,
                f"The clip is {duration_s / 60:.0f} minutes long.",
                (f"Send a clip of at most {longest_min:g} minutes: one set, without the breaks.",),
            ), None
        check = check_clip(clip, CountSettings(stage, ball=BallSize(str(stage.ball_size))))
    except ClipUnreadableError:
        return PupilAnswer(
            False,
            "This file is not a clip that can be played.",
            ("Choose the clip once more, or film it again.",),
        ), None
    except ClipNotJudgeableError:
        return PupilAnswer(
            False,
            "The picture was turned or changed its size in the middle of the clip.",
            ("Film the set in one clip, and do not turn or zoom.",),
        ), None
    return pupils_answer(check), Pictures(encoded(draw_found(check)), encoded(check.still.bgr))


def pupils_answer(check: FilmingCheck) -> PupilAnswer:
    """Put a check's answer into a pupil's words."""
    scene, stage = check.facts.scene, check.facts.stage
    has_goal = stage.width_steps is not None
    wanted = [pair for pair in check.findings if pair[1].level is not Level.ASK]
    change = [_SAID_SHORTER.get(asked.name, finding.do) for asked, finding in wanted]
    if has_goal and scene.kicks and not scene.has_goal:
        change.insert(0, _SAID_SHORTER["goal in view"])
    elif check.answer is not Answer.YES and not change and not scene.has_goal:
        change.append(_SAID_SHORTER["ball seen"])
    markers = scene.markers_px if scene.has_goal else None
    info = check.facts.sampled.info
    return PupilAnswer(
        check.answer is not Answer.NO,
        _saw(check, has_goal=has_goal),
        tuple(dict.fromkeys(change))[:MOST_CHANGES],
        None
        if markers is None
        else ((markers[0].x_px, markers[0].y_px), (markers[1].x_px, markers[1].y_px)),
        info.width_px,
        info.height_px,
        check.answer is Answer.YES,
    )


def _saw(check: FilmingCheck, *, has_goal: bool) -> str:
    scene = check.facts.scene
    ball = scene.ball is not None or bool(scene.kicks)
    if check.answer is Answer.YES:
        if not has_goal:
            return "We saw the ball."
        return "We saw the ball and both markers." if ball else "We saw both markers."
    if has_goal and ball:
        return _GOAL_LIKELY if scene.has_goal else _MARKERS_UNSURE
    return "The clip arrived and can be played." if ball else _BALL_UNSURE
