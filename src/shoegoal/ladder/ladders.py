"""A ladder: read from a file, a stage of it by name, or a stage made from options."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import (
    DEFAULT_BALL_SIZE,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Rung,
    Stage,
    StageRule,
    TouchesInARow,
)
from shoegoal.outside import read_outside

SHIPPED_LADDER = "back_garden.toml"
MAX_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Ladder:
    """Stages in the order in which a pupil climbs them.

    Attributes
    ----------
    title : name of the ladder as printed.
    school : name of the school as printed, or None.
    rungs : at least one; the names of their stages and second rounds are unique.
    """

    title: str
    school: str | None
    rungs: tuple[Rung, ...]

    @property
    def stages(self) -> tuple[Stage, ...]:
        """The stages climbed, without their second rounds."""
        return tuple(rung.stage for rung in self.rungs)

    @property
    def all_stages(self) -> tuple[Stage, ...]:
        """Every stage that a set can be for: each rung's stage and its second rounds."""
        return tuple(stage for rung in self.rungs for _, stage in rung.rounds)

    def stage_by_name(self, name: str) -> Stage:
        """Find a stage or second round; case and surrounding blanks do not matter.

        Raises
        ------
        BadSettingsError
            No stage has that name; the message lists the names and the closest one.
        """
        wanted = name.strip().casefold()
        names = [stage.name for stage in self.all_stages]
        for stage in self.all_stages:
            if stage.name.casefold() == wanted:
                return stage
        close = difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)
        hint = f' (did you mean "{close[0]}"?)' if close else ""
        raise BadSettingsError(
            f'there is no stage "{name}" in the ladder "{self.title}"{hint}; '
            f"its stages are: {', '.join(names)}",
        )


def load_ladder(path: Path | None = None) -> Ladder:
    """Read a ladder file, or the shipped ladder where no path is given.

    Parameters
    ----------
    path : a TOML file.

    Raises
    ------
    BadSettingsError
        The file cannot be read, is not TOML, or has a value that is not allowed. The message names
        line, column and key (for instance ``stages[2].width_steps``).
    """
    if path is None:
        shipped = resources.files("shoegoal.ladder") / "data" / SHIPPED_LADDER
        return parse_ladder(shipped.read_bytes(), SHIPPED_LADDER)
    try:
        content = read_outside(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise BadSettingsError(
            f"{path}: no such ladder file; check the path, or leave it out for the shipped ladder",
        ) from error
    except OSError as error:
        raise BadSettingsError(
            f"{path}: the ladder file cannot be read ({error.strerror}); give a readable TOML file",
        ) from error
    return parse_ladder(content, str(path))


def parse_ladder(content: bytes, file_name: str) -> Ladder:
    """Build a ladder from the bytes of a TOML file; ``file_name`` is for messages only.

    Raises
    ------
    BadSettingsError
        As for `load_ladder`.
    """
    from pydantic import ValidationError

    from shoegoal.ladder.file import LadderTable, complaint_about, read_toml

    tables, text = read_toml(content, file_name)
    try:
        table = LadderTable.model_validate(tables)
    except ValidationError as error:
        raise complaint_about(error.errors(include_url=False), text, file_name) from error
    if twice := table.names_given_twice():
        raise complaint_about(twice, text, file_name)
    return Ladder(
        title=table.title,
        school=table.school,
        rungs=tuple(stage.to_rung(table.ball_size) for stage in table.stages),
    )


def stage_from_options(
    *,
    make: int | None = None,
    of: int | None = None,
    in_a_row: bool = False,
    within_s: float | None = None,
    touches: int | None = None,
    width_steps: float | None = None,
    back_steps: float | None = None,
    ball_size: int = DEFAULT_BALL_SIZE,
) -> Stage:
    """Make a stage that is in no ladder.

    Parameters
    ----------
    make : makes needed; on its own, with as many shots as it takes.
    of : number of shots that count.
    in_a_row : the makes must follow one another.
    within_s : seconds from the first kick.
    touches : dribble touches in a row; not together with ``make``.
    width_steps, back_steps : goal width and kick distance in steps; not with touches.
    ball_size : 3, 4 or 5.

    Raises
    ------
    BadSettingsError
        Options that contradict one another, or a number outside its range.
    """
    rule = _rule_from_options(make, of, in_a_row, within_s, touches)
    return Stage(
        name="own-stage",
        title=rule.sentence,
        rule=rule,
        width_steps=width_steps,
        back_steps=back_steps,
        ball_size=ball_size,
    )


def _rule_from_options(
    make: int | None,
    of: int | None,
    in_a_row: bool,
    within_s: float | None,
    touches: int | None,
) -> StageRule:
    if touches is not None:
        if make is not None or of is not None or in_a_row or within_s is not None:
            raise BadSettingsError(
                "touches cannot be mixed with makes: give touches alone, or make with its options",
            )
        return TouchesInARow(touches)
    if make is None:
        raise BadSettingsError("say what the stage asks: give make (for instance 5) or touches")
    if within_s is not None:
        if of is not None or in_a_row:
            raise BadSettingsError(
                "a timed stage has no number of shots and no row: give make and the time only",
            )
        return MakesInTime(make, within_s)
    if in_a_row:
        return MakesInARow(make, of)
    return FirstMakes(make) if of is None else MakesOfShots(make, of)
