"""What a stage asks: its rule, goal and distance, its second rounds, and who climbs on from it.

Cheap to import (standard library only). The limits of a stage are here and nowhere else; they are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import ClassVar, TypeAlias

from shoegoal.errors import BadSettingsError

MIN_WIDTH_STEPS, MAX_WIDTH_STEPS = 3.0, 6.0
MIN_BACK_STEPS, MAX_BACK_STEPS = 10.0, 15.0
BALL_SIZES = (3, 4, 5)
DEFAULT_BALL_SIZE = 5
MAX_COUNT = 1000
MIN_TIME_S, MAX_TIME_S = 1.0, 3600.0


def _require_count(what: str, count: int) -> None:
    if not 1 <= count <= MAX_COUNT:
        raise BadSettingsError(
            f"{what} is {count}: give a whole number from 1 to {MAX_COUNT}",
        )


def _require_not_fewer(shots: int, makes: int) -> None:
    if shots < makes:
        raise BadSettingsError(
            f"{makes} makes cannot be reached with {shots} shots: "
            f"give at least {makes} shots, or ask for fewer makes",
        )


@dataclass(frozen=True, slots=True)
class FirstMakes:
    """Met once ``makes`` makes have been kicked, whatever the number of shots."""

    kind: ClassVar[str] = "first-makes"
    makes: int

    def __post_init__(self) -> None:
        _require_count("makes", self.makes)

    @property
    def sentence(self) -> str:
        """The rule as a person would say it."""
        return f"make {self.makes}, as many shots as it takes"


@dataclass(frozen=True, slots=True)
class MakesOfShots:
    """Met by at least ``makes`` makes among the first ``shots`` shots."""

    kind: ClassVar[str] = "makes-of-shots"
    makes: int
    shots: int

    def __post_init__(self) -> None:
        _require_count("makes", self.makes)
        _require_count("shots", self.shots)
        _require_not_fewer(self.shots, self.makes)

    @property
    def sentence(self) -> str:
        """The rule as a person would say it."""
        return f"make {self.makes} of {self.shots} shots"


@dataclass(frozen=True, slots=True)
class MakesInARow:
    """Met by ``makes`` makes one after the other, within ``shots`` shots where that is given."""

    kind: ClassVar[str] = "makes-in-a-row"
    makes: int
    shots: int | None = None

    def __post_init__(self) -> None:
        _require_count("makes", self.makes)
        if self.shots is not None:
            _require_count("shots", self.shots)
            _require_not_fewer(self.shots, self.makes)

    @property
    def sentence(self) -> str:
        """The rule as a person would say it."""
        within = "" if self.shots is None else f", within {self.shots} shots"
        return f"make {self.makes} in a row{within}"


@dataclass(frozen=True, slots=True)
class TouchesInARow:
    """Met by ``touches`` dribble touches one after the other without losing the ball."""

    kind: ClassVar[str] = "touches-in-a-row"
    touches: int

    def __post_init__(self) -> None:
        _require_count("touches", self.touches)

    @property
    def sentence(self) -> str:
        """The rule as a person would say it."""
        return f"{self.touches} touches in a row without losing the ball"


@dataclass(frozen=True, slots=True)
class MakesInTime:
    """Met by ``makes`` makes kicked within ``time_s`` s of the first kick, itself included."""

    kind: ClassVar[str] = "makes-in-time"
    makes: int
    time_s: float

    def __post_init__(self) -> None:
        _require_count("makes", self.makes)
        if not MIN_TIME_S <= self.time_s <= MAX_TIME_S:
            raise BadSettingsError(
                f"time_s is {self.time_s}: give {MIN_TIME_S:g} to {MAX_TIME_S:g} seconds",
            )

    @property
    def sentence(self) -> str:
        """The rule as a person would say it."""
        return f"make {self.makes} within {self.time_s:g} s of the first kick"


StageRule: TypeAlias = FirstMakes | MakesOfShots | MakesInARow | TouchesInARow | MakesInTime


@dataclass(frozen=True, slots=True)
class Stage:
    """One rung of a ladder.

    Attributes
    ----------
    name : short name to call the stage by, for instance ``five-of-ten``.
    title : the name as printed.
    rule : what has to be reached.
    width_steps, back_steps : goal width and kick distance in the pupil's own steps; both None
        for a dribble stage, which has no goal.
    ball_size : 3, 4 or 5 (Laws of the Game, Law 2, size 5; youth sizes: common practice).
    retries : further sets allowed after the first one; None for as many as wanted.

    Raises
    ------
    BadSettingsError
        A number outside its range, a goal for a dribble stage, or no goal for any other.
    """

    name: str
    title: str
    rule: StageRule
    width_steps: float | None = None
    back_steps: float | None = None
    ball_size: int = DEFAULT_BALL_SIZE
    retries: int | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise BadSettingsError("name is empty: give the stage a short name")
        if self.ball_size not in BALL_SIZES:
            raise BadSettingsError(f"ball_size is {self.ball_size}: give 3, 4 or 5")
        if self.retries is not None and not 0 <= self.retries <= MAX_COUNT:
            raise BadSettingsError(f"retries is {self.retries}: give 0 to {MAX_COUNT}")
        if isinstance(self.rule, TouchesInARow):
            if self.width_steps is not None or self.back_steps is not None:
                raise BadSettingsError(
                    "a dribble stage has no goal: leave out width_steps and back_steps",
                )
            return
        _require_steps("width_steps", self.width_steps, MIN_WIDTH_STEPS, MAX_WIDTH_STEPS)
        _require_steps("back_steps", self.back_steps, MIN_BACK_STEPS, MAX_BACK_STEPS)

    @property
    def sentence(self) -> str:
        """The whole task: rule, goal width and distance."""
        goal = self.goal_sentence
        return self.rule.sentence if goal is None else f"{self.rule.sentence}; {goal}"

    @property
    def goal_sentence(self) -> str | None:
        """Goal width and distance; None for a dribble stage."""
        if self.width_steps is None or self.back_steps is None:
            return None
        return f"goal {self.width_steps:g} steps wide, kick from {self.back_steps:g} steps back"


def _require_steps(what: str, steps: float | None, least: float, most: float) -> None:
    if steps is None:
        raise BadSettingsError(f"{what} is missing: give {least:g} to {most:g} steps")
    if not least <= steps <= most:
        raise BadSettingsError(f"{what} is {steps:g}: give {least:g} to {most:g} steps")


class Round(StrEnum):
    """Which round of a rung: the stage itself, or a second one with another goal."""

    STAGE = "stage"
    HARDER = "harder"
    EASIER = "easier"


class Advance(StrEnum):
    """Who climbs on from a rung."""

    MET = "met"
    MET_HARDER = "met-harder"
    MET_EASIER = "met-easier"
    TRIED = "tried"

    @property
    def sentence(self) -> str:
        """Who climbs on, as a person would say it."""
        return _WHO_ADVANCES[self]


_WHO_ADVANCES = {
    Advance.MET: "who has met the stage",
    Advance.MET_HARDER: "who has met the stage and its harder round",
    Advance.MET_EASIER: "who has met the stage or its easier round",
    Advance.TRIED: "everyone, once the stage is met or the tries are used up",
}


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung: a stage and its second rounds.

    Attributes
    ----------
    stage : what has to be reached, and from where.
    harder, easier : the same task for a second round, with a narrower goal or from further back, or
        the reverse (`second_round` makes them); None without such a round. The harder one opens
        once the stage is met, the easier one once its tries are used up.
    advance : who climbs on.

    Raises
    ------
    BadSettingsError
        A round that is not harder (or easier) than the stage, or an `advance` that needs a round
        or a number of retries that is not given.
    """

    stage: Stage
    harder: Stage | None = None
    easier: Stage | None = None
    advance: Advance = Advance.MET

    def __post_init__(self) -> None:
        if self.harder is not None:
            _require_harder(self.stage, self.harder, "harder", "narrower or further back")
        if self.easier is not None:
            _require_harder(self.easier, self.stage, "easier", "wider or nearer")
            if self.stage.retries is None:
                raise BadSettingsError(
                    "an easier round opens once the tries are used up: give retries "
                    "(0 for one try only)"
                )
        if self.advance is Advance.MET_HARDER and self.harder is None:
            raise BadSettingsError('advance = "met-harder" needs a harder round: give harder')
        if self.advance is Advance.MET_EASIER and self.easier is None:
            raise BadSettingsError('advance = "met-easier" needs an easier round: give easier')
        if self.advance is Advance.TRIED and self.stage.retries is None:
            raise BadSettingsError(
                'advance = "tried" needs a limit on tries: give retries (0 for one try only)'
            )

    @property
    def rounds(self) -> Iterator[tuple[Round, Stage]]:
        """The stage itself, then its second rounds."""
        yield Round.STAGE, self.stage
        if self.harder is not None:
            yield Round.HARDER, self.harder
        if self.easier is not None:
            yield Round.EASIER, self.easier


