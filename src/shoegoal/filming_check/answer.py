"""The answer of the filming check: can this clip be counted, and what should change."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from shoegoal.clip.frame import Frame
from shoegoal.clip.reader import Clip, open_clip
from shoegoal.clip.stillness import Stillness
from shoegoal.errors import ClipUnreadableError
from shoegoal.filming_check.checks import CHECKS, Check, Facts, Finding, Level
from shoegoal.filming_check.sampled import sample_clip
from shoegoal.filming_check.scene import (
    checked_scene,
    contrast_levels,
    least_contrast_levels,
)
from shoegoal.ladder.rules import TouchesInARow
from shoegoal.pictures.stills import StillPicture
from shoegoal.pipeline.settings import CountSettings
from shoegoal.types import ImagePoint

FORMAT_VERSION = 2
NEAR_S = 0.1


class Answer(StrEnum):
    """Whether a clip can be counted, as far as its samples show."""

    YES = "yes"  # the count's own code surely found ball, ground and goal in them
    CANNOT_TELL = "cannot tell"  # not as surely, and there is more of the clip to be seen
    NO = "no"


@dataclass(frozen=True, slots=True, eq=False)
class FilmingCheck:
    """The result of a check.

    Attributes
    ----------
    facts : what was measured.
    still : a picture of the clip, with the ball where it was found.
    findings : what was found wrong, most serious first, each with its check.
    """

    facts: Facts
    still: StillPicture
    findings: tuple[tuple[Check, Finding], ...]

    @property
    def answer(self) -> Answer:
        """Whether the clip can be counted; there may be advice all the same."""
        refusal = self.facts.scene.refusal
        if any(finding.level is Level.REFUSE for _, finding in self.findings):
            return Answer.NO
        if self.facts.sampled.is_whole:
            return Answer.NO if refusal else Answer.YES
        return Answer.CANNOT_TELL if refusal or self.facts.scene.may_change else Answer.YES

    @property
    def headline(self) -> str:
        """The answer in a few words."""
        if self.answer is Answer.NO:
            return "This clip cannot be counted: film again."
        if self.answer is Answer.CANNOT_TELL:
            return "The check cannot tell whether this clip can be counted. Please look:"
        if any(finding.level is Level.ADVISE for _, finding in self.findings):
            return "This clip can be counted; the next one will be counted better like this:"
        if self.findings:
            return "This clip can be counted. Please check:"
        return "This clip can be counted."


def check_clip(path: Path, settings: CountSettings) -> FilmingCheck:
    """Check the filming of a clip on samples of it.

    Parameters
    ----------
    path : the clip.
    settings : as for its count.

    Raises
    ------
    ClipUnreadableError
        The file holds no pictures that can be decoded.
    ClipNotJudgeableError
        The picture changes its size.
    """
    dribbled = isinstance(settings.stage.rule, TouchesInARow)
    sampled = sample_clip(path, dribbled=dribbled)
    scene = checked_scene(sampled, settings)
    with open_clip(path) as clip:
        frame = _picture(clip, sampled.start_s if scene.ball is None else scene.ball.time_s)
    facts = Facts(
        sampled=sampled,
        scene=scene,
        settings=settings,
        contrast_levels=None
        if scene.ball is None or sampled.background is None
        else contrast_levels(frame, scene.ball, sampled.background),
        least_contrast_levels=least_contrast_levels(sampled.quality.noise_levels),
    )
    moves = sampled.stillness.verdict is Stillness.MOVING
    found = [
        (check, finding)
        for check in CHECKS
        if not (moves and check.needs_still)
        and not (dribbled and check.needs_goal)
        and (finding := check.find(facts)) is not None
    ]
    found.sort(key=lambda pair: pair[1].level)
    return FilmingCheck(facts, StillPicture(frame.time_s, frame.bgr(), 1.0), tuple(found))


def _picture(clip: Clip, time_s: float) -> Frame:
    with clip.sampler() as sampler:
        for wanted_s in (time_s, sampler.times_s[0]):
            for frame in sampler.near([wanted_s], NEAR_S):
                return frame
    raise ClipUnreadableError(f"{clip.info.path} is damaged: copy it from the phone again")


def check_to_json(check: FilmingCheck, still: Path) -> str:
    """Write a check as JSON.

    Parameters
    ----------
    check : the answer.
    still : where the picture was written.
    """
    facts = check.facts
    sampled, scene = facts.sampled, facts.scene
    said: dict[str, Any] = {
        "format_version": FORMAT_VERSION,
        "clip": {
            "name": sampled.info.path.name,
            "width_px": sampled.info.width_px,
            "height_px": sampled.info.height_px,
            "rotation_deg": sampled.info.rotation_deg,
            "pictures": sampled.pictures,
            "watched": sampled.watched,
            "start_s": sampled.start_s,
            "duration_s": sampled.end_s - sampled.start_s,
            "rate_hz": sampled.rate_hz,
        },
        "countable": check.answer.value,
        "answer": check.headline,
        "findings": [
            {
                "check": asked.name,
                "level": finding.level.name.lower(),
                "do": finding.do,
                "why": finding.why,
                "value": _number(finding.value),
                "limit": asked.limit,
                "unit": asked.unit,
                "source": asked.source,
                "at_px": _point(finding.at_px),
            }
            for asked, finding in check.findings
        ],
        "measured": {
            "stillness": sampled.stillness.verdict.value,
            "brightness": sampled.quality.brightness,
            "blur": sampled.quality.blur,
            "noise_levels": sampled.quality.noise_levels,
            "ball_px": None
            if scene.ball is None
            else [float(v) for v in (scene.ball.x_px, scene.ball.y_px, scene.ball.diameter_px)],
            "ball_contrast_levels": facts.contrast_levels,
            "phone_height_m": None if scene.camera is None else scene.camera.height_m,
            "tilt_deg": sampled.quality.tilt_deg,
            "markers_px": None
            if scene.markers_px is None
            else [_point(marker) for marker in scene.markers_px],
            "goal_found": scene.has_goal,
            "goal_in_view_probability": scene.in_view,
            "count_would_say": scene.refusal or None,
        },
        "still": str(still),
    }
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _point(place: ImagePoint | None) -> list[float] | None:
    return None if place is None else [float(place.x_px), float(place.y_px)]


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)
