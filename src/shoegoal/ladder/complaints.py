"""What is wrong in a ladder file, where, and what to write instead: one line a mistake."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import (
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    TouchesInARow,
)
from shoegoal.outside import NestedTooDeepError, parse_toml

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MAX_PROBLEMS_SHOWN = 5
LONGEST_GIVEN = 60  # letters of a wrong value that are shown

_RULE_KINDS = frozenset(
    rule.kind for rule in (FirstMakes, MakesOfShots, MakesInARow, TouchesInARow, MakesInTime)
)
_NO_SUCH_KEY = "extra_forbidden"
# pydantic's kinds of error, in words that say what to write in the file.
_PLAIN_WORDS = {
    _NO_SUCH_KEY: "there is no such key; take it out or check its spelling",
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


def read_toml(content: bytes, file_name: str) -> tuple[dict[str, Any], str]:
    """Read a TOML file's bytes; return its tables, and its text.

    Raises
    ------
    BadSettingsError
        It is not UTF-8 or no TOML; file, line and column are named.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[content.rfind(b"\n", 0, error.start) + 1 : error.start]
        line = content.count(b"\n", 0, error.start) + 1
        raise BadSettingsError(
            f"{file_name}, line {line}, column {len(before.decode(errors='replace')) + 1}: "
            "this is not UTF-8 text; save the ladder file as UTF-8.",
        ) from error
    try:
        return parse_toml(text), text
    except NestedTooDeepError as error:
        raise BadSettingsError(f"{file_name}: {error} for a ladder; correct the TOML.") from error
    except ValueError as error:  # tomllib's own, or Python's for a number of thousands of digits
        complaint, line, column = _place_of_syntax_error(str(error), text)
        raise BadSettingsError(
            f"{file_name}, line {line}, column {column}: {complaint}; correct the TOML there.",
        ) from error


def complaint_about(details: Sequence[ErrorDetails], text: str, file_name: str) -> BadSettingsError:
    """Word what pydantic found: a line for each mistake with its line, column and key."""
    from shoegoal.ladder.toml_places import TomlPlaces

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
    """Take apart tomllib's message, which holds the place only as words before Python 3.14."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if found:
        return found[1], int(found[2]), int(found[3])
    complaint = message.removesuffix(" (at end of document)")
    return complaint, text.count("\n") + 1, len(text) - (text.rfind("\n") + 1) + 1


def _short(given: float | str) -> str:
    words = repr(given)
    return words if len(words) <= LONGEST_GIVEN else f"{words[:LONGEST_GIVEN]}..."


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
        if isinstance(given, (int, float, str)) and kind != _NO_SUCH_KEY:
            message = f"{message}, but it is {_short(given)}"
    return f"{place}: {message}" if place else message
