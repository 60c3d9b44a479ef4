"""Can this clip be judged, and what should be done differently? Answered from a quick look."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from shoegoal.analysis.fitness_checks import CHECKS, Check, Facts, Finding, Level
from shoegoal.analysis.quick_look import look_quickly
from shoegoal.analysis.quick_scene import (
    FitSettings,
    contrast_levels,
    least_contrast_levels,
    quick_scene,
)
from shoegoal.analysis.stills import StillPicture
from shoegoal.clip.frame import Frame
from shoegoal.clip.reader import Clip, open_clip
from shoegoal.clip.stillness import Stillness
from shoegoal.errors import ClipUnreadableError

FORMAT_VERSION = 1
NEAR_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Fitness:
    """The answer.

    Attributes
    ----------
    facts : what was measured.
    still : a picture of the clip, with the ball where it was found.
    findings : what was found wrong, gravest first, each with the check that found it.
    """

    facts: Facts
    still: StillPicture
    findings: tuple[tuple[Check, Finding], ...]

    @property
    def is_fit(self) -> bool:
        """Whether the clip can be counted; there may be advice all the same."""
        return all(finding.level is not Level.REFUSE for _, finding in self.findings)

    @property
    def headline(self) -> str:
        """The answer in a few words."""
        if not self.is_fit:
            return "This clip cannot be judged: film again."
        if any(finding.level is Level.ADVISE for _, finding in self.findings):
            return "This clip can be judged; the next one will be judged better like this:"
        if self.findings:
            return "This clip can be judged. Please check:"
        return "This clip can be judged."


def check_clip(path: Path, settings: FitSettings) -> Fitness:
    """Look at a clip quickly and put every check to it.

    Parameters
    ----------
    path : the clip.
    settings : what is known beforehand.

    Raises
    ------
    ClipUnreadableError
        The file holds no pictures that can be decoded.
    ClipNotJudgeableError
        The picture changes its size.
    """
    with open_clip(path) as clip:
        look = look_quickly(clip)
        scene = quick_scene(look, settings)
        frame = _picture(clip, look.start_s if scene.ball is None else scene.ball.time_s)
    facts = Facts(
        look=look,
        scene=scene,
        settings=settings,
        contrast_levels=None
        if scene.ball is None
        else contrast_levels(frame, scene.ball, look.settled),
        least_contrast_levels=least_contrast_levels(look.quality.noise_levels),
    )
    moves = look.stillness.verdict is Stillness.MOVING
    found = [
        (check, finding)
        for check in CHECKS
        if not (moves and check.needs_still) and (finding := check.find(facts)) is not None
    ]
    found.sort(key=lambda pair: pair[1].level)
    return Fitness(facts, StillPicture(frame.time_s, frame.bgr(), 1.0), tuple(found))


def _picture(clip: Clip, time_s: float) -> Frame:
    with clip.sampler() as sampler:
        for wanted_s in (time_s, sampler.times_s[0]):
            for frame in sampler.near([wanted_s], NEAR_S):
                return frame
    raise ClipUnreadableError(f"{clip.info.path} is damaged: copy it from the phone again")
