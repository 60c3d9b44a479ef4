"""The ladder file: its keys and ranges, and what to correct in it, with line and column.

Imported only when a file is read, because pydantic is slow to load. Ranges come from
`shoegoal.ladder.rules`. Rules about several keys at once are checked there too: the rule and the
stage are built while pydantic still knows their place in the file.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, TypeAlias

import tree_sitter_toml
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator
from tree_sitter import Language, Node, Parser

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
    Advance,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Round,
    Rung,
    Stage,
    StageRule,
    TouchesInARow,
    second_round,
)
from shoegoal.outside import NestedTooDeepError, parse_toml

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MAX_PROBLEMS_SHOWN = 5
LONGEST_GIVEN = 60  # characters of a wrong value that are shown

_RULE_KINDS = frozenset(
    rule.kind for rule in (FirstMakes, MakesOfShots, MakesInARow, TouchesInARow, MakesInTime)
)
_NO_SUCH_KEY = "extra_forbidden"
# pydantic's kinds of error, in words that say what to write in the file.
_PLAIN_WORDS = {
    _NO_SUCH_KEY: "there is no such key; remove it or check its spelling",
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
# How the TOML grammar names its nodes.
_TABLES = ("table", "table_array_element")
_KEYS = ("bare_key", "quoted_key", "dotted_key")

KeyPath: TypeAlias = tuple[str | int, ...]


def _between(least: float, most: float, unit: str = "") -> AfterValidator:
    """Refuse numbers outside a range and name both ends (pydantic names only one)."""

    def check(number: float) -> float:
        if not least <= number <= most:
            raise ValueError(f"give {least:g} to {most:g}{unit}")
        return number

    return AfterValidator(check)


def _require_printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("it holds a line break or a character that cannot be printed; remove it")
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
        """Build the rule."""
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
        """Build the rule."""
        return FirstMakes(self.makes)


class MakesOfShotsTable(_RuleTable):
    """``kind = "makes-of-shots"``."""

    kind: Literal["makes-of-shots"]
    makes: Count
    shots: Count

    def to_rule(self) -> StageRule:
        """Build the rule."""
        return MakesOfShots(self.makes, self.shots)


class MakesInARowTable(_RuleTable):
    """``kind = "makes-in-a-row"``."""

    kind: Literal["makes-in-a-row"]
    makes: Count
    shots: Count | None = None

    def to_rule(self) -> StageRule:
        """Build the rule."""
        return MakesInARow(self.makes, self.shots)


class TouchesInARowTable(_RuleTable):
    """``kind = "touches-in-a-row"``."""

    kind: Literal["touches-in-a-row"]
    touches: Count

    def to_rule(self) -> StageRule:
        """Build the rule."""
        return TouchesInARow(self.touches)


class MakesInTimeTable(_RuleTable):
    """``kind = "makes-in-time"``."""

    kind: Literal["makes-in-time"]
    makes: Count
    time_s: TimeSeconds

    def to_rule(self) -> StageRule:
        """Build the rule."""
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
        """Build the rung."""
        stage = self.to_stage(default_ball_size)
        return Rung(
            stage=stage,
            harder=None if self.harder is None else self.harder.to_stage(stage, Round.HARDER),
            easier=None if self.easier is None else self.easier.to_stage(stage, Round.EASIER),
            advance=Advance(self.advance),
        )

    def to_stage(self, default_ball_size: int | None = None) -> Stage:
        """Build the stage."""
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
            raise ValueError("the ladder has no stage: give at least one [[stages]] table")
        return stages

    def names_given_twice(self) -> list[ErrorDetails]:
        """Find stages with the name of an earlier one; second rounds have names too."""
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


def read_toml(content: bytes, file_name: str) -> tuple[dict[str, Any], str]:
    """Read a TOML file's bytes; return its tables, and its text.

    Raises
    ------
    BadSettingsError
        It is not UTF-8, or not TOML; file, line and column are named.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[content.rfind(b"\n", 0, error.start) + 1 : error.start]
        line = content.count(b"\n", 0, error.start) + 1
        raise BadSettingsError(
            f"{file_name}, line {line}, column {len(before.decode(errors='replace')) + 1}: "
            "this is not UTF-8 text; save the ladder file as UTF-8",
        ) from error
    try:
        return parse_toml(text), text
    except NestedTooDeepError as error:
        raise BadSettingsError(f"{file_name}: {error} for a ladder; correct the TOML") from error
    except ValueError as error:  # tomllib's, or Python's for a number of thousands of digits
        complaint, line, column = _place_of_syntax_error(str(error), text)
        raise BadSettingsError(
            f"{file_name}, line {line}, column {column}: {complaint}; correct the TOML there",
        ) from error


