"""The result of one count: all that showing, reviewing and recording it later needs.

Every time is a presentation time of the clip (`ClipRecord.start_s` is the first picture's);
`Analysis.clock` turns it into what a player's clock shows.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from shoegoal.ball.watch import BallRecord
from shoegoal.clip.clock import clock_text
from shoegoal.clip.fingerprint import AlikeStretch, Fingerprint
from shoegoal.clip.take import Break
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.rules import (
    Advance,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Rung,
    Stage,
    StageRule,
    TouchesInARow,
)
from shoegoal.ladder.verdict import Decision, HiddenTime, Tally, Verdict
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.scene.lens import Lens
from shoegoal.shots.judge import LeftOut
from shoegoal.types import Estimate, ImagePoint, Shot

FORMAT_VERSION = 4


@dataclass(frozen=True, slots=True)
class ClipRecord:
    """The clip as it was read.

    Attributes
    ----------
    name : file name without its folder.
    sha256 : of the file's bytes, 64 hexadecimal digits (FIPS 180-4).
    size_bytes : of the file.
    width_px, height_px : of the displayed picture.
    rotation_deg : clockwise quarter turns from the stored picture to the displayed one.
    duration_s : as the file declares; None where it does not.
    start_s, end_s : presentation times of the first and the last picture that was decoded.
    frames : pictures decoded.
    nominal_rate_hz : pictures per second that the file declares; None where it does not.
    codec : of the pictures, for instance ``h264``.
    """

    name: str
    sha256: str
    size_bytes: int
    width_px: int
    height_px: int
    rotation_deg: int
    duration_s: float | None
    start_s: float
    end_s: float
    frames: int
    nominal_rate_hz: float | None
    codec: str


@dataclass(frozen=True, slots=True)
class StageRecord:
    """The stage as it was asked, in plain fields; those that its rule does not have are None.

    Attributes
    ----------
    name, title, sentence : how the stage is called and said.
    rule_kind : ``first-makes``, ``makes-of-shots``, ``makes-in-a-row``, ``touches-in-a-row`` or
        ``makes-in-time``.
    makes, shots, touches, time_s : the rule's numbers.
    width_steps, back_steps : goal width and kick distance in the student's steps.
    ball_size : that the stage is kicked with.
    retries : further sets allowed; None for as many as wanted.
    """

    name: str
    title: str
    sentence: str
    rule_kind: str
    makes: int | None
    shots: int | None
    touches: int | None
    time_s: float | None
    width_steps: float | None
    back_steps: float | None
    ball_size: int
    retries: int | None

    @property
    def heading(self) -> str:
        """Title and task in one line, without saying the same twice."""
        return self.sentence if self.title in self.sentence else f"{self.title}: {self.sentence}"

    @classmethod
    def of(cls, stage: Stage) -> StageRecord:
        """Write a stage down."""
        rule = stage.rule
        return cls(
            name=stage.name,
            title=stage.title,
            sentence=stage.sentence,
            rule_kind=rule.kind,
            makes=None if isinstance(rule, TouchesInARow) else rule.makes,
            shots=rule.shots if isinstance(rule, (MakesOfShots, MakesInARow)) else None,
            touches=rule.touches if isinstance(rule, TouchesInARow) else None,
            time_s=rule.time_s if isinstance(rule, MakesInTime) else None,
            width_steps=stage.width_steps,
            back_steps=stage.back_steps,
            ball_size=stage.ball_size,
            retries=stage.retries,
        )

    def to_stage(self) -> Stage:
        """Build the stage again.

        Raises
        ------
        ValueError
            The rule's kind is unknown or one of its numbers is missing.
        BadSettingsError
            A number is outside its range.
        """
        return Stage(
            self.name,
            self.title,
            self._rule(),
            self.width_steps,
            self.back_steps,
            self.ball_size,
            self.retries,
        )

    def _rule(self) -> StageRule:
        match self.rule_kind, self.makes, self.shots, self.touches, self.time_s:
            case FirstMakes.kind, int(makes), _, _, _:
                return FirstMakes(makes)
            case MakesOfShots.kind, int(makes), int(shots), _, _:
                return MakesOfShots(makes, shots)
            case MakesInARow.kind, int(makes), shots, _, _:
                return MakesInARow(makes, shots)
            case TouchesInARow.kind, _, _, int(touches), _:
                return TouchesInARow(touches)
            case MakesInTime.kind, int(makes), _, _, (int() | float()) as time_s:
                return MakesInTime(makes, time_s)
        raise ValueError(f'the rule "{self.rule_kind}" is unknown or lacks its numbers')


def serialise_ladder(ladder: Ladder) -> dict[str, Any]:
    """Write a ladder down in plain values, as JSON takes them."""
    return {
        "title": ladder.title,
        "school": ladder.school,
        "stages": [
            asdict(StageRecord.of(rung.stage))
            | {
                "harder": None if rung.harder is None else asdict(StageRecord.of(rung.harder)),
                "easier": None if rung.easier is None else asdict(StageRecord.of(rung.easier)),
                "advance": rung.advance.value,
            }
            for rung in ladder.rungs
        ],
    }


def deserialise_ladder(values: dict[str, Any]) -> Ladder:
    """Build a ladder again from what `serialise_ladder` returned.

    Raises
    ------
    KeyError, TypeError, ValueError, BadSettingsError
        The values are not those of a ladder.
    """

    def stage(fields: dict[str, Any] | None) -> Stage | None:
        return None if fields is None else StageRecord(**fields).to_stage()

    names = StageRecord.__dataclass_fields__
    rungs = []
    for one in values["stages"]:
        own = StageRecord(**{name: one[name] for name in names}).to_stage()
        harder, easier = stage(one["harder"]), stage(one["easier"])
        rungs.append(Rung(own, harder, easier, Advance(one["advance"])))
    return Ladder(values["title"], values["school"], tuple(rungs))


class MarkersSource(StrEnum):
    """Where the markers' places came from."""

    GIVEN = "given"
    FOUND = "found"
    CALIBRATION_FILE = "calibration file"