def second_round(
    stage: Stage,
    which: Round,
    *,
    width_steps: float | None = None,
    back_steps: float | None = None,
) -> Stage:
    """Make a stage to be played again with another goal or from another distance.

    Parameters
    ----------
    stage : as played first.
    which : `Round.HARDER` or `Round.EASIER`; the stage made is called ``NAME-harder`` and so on.
    width_steps, back_steps : what changes; the rest stays.

    Raises
    ------
    BadSettingsError
        A number outside its range, or a dribble stage, which has no goal to change.
    """
    if stage.width_steps is None:
        raise BadSettingsError(
            f"a dribble stage has no goal, so it has no {which} round: leave out {which}"
        )
    return replace(
        stage,
        name=f"{stage.name}-{which}",
        title=f"{stage.title}, {which}",
        width_steps=stage.width_steps if width_steps is None else width_steps,
        back_steps=stage.back_steps if back_steps is None else back_steps,
    )


def _require_harder(easy: Stage, hard: Stage, which: str, wanted: str) -> None:
    # A harder goal may not be larger as seen from the kick spot, in either way.
    easy_w, hard_w = easy.width_steps or 0.0, hard.width_steps or 0.0
    easy_b, hard_b = easy.back_steps or 0.0, hard.back_steps or 0.0
    same = (easy_w, easy_b) == (hard_w, hard_b)
    if same or hard_w > easy_w or hard_b < easy_b:
        raise BadSettingsError(
            f"the {which} round is not {which} than the stage: give width_steps or back_steps "
            f"({wanted}, and neither the other way)"
        )
