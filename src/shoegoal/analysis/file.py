"""The analysis file: written whole or not at all, checked when it is read."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from shoegoal.analysis.model import FORMAT_VERSION, Analysis
from shoegoal.errors import BadSettingsError, OutputError
from shoegoal.outside import is_plain_name, read_outside
from shoegoal.types import EventKind
from shoegoal.written import write_whole

if TYPE_CHECKING:
    from pydantic import TypeAdapter
    from pydantic_core import ErrorDetails

ANALYSIS_FILE_NAME = "analysis.json"
OLDEST_VERSION = 3  # it keeps no evidence; all else that it lacks has its default
MAX_PROBLEMS_SHOWN = 5
MAX_BYTES = 32_000_000  # a count of ten minutes of film, evidence included, takes about 5 MB
MAX_PARTS = 1_500_000  # each of them takes some hundred bytes of memory once it is read
# Far beyond any clip or garden, and its square is still a number.
LARGEST_NUMBER, LARGEST_WHOLE = 1e15, 10**15
_COUNT_AGAIN = "count the clip again"


def analysis_to_json(analysis: Analysis) -> str:
    """Write an analysis as indented JSON text (RFC 8259), ending in a line feed.

    Raises
    ------
    OutputError
        A value is no finite number; JSON has no way to write it.
    """
    plain = _adapter().dump_python(analysis, mode="json")
    place = _place_of(plain, lambda value: isinstance(value, float) and not math.isfinite(value))
    if place is not None:
        raise OutputError(
            f"the analysis holds no finite number at {place}, so nothing was written; "
            "this is a fault of shoegoal, please report it with the clip's name"
        )
    return json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def analysis_from_json(content: bytes, file_name: str) -> Analysis:
    """Build an analysis from the bytes of an analysis file; ``file_name`` is for messages only.

    A file of an older format gives what this version would have written of that count.

    Raises
    ------
    BadSettingsError
        Not JSON (line and column are named), not an analysis, of another format version, or with
        a value that an analysis cannot have (its place is named).
    """
    from pydantic import ValidationError

    if content.count(b",") + content.count(b"[") + content.count(b"{") > MAX_PARTS:
        raise BadSettingsError(f"{file_name} holds more than any count does; {_COUNT_AGAIN}")
    plain = _parsed(content, file_name)
    _check_version(plain, file_name)
    try:
        # Strict JSON mode: no "12" for 12, but enums from their words and tuples from lists.
        analysis = _adapter().validate_json(content, strict=True, extra="forbid")
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=False)
        lines = [f"  {_describe(detail)}" for detail in details[:MAX_PROBLEMS_SHOWN]]
        if len(details) > MAX_PROBLEMS_SHOWN:
            lines.append(f"  and {len(details) - MAX_PROBLEMS_SHOWN} more")
        raise BadSettingsError(
            "\n".join([f"{file_name}: this analysis file is damaged; {_COUNT_AGAIN}:", *lines])
        ) from error
    absurd = _place_of(plain, _is_absurd)
    if absurd is not None:
        raise BadSettingsError(
            f"{file_name}: this analysis file is damaged; {_COUNT_AGAIN}:\n"
            f"  {absurd}: no count gives so large a number"
        )
    _check_sense(analysis, file_name)
    return replace(analysis, format_version=FORMAT_VERSION)


def save_analysis(path: Path, analysis: Analysis) -> None:
    """Write an analysis file; the file is the old one or the new one, never half of either.

    Raises
    ------
    OutputError
        The file cannot be written, or the analysis holds a value that is not a number.
    """
    content = analysis_to_json(analysis).encode()
    try:
        write_whole(path, content)
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written ({error.strerror or error}); "
            "check the folder and the free space, or name another place with --out"
        ) from error


def load_analysis(path: Path) -> Analysis:
    """Read an analysis file, or the one in a folder that `count` wrote.

    Raises
    ------
    BadSettingsError
        It cannot be read, or as for `analysis_from_json`.
    """
    file = path / ANALYSIS_FILE_NAME if path.is_dir() else path
    try:
        content = read_outside(file, MAX_BYTES)
    except FileNotFoundError as error:
        raise BadSettingsError(
            f"{file} does not exist; name the {ANALYSIS_FILE_NAME} or the folder that "
            "shoegoal count wrote"
        ) from error
    except OSError as error:
        raise BadSettingsError(
            f"{file} cannot be read ({error.strerror or error}); "
            f"name the {ANALYSIS_FILE_NAME} that shoegoal count wrote"
        ) from error
    return analysis_from_json(content, str(file))


@cache
def _adapter() -> TypeAdapter[Analysis]:
    from pydantic import TypeAdapter

    return TypeAdapter(Analysis)


def _is_absurd(value: object) -> bool:
    if isinstance(value, float):
        return abs(value) > LARGEST_NUMBER
    return isinstance(value, int) and abs(value) > LARGEST_WHOLE


def _place_of(plain: object, is_wanted: Callable[[object], bool], place: str = "") -> str | None:
    """Find the first value of a kind in plain JSON, and say where it stands."""
    if isinstance(plain, dict):
        parts = ((f"{place}.{key}" if place else str(key), value) for key, value in plain.items())
    elif isinstance(plain, (list, tuple)):
        parts = ((f"{place}[{position}]", value) for position, value in enumerate(plain))
    else:
        return place if is_wanted(plain) else None
    return next((found for at, value in parts if (found := _place_of(value, is_wanted, at))), None)


def _parsed(content: bytes, file_name: str) -> Any:
    def refuse(word: str) -> NoReturn:
        raise BadSettingsError(
            f"{file_name}: {word} is not a number that JSON knows, so the file is damaged; "
            f"{_COUNT_AGAIN}"
        )

    try:
        return json.loads(content, parse_constant=refuse)
    except json.JSONDecodeError as error:
        raise BadSettingsError(
            f"{file_name}, line {error.lineno}, column {error.colno}: this is not the whole of an "
            f"analysis file ({error.msg}); {_COUNT_AGAIN}"
        ) from error
    except (ValueError, RecursionError) as error:  # not text, or nested without end
        raise BadSettingsError(
            f"{file_name} is not an analysis file; name the {ANALYSIS_FILE_NAME} that "
            "shoegoal count wrote"
        ) from error


def _check_version(plain: object, file_name: str) -> None:
    version = plain.get("format_version") if isinstance(plain, dict) else None
    if not isinstance(version, int) or isinstance(version, bool):
        raise BadSettingsError(
            f"{file_name} is not an analysis file (it names no format_version); name the "
            f"{ANALYSIS_FILE_NAME} that shoegoal count wrote"
        )
    if version > FORMAT_VERSION:
        raise BadSettingsError(
            f"{file_name} was written by a newer shoegoal (format {version}, this one reads "
            f"{FORMAT_VERSION}); update shoegoal"
        )
    if version < OLDEST_VERSION:
        raise BadSettingsError(
            f"{file_name} has the old format {version}, this shoegoal reads {OLDEST_VERSION} to "
            f"{FORMAT_VERSION}; {_COUNT_AGAIN}"
        )


def _check_sense(analysis: Analysis, file_name: str) -> None:
    """Refuse what the types allow and a count never gives."""
    complaint = None
    try:
        analysis.stage.to_stage()
    except (ValueError, BadSettingsError) as error:
        complaint = f"stage: {error}"
    for position, shot in enumerate(analysis.shots):
        if shot.number != position + 1:
            complaint = f"shots[{position}].number: it must be {position + 1}, not {shot.number}"
        elif not 0.0 <= shot.p_make <= 1.0:
            complaint = f"shots[{position}].p_make: it must lie from 0 to 1, not be {shot.p_make}"
        elif not 0.0 <= shot.p_shot <= 1.0:
            complaint = f"shots[{position}].p_shot: it must lie from 0 to 1, not be {shot.p_shot}"
        elif position and shot.kick_time_s < analysis.shots[position - 1].kick_time_s:
            complaint = f"shots[{position}].kick_time_s: it lies before the kick of the shot above"
    if not is_plain_name(analysis.clip.name):
        complaint = "clip.name: it must be the name of a file, without a folder"
    if not 0.5 < analysis.verdict.confidence <= 1.0:
        complaint = "verdict.confidence: it must lie above 0.5 and up to 1"
    looks = analysis.verdict.looks
    if looks is not None and not all(1 <= n <= len(analysis.shots) for n in looks.shots):
        complaint = "verdict.looks.shots: it names a shot that is not there"
    counted = [shot for shot in analysis.shots if shot.kind is not EventKind.LOSS]
    losses = len(analysis.shots) - len(counted)
    if analysis.tally.shots != min(analysis.verdict.shots_counted - losses, len(counted)):
        complaint = "tally: it does not count as many shots as the verdict rests on"
    if complaint:
        raise BadSettingsError(
            f"{file_name}: this analysis file is damaged; {_COUNT_AGAIN}:\n  {complaint}"
        )


def _describe(detail: ErrorDetails) -> str:
    place = ""
    for part in detail["loc"]:
        place += f"[{part}]" if isinstance(part, int) else f".{part}" if place else part
    return f"{place}: {detail['msg'].removeprefix('Value error, ')}"