@dataclass(frozen=True, slots=True)
class SceneRecord:
    """Camera, ground and goal.

    Attributes
    ----------
    camera : the most likely camera over its ground.
    left_px, right_px : markers' inner bases as the kicker sees them, px of the displayed picture.
    markers_source : where these came from.
    marker_sigma_px : their standard deviation, per axis.
    goal_width_m, kick_distance_m, ball_diameter_m : with standard deviations; no kick distance
        without a kick spot.
    step_m : the student's step, from the kick distance; None when not known.
    steps_sentence : the goal in the student's steps beside what the stage asks; None when unknown.
    unknowns : names of the fitted parameters.
    theta, covariance : their most likely values and covariance, in that order; with the shots'
        sightings and the markers the scene can be worked out anew without the clip.
    notes : plain sentences a person should know.
    """

    camera: Camera
    left_px: ImagePoint
    right_px: ImagePoint
    markers_source: MarkersSource
    marker_sigma_px: float
    goal_width_m: Estimate
    kick_distance_m: Estimate | None
    ball_diameter_m: Estimate
    step_m: Estimate | None
    steps_sentence: str | None
    unknowns: tuple[str, ...]
    theta: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SameTake:
    """Another clip, or this one elsewhere, that seems to show the same take.

    Attributes
    ----------
    clip_name : the other clip's file name.
    is_same_file : both files are the same byte for byte.
    stretch : which times look alike, by presentation times; the longest such stretch.
    """

    clip_name: str
    is_same_file: bool
    stretch: AlikeStretch


@dataclass(frozen=True, slots=True)
class TakeRecord:
    """The clip as a take.

    Attributes
    ----------
    breaks : places where the clip does not simply run on.
    fingerprint : what moved and when; None where it was not taken.
    same_takes : clips counted earlier that seem to show the same take.
    """

    breaks: tuple[Break, ...] = ()
    fingerprint: Fingerprint | None = None
    same_takes: tuple[SameTake, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the shots were judged from, so that they can be judged anew without the clip.

    Attributes
    ----------
    record : what the watcher saw of the ball, up to a bump of the camera.
    after_bump_s : when balls were kicked after it.
    ball : size printed on the ball.
    lens : calibrated lens, or None.
    """

    record: BallRecord
    after_bump_s: tuple[float, ...] = ()
    ball: BallSize = BallSize.UNKNOWN
    lens: Lens | None = None


@dataclass(frozen=True, slots=True)
class Analysis:
    """One clip, counted.

    Attributes
    ----------
    format_version : of the analysis file; `FORMAT_VERSION` for what this version writes.
    tool_version : version of shoegoal that counted.
    clip, stage, scene : what was read, what was asked, what was found out about the place; a
        dribble needs no goal and has no scene.
    shots : in order of time, numbered from 1; on a dribble stage touches and losses of the ball.
    left_out : kicks that were not shots at the goal, and why.
    tally, verdict : as reached when the clip was counted.
    problems : plain sentences a person must know ("the clip breaks off at 0:12.3").
    take : where the clip does not run on, and what it looks the same as.
    doubts : stretches in which something may be missing, for reasons that the shots do not show.
    evidence : what the shots were judged from; None for a set of touches and for sets that were
        counted before format 4.
    """

    format_version: int
    tool_version: str
    clip: ClipRecord
    stage: StageRecord
    scene: SceneRecord | None
    shots: tuple[Shot, ...]
    left_out: tuple[LeftOut, ...]
    tally: Tally
    verdict: Verdict
    problems: tuple[str, ...]
    take: TakeRecord = TakeRecord()
    doubts: tuple[HiddenTime, ...] = ()
    evidence: Evidence | None = None

    @property
    def goal_scene(self) -> SceneRecord:
        """Camera, ground and goal of a set of shots.

        Raises
        ------
        ClipNotJudgeableError
            It is a set of touches.
        """
        if self.scene is None:
            raise ClipNotJudgeableError(
                "This set counts touches and has no goal: choose a set of shots for that."
            )
        return self.scene

    def clock(self, time_s: float) -> str:
        """Write a presentation time as a player's clock shows it: counted from the start."""
        return clock_text(time_s - self.clip.start_s)

    def clock_span(self, from_s: float, until_s: float) -> str:
        """Write a stretch of time likewise."""
        return f"{self.clock(from_s)} to {self.clock(until_s)}"

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has to look before there is a verdict."""
        return self.verdict.decision is Decision.LOOK

    @property
    def shots_to_look_at(self) -> tuple[Shot, ...]:
        """The shots that settle the verdict, the most telling one first; empty without need."""
        looks = self.verdict.looks
        return () if looks is None else tuple(self.shots[number - 1] for number in looks.shots)
