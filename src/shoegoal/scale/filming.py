"""The filming of a clip that a pupil hands in, checked and told in words for a twelve-year-old."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from shoegoal.analysis.fitness import Fitness, check_clip
from shoegoal.analysis.fitness_checks import Level
from shoegoal.analysis.fitness_picture import draw_found, encoded
from shoegoal.analysis.quick_scene import FitSettings
from shoegoal.clip.reader import open_clip
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError
from shoegoal.ladder.rules import Stage
from shoegoal.scale.assignment import VIDEO_ENDINGS
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.markers import BELIEVED_AT

MOST_CHANGES = 2
# What a pupil cannot help, or is told in another way; said to grown-ups by ``shoegoal fit``.
_NOT_FOR_TOUCHES = frozenset(("goal in view", "kick seen", "ball seen", "phone height"))
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


@dataclass(frozen=True, slots=True)
class Filmed:
    """What the check of a clip's filming came to, to be kept beside the clip.

    Attributes
    ----------
    good : it goes on to be counted; else the pupil is asked to film again.
    saw : what was seen, in a sentence.
    change : at most two things to do otherwise.
    markers_px : where the goal is taken to be, for the picture; None where that is not sure.
    width_px, height_px : of the picture that the markers are placed in.
    """

    good: bool
    saw: str
    change: tuple[str, ...]
    markers_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    width_px: int = 0
    height_px: int = 0

    def to_plain(self) -> dict[str, Any]:
        """Write it down in plain values."""
        return asdict(self)

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Filmed:
        """Read it again."""
        markers = plain["markers_px"]
        pair = None if markers is None else (_pair(markers[0]), _pair(markers[1]))
        rest = {name: plain[name] for name in ("good", "saw", "width_px", "height_px")}
        return cls(change=tuple(plain["change"]), markers_px=pair, **rest)


def _pair(point: Sequence[float]) -> tuple[float, float]:
    return float(point[0]), float(point[1])


@dataclass(frozen=True, slots=True)
class Pictures:
    """As JPEG: what was found, drawn over the picture; and the picture alone, to point in."""

    found: bytes
    plain: bytes


def check_filming(clip: Path, stage: Stage, longest_min: float) -> tuple[Filmed, Pictures | None]:
    """Look at a clip quickly, with the eyes of the count.

    Parameters
    ----------
    clip : the clip, whole.
    stage : what it was filmed for.
    longest_min : clips that are longer are not taken.

    Returns
    -------
    The answer, and its pictures; none of what could not be looked at.
    """
    try:
        with open_clip(clip) as opened:
            duration_s = opened.info.duration_s or 0.0
        if duration_s > 60.0 * longest_min:
            return Filmed(
                False,
                f"The clip is {duration_s / 60:.0f} minutes long.",
                (f"Send a clip of at most {longest_min:g} minutes: one set, without the breaks.",),
            ), None
        fitness = check_clip(clip, _settings(stage))
    except ClipUnreadableError:
        return Filmed(
            False,
            "This file is no clip that can be played.",
            ("Choose the clip once more, or film it again.",),
        ), None
    except ClipNotJudgeableError:
        return Filmed(
            False,
            "The picture was turned or changed its size in the middle of the clip.",
            ("Film the set in one clip, and do not turn or zoom.",),
        ), None
    pictures = Pictures(encoded(draw_found(fitness)), encoded(fitness.still.bgr))
    return told(fitness, stage), pictures


def told(fitness: Fitness, stage: Stage) -> Filmed:
    """Put a check's answer into a pupil's words."""
    touches = stage.width_steps is None
    found = [
        (check, finding)
        for check, finding in fitness.findings
        if not (touches and check.name in _NOT_FOR_TOUCHES)
    ]
    scene = fitness.facts.scene
    sure = touches or (scene.markers_px is not None and scene.sure >= BELIEVED_AT)
    refused = any(finding.level is Level.REFUSE for _, finding in found)
    # A promise that the count would break is worse than a question.
    good = not refused and sure
    wanted = [pair for pair in found if pair[1].level is not Level.ASK]
    change = [_SAID_SHORTER.get(check.name, finding.do) for check, finding in wanted]
    if not sure and _SAID_SHORTER["goal in view"] not in change:
        change.insert(0, _SAID_SHORTER["goal in view"])
    markers = scene.markers_px if sure and not touches else None
    info = fitness.facts.look.info
    return Filmed(
        good,
        _saw(fitness, touches=touches, sure=sure),
        tuple(dict.fromkeys(change))[:MOST_CHANGES],
        None
        if markers is None
        else ((markers[0].x_px, markers[0].y_px), (markers[1].x_px, markers[1].y_px)),
        info.width_px,
        info.height_px,
    )


def suffix_of(file_name: str) -> str | None:
    """Take the ending of a file's name; None where it is that of no clip."""
    ending = Path(file_name).suffix.casefold()
    return ending if ending in VIDEO_ENDINGS else None


def _settings(stage: Stage) -> FitSettings:
    ball = BallSize(str(stage.ball_size))
    if stage.width_steps is None or stage.back_steps is None:
        return FitSettings(ball)
    return FitSettings(ball, stage.width_steps, stage.back_steps)


def _saw(fitness: Fitness, *, touches: bool, sure: bool) -> str:
    ball = fitness.facts.scene.ball is not None or bool(fitness.facts.scene.kicks)
    if touches:
        return "We saw the ball." if ball else "The clip arrived and can be played."
    if not sure:
        return _MARKERS_UNSURE
    return "We saw the ball and both markers." if ball else "We saw both markers."
