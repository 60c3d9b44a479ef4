"""Ladders: reading them from TOML, finding a stage by name, and making one up from options."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import (
    DEFAULT_BALL_SIZE,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Stage,
    StageRule,
    TouchesInARow,
)

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

SHIPPED_LADDER = "back_garden.toml"
MAX_PROBLEMS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Ladder:
    """Stages in the order in which a pupil climbs them.

    Attributes
    ----------
    title : printed name of the ladder.
    school : printed name of the school, or None.
    stages : at least one, names unique.
    """

    title: str
    school: str | None
    stages: tuple[Stage, ...]

    def stage_by_name(self, name: str) -> Stage:
        """Find a stage; capitals and surrounding blanks do not matter.

        Raises
        ------
        BadSettingsError
            No stage has that name; the message lists the names and the closest one.
        """
        wanted = name.strip().casefold()
        names = [stage.name for stage in self.stages]
        for stage in self.stages:
            if stage.name.casefold() == wanted:
                return stage
        close = difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)
        hint = f' Did you mean "{close[0]}"?' if close else ""
        raise BadSettingsError(
            f'There is no stage "{name}" in the ladder "{self.title}".{hint} '
            f"Its stages are: {', '.join(names)}.",
        )

    def stage_after(self, stage: Stage) -> Stage | None:
        """Return the stage a pupil advances to, or None from the last one."""
        position = self.stages.index(self.stage_by_name(stage.name))
        return self.stages[position + 1] if position + 1 < len(self.stages) else None


def load_ladder(path: Path | None = None) -> Ladder:
    """Read a ladder file, or the shipped ladder where no path is given.

    Parameters
    ----------
    path : a TOML file.

    Raises
    ------
    BadSettingsError
        The file cannot be read, is no TOML (line and column are named) or holds a value that a
        ladder cannot have (its key is named, for instance ``stages[2].width_steps``).
    """
    if path is None:
        shipped = resources.files("shoegoal.ladder") / "data" / SHIPPED_LADDER
        return parse_ladder(shipped.read_bytes(), SHIPPED_LADDER)
    try:
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise BadSettingsError(
            f"{path}: no such ladder file; check the path, or leave it out for the shipped ladder.",
        ) from error
    except OSError as error:
        raise BadSettingsError(
            f"{path}: the ladder file cannot be read ({error.strerror}); "
            "give a readable TOML file.",
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

    from shoegoal.ladder.schema import LadderTable

    try:
        table = LadderTable.model_validate(_read_toml(content, file_name))
    except ValidationError as error:
        details = error.errors(include_url=False)
        problems = [f"  {_describe(detail)}" for detail in details[:MAX_PROBLEMS_SHOWN]]
        if len(details) > MAX_PROBLEMS_SHOWN:
            problems.append(f"  and {len(details) - MAX_PROBLEMS_SHOWN} more")
        raise BadSettingsError(
            "\n".join([f"{file_name}: please correct this ladder file:", *problems]),
        ) from error
    return Ladder(
        title=table.title,
        school=table.school,
        stages=tuple(stage.to_stage(table.ball_size) for stage in table.stages),
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
    """Make up a stage that stands in no ladder.

    Parameters
    ----------
    make : makes needed; alone it means as many shots as it takes.
    of : number of shots that count.
    in_a_row : the makes must follow one another.
    within_s : seconds from the first kick.
    touches : dribble touches in a row; stands alone.
    width_steps, back_steps : goal width and kick distance in steps; not for touches.
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
                "touches cannot be mixed with makes: give touches alone, or make with its options.",
            )
        return TouchesInARow(touches)
    if make is None:
        raise BadSettingsError("Say what the stage asks: give make (for instance 5) or touches.")
    if within_s is not None:
        if of is not None or in_a_row:
            raise BadSettingsError(
                "a timed stage has no number of shots and no row: give make and the time only.",
            )
        return MakesInTime(make, within_s)
    if in_a_row:
        return MakesInARow(make, of)
    return FirstMakes(make) if of is None else MakesOfShots(make, of)


def _read_toml(content: bytes, file_name: str) -> dict[str, Any]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
        raise BadSettingsError(
            f"{file_name}, line {line}, column {column}: this is not UTF-8 text; "
            "save the ladder file as UTF-8.",
        ) from error
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        complaint, line, column = _place_of_syntax_error(str(error), text)
        raise BadSettingsError(
            f"{file_name}, line {line}, column {column}: {complaint}; correct the TOML there.",
        ) from error


def _place_of_syntax_error(message: str, text: str) -> tuple[str, int, int]:
    """Take apart tomllib's message, which holds the place only as words before Python 3.14."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if found:
        return found[1], int(found[2]), int(found[3])
    complaint = message.removesuffix(" (at end of document)")
    return complaint, text.count("\n") + 1, len(text) - (text.rfind("\n") + 1) + 1


def _describe(detail: ErrorDetails) -> str:
    """One problem: the key's path, what is allowed, and what stands there."""
    place = ""
    for part in detail["loc"]:
        if isinstance(part, int):
            place += f"[{part}]"
        elif part in _RULE_KINDS:
            continue  # pydantic names the union's branch here, which is no key of the file
        else:
            place += f".{part}" if place else part
    message = detail["msg"].removeprefix("Value error, ")
    given = detail["input"]
    kind = detail["type"]
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        place += ".kind"
        message = f"give one of {', '.join(sorted(_RULE_KINDS))}"
    else:
        message = _PLAIN_WORDS.get(kind, message)
        if isinstance(given, (int, float, str)) and kind != "extra_forbidden":
            message = f"{message}, but it is {given!r}"
    return f"{place}: {message}" if place else message


_RULE_KINDS = frozenset(
    rule.kind for rule in (FirstMakes, MakesOfShots, MakesInARow, TouchesInARow, MakesInTime)
)
# pydantic's kinds of error, in words that say what to write in the file.
_PLAIN_WORDS = {
    "extra_forbidden": "there is no such key; take it out or check its spelling",
    "missing": "this key is missing",
    "int_type": "give a whole number",
    "float_type": "give a number",
    "string_type": "give text in quotes",
    "string_too_short": "give at least one letter",
    "string_pattern_mismatch": "give small letters, digits and dashes only",
    "model_type": "give a table, for instance { ... }",
    "model_attributes_type": "give a table, for instance { ... }",
    "list_type": "give [[stages]] tables",
}