def complaint_about(details: Sequence[ErrorDetails], text: str, file_name: str) -> BadSettingsError:
    """Turn what pydantic found into one line a mistake, with line, column and key."""
    places = TomlPlaces(text)
    problems = []
    for detail in details[:MAX_PROBLEMS_SHOWN]:
        path = tuple(part for part in detail["loc"] if part not in _RULE_KINDS)
        find = places.of_key if detail["type"] == _NO_SUCH_KEY else places.of_value
        if detail["type"] == "union_tag_invalid":
            path = (*path, "kind")
        line, column = find(path)
        problems.append(f"  line {line}, column {column}: {_describe(detail)}")
    if len(details) > MAX_PROBLEMS_SHOWN:
        problems.append(f"  and {len(details) - MAX_PROBLEMS_SHOWN} more")
    return BadSettingsError(
        "\n".join([f"{file_name}: please correct this ladder file:", *problems])
    )


def _place_of_syntax_error(message: str, text: str) -> tuple[str, int, int]:
    """Take tomllib's message apart; before Python 3.14 it holds the place only as words."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if found:
        return found[1], int(found[2]), int(found[3])
    complaint = message.removesuffix(" (at end of document)")
    return complaint, text.count("\n") + 1, len(text) - (text.rfind("\n") + 1) + 1


def _short(given: float | str) -> str:
    words = repr(given)
    return words if len(words) <= LONGEST_GIVEN else f"{words[:LONGEST_GIVEN]}..."


def _describe(detail: ErrorDetails) -> str:
    """Describe one problem: the key, what is allowed, and what the file has."""
    place = ""
    for part in detail["loc"]:
        if isinstance(part, int):
            place += f"[{part}]"
        elif part in _RULE_KINDS:
            continue  # the branch of pydantic's union, which is not a key of the file
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
        if isinstance(given, (int, float, str)) and kind != _NO_SUCH_KEY:
            message = f"{message}, but it is {_short(given)}"
    return f"{place}: {message}" if place else message


class TomlPlaces:
    """Line and column of every value in a TOML text; tomllib does not keep them.

    Parameters
    ----------
    text : of a file that tomllib can read.
    """

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()
        self._values: dict[KeyPath, Node] = {}
        self._keys: dict[KeyPath, Node] = {}
        tree = Parser(Language(tree_sitter_toml.language())).parse(text.encode())
        self._read(tree.root_node)

    def of_value(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column, from 1, of the value at a path such as ``("stages", 1, "rule")``.

        A missing value is placed at the table that lacks it, or at the file's first character if
        there is no such table.
        """
        return self._place(self._values, path)

    def of_key(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column of the key in front of the value; otherwise as `of_value`."""
        return self._place(self._keys, path)

    def _place(self, nodes: dict[KeyPath, Node], path: Sequence[str | int]) -> tuple[int, int]:
        wanted = tuple(path)
        node = nodes.get(wanted)
        while node is None and wanted:
            wanted = wanted[:-1]
            node = self._values.get(wanted)
        if node is None:
            return 1, 1
        row, byte = node.start_point
        # The grammar counts bytes; an editor counts characters.
        return row + 1, len(self._lines[row].encode()[:byte].decode(errors="replace")) + 1

    def _read(self, document: Node) -> None:
        lengths: dict[KeyPath, int] = {}  # of the arrays of tables
        for node in document.named_children:
            if node.type == "pair":
                self._read_pair((), node)
            if node.type not in _TABLES:
                continue
            key = next(child for child in node.named_children if child.type in _KEYS)
            path: KeyPath = ()
            parts = list(_parts(key))
            for part in parts[:-1]:
                path = _newest(lengths, (*path, part))
            path = (*path, parts[-1])
            if node.type == "table_array_element":
                lengths[path] = lengths.get(path, 0) + 1
                self._values.setdefault(path, node)
                path = _newest(lengths, path)
            self._keys[path] = self._values[path] = node
            for pair in node.named_children:
                if pair.type == "pair":
                    self._read_pair(path, pair)

    def _read_pair(self, table: KeyPath, pair: Node) -> None:
        key, value = (child for child in pair.named_children if child.type != "comment")
        path = (*table, *_parts(key))
        self._keys[path] = key
        self._read_value(path, value)

    def _read_value(self, path: KeyPath, value: Node) -> None:
        self._values[path] = value
        children = [child for child in value.named_children if child.type != "comment"]
        if value.type == "inline_table":
            for pair in children:
                self._read_pair(path, pair)
        elif value.type == "array":
            for place, child in enumerate(children):
                self._read_value((*path, place), child)


def _parts(key: Node) -> Iterator[str]:
    """Yield the parts of a key, with quotes and escapes undone."""
    if key.type == "dotted_key":
        for child in key.named_children:
            yield from _parts(child)
        return
    words = (key.text or b"").decode()
    (name,) = tomllib.loads(f"{words} = 0") if key.type == "quoted_key" else (words,)
    yield name


def _newest(lengths: dict[KeyPath, int], path: KeyPath) -> KeyPath:
    """Return the path, or that of its newest table if it is an array of tables."""
    return (*path, lengths[path] - 1) if path in lengths else path
