"""The shape of a ladder file. Imported only when a file is read, because pydantic is slow to load.

Ranges come from `shoegoal.ladder.rules`; what concerns several keys at once is checked there too,
by building the rule and the stage while pydantic still knows the place in the file.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Literal, Self, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import (
    DEFAULT_BALL_SIZE,
    MAX_BACK_STEPS,
    MAX_COUNT,
    MAX_TIME_S,
    MAX_WIDTH_STEPS,
    MIN_BACK_STEPS,
    MIN_TIME_S,
    MIN_WIDTH_STEPS,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Stage,
    StageRule,
    TouchesInARow,
)
from shoegoal.ladder.rungs import Advance, Round, Rung, second_round

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails


def _between(least: float, most: float, unit: str = "") -> AfterValidator:
    """Refuse numbers outside a range, naming both its ends (pydantic's own names only one)."""

    def check(number: float) -> float:
        if not least <= number <= most:
            raise ValueError(f"give {least:g} to {most:g}{unit}")
        return number

    return AfterValidator(check)


def _require_printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("it holds a line break or a letter that cannot be printed; take it out")
    return text


Count: TypeAlias = Annotated[int, _between(1, MAX_COUNT)]
Retries: TypeAlias = Annotated[int, _between(0, MAX_COUNT)]
WidthSteps: TypeAlias = Annotated[float, _between(MIN_WIDTH_STEPS, MAX_WIDTH_STEPS, " steps")]
BackSteps: TypeAlias = Annotated[float, _between(MIN_BACK_STEPS, MAX_BACK_STEPS, " steps")]
TimeSeconds: TypeAlias = Annotated[float, _between(MIN_TIME_S, MAX_TIME_S, " s")]
BallSize: TypeAlias = Literal[3, 4, 5]
StageName: TypeAlias = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=60)]
Text: TypeAlias = Annotated[
    str, Field(min_length=1, max_length=200), AfterValidator(_require_printable)
]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _RuleTable(_Table):
    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _keys_agree(self) -> Self:
        _refusal_as_value_error(self.to_rule)
        return self


def _refusal_as_value_error(build: Callable[[], object]) -> None:
    try:
        build()
    except BadSettingsError as error:
        raise ValueError(str(error)) from error


class FirstMakesTable(_RuleTable):
    """``kind = "first-makes"``."""

    kind: Literal["first-makes"]
    makes: Count

    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        return FirstMakes(self.makes)


class MakesOfShotsTable(_RuleTable):
    """``kind = "makes-of-shots"``."""

    kind: Literal["makes-of-shots"]
    makes: Count
    shots: Count

    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        return MakesOfShots(self.makes, self.shots)


class MakesInARowTable(_RuleTable):
    """``kind = "makes-in-a-row"``."""

    kind: Literal["makes-in-a-row"]
    makes: Count
    shots: Count | None = None

    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        return MakesInARow(self.makes, self.shots)


class TouchesInARowTable(_RuleTable):
    """``kind = "touches-in-a-row"``."""

    kind: Literal["touches-in-a-row"]
    touches: Count

    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        return TouchesInARow(self.touches)


class MakesInTimeTable(_RuleTable):
    """``kind = "makes-in-time"``."""

    kind: Literal["makes-in-time"]
    makes: Count
    time_s: TimeSeconds

    def to_rule(self) -> StageRule:
        """Build the plain rule."""
        return MakesInTime(self.makes, self.time_s)


RuleTable: TypeAlias = Annotated[
    FirstMakesTable | MakesOfShotsTable | MakesInARowTable | TouchesInARowTable | MakesInTimeTable,
    Field(discriminator="kind"),
]


class SecondRoundTable(_Table):
    """``harder = { ... }`` or ``easier = { ... }``: what changes when a stage is played again."""

    width_steps: WidthSteps | None = None
    back_steps: BackSteps | None = None

    def to_stage(self, stage: Stage, which: Round) -> Stage:
        """Build the stage of the second round."""
        return second_round(stage, which, width_steps=self.width_steps, back_steps=self.back_steps)


class StageTable(_Table):
    """One ``[[stages]]`` table."""

    name: StageName
    title: Text
    rule: RuleTable
    width_steps: WidthSteps | None = None
    back_steps: BackSteps | None = None
    ball_size: BallSize | None = None
    retries: Retries | None = None
    harder: SecondRoundTable | None = None
    easier: SecondRoundTable | None = None
    advance: Literal["met", "met-harder", "met-easier", "tried"] = "met"

    def to_rung(self, default_ball_size: int | None = None) -> Rung:
        """Build the plain rung."""
        stage = self.to_stage(default_ball_size)
        return Rung(
            stage=stage,
            harder=None if self.harder is None else self.harder.to_stage(stage, Round.HARDER),
            easier=None if self.easier is None else self.easier.to_stage(stage, Round.EASIER),
            advance=Advance(self.advance),
        )

    def to_stage(self, default_ball_size: int | None = None) -> Stage:
        """Build the plain stage."""
        return Stage(
            name=self.name,
            title=self.title,
            rule=self.rule.to_rule(),
            width_steps=self.width_steps,
            back_steps=self.back_steps,
            ball_size=self.ball_size or default_ball_size or DEFAULT_BALL_SIZE,
            retries=self.retries,
        )

    @model_validator(mode="after")
    def _keys_agree(self) -> Self:
        _refusal_as_value_error(self.to_rung)
        return self


class LadderTable(_Table):
    """A whole ladder file."""

    title: Text
    school: Text | None = None
    ball_size: BallSize | None = None
    stages: list[StageTable]

    @field_validator("stages")
    @classmethod
    def _not_empty(cls, stages: list[StageTable]) -> list[StageTable]:
        if not stages:
            raise ValueError("the ladder has no stage: give at least one [[stages]] table.")
        return stages

    def names_given_twice(self) -> list[ErrorDetails]:
        """Find stages called like an earlier one; second rounds have names too."""
        problems: list[ErrorDetails] = []
        places: dict[str, int] = {}
        for place, table in enumerate(self.stages):
            for _, stage in table.to_rung().rounds:
                first = places.setdefault(stage.name, place)
                if first != place:
                    problems.append(
                        {
                            "type": "value_error",
                            "loc": ("stages", place, "name"),
                            "msg": f'stages[{first}] has a stage "{stage.name}" too: '
                            "give every stage its own name",
                            "input": None,
                        }
                    )
        return problems
