"""Files from outside damaged in every way: values, structure, bytes, names, sizes."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, cast

from click.testing import CliRunner
from sqlalchemy import Connection

from attack_clips import mutated
from class_books import CLASS
from record_books import analysis_of
from shoegoal.analysis.file import analysis_to_json, load_analysis
from shoegoal.cli.main import cli
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import detail, load_sets
from shoegoal.scale.assignments import read_manifest
from shoegoal.scale.results import class_results
from shoegoal.scene.calibration import read_calibration
from shoegoal.scene.lens import read_lens

ROOT = Path(__file__).resolve().parents[1]
INTO_A_CLASS_EVERY = 5  # analyses that are read are also brought into a class
BY_COMMAND_EVERY = 20
VALUES: tuple[Any, ...] = (
    None, True, "", "x", "\x1b[2J", "\ud800", "nan", [], {}, [[]], 0, -1, 1, 2**31, 2**53, 10**30,
    -(10**30), 0.5, 1e308, -1e308, 1e-300, 1e15, float("nan"), float("inf"), "../x", "/etc/passwd",
    "a" * 100_000, [0] * 5_000, {"a": {"a": {"a": 1}}},
)  # fmt: skip


def meet_file(seed: int, case: int, folder: Path) -> str:
    """Damage a file and read it."""
    chance = random.Random(f"{seed} {case}")
    kind, (suffix, content, read) = list(_sources().items())[case % len(_sources())]
    path = folder / f"file.{suffix}"
    path.write_bytes(_damaged(content, suffix, chance))
    if case % BY_COMMAND_EVERY < len(_sources()):
        _by_command(kind, path)
    return f"{kind}: {read(path)}"[:100]


def _by_command(kind: str, path: Path) -> None:
    commands = {
        "analysis": ["show", str(path)],
        "ladder": ["ladder", "check", str(path)],
        "manifest": None,
    }
    command = commands.get(kind)
    if command is None:
        return
    done = CliRunner().invoke(cli, command)
    if done.exit_code not in (0, 3, 6):
        raise AssertionError(f"{command} ended with {done.exit_code}: {done.output[:200]}")
    if set(done.output) & set("\x1b\x07\x9b"):
        raise AssertionError(f"{command} printed orders to the terminal")


Source = tuple[str, bytes, Callable[[Path], object]]


@cache
def _sources() -> dict[str, Source]:
    ladder = ROOT / "src" / "shoegoal" / "ladder" / "data" / "back_garden.toml"
    analysis = analysis_to_json(analysis_of("yard.mp4")[0]).encode()
    shipped = sorted((ROOT / "calibration").glob("*.toml"))
    written = {path.stem: path.read_bytes() for path in shipped}
    calibration = next(text for text in written.values() if b"shoegoal calibration" in text)
    lens = next(text for text in written.values() if b"shoegoal lens" in text)
    rows = "".join(f"clip{n}.mp4,Otter {n},{_stage_name()}\n" for n in range(40))
    manifest = f"clip,pupil,stage\n{rows}".encode()
    return {
        "analysis": ("json", analysis, _analysis),
        "ladder": ("toml", ladder.read_bytes(), load_ladder),
        "calibration": ("toml", calibration, read_calibration),
        "lens": ("toml", lens, read_lens),
        "manifest": ("csv", manifest, lambda p: len(read_manifest(p, p.parent, load_ladder()))),
    }


def _stage_name() -> str:
    return load_ladder().all_stages[0].name


def _analysis(path: Path) -> str:
    analysis = load_analysis(path)
    if random.random() * INTO_A_CLASS_EVERY > 1:
        return "read"
    # All of it inside a transaction that is rolled back.
    with _scratch_book(path.parent).writing() as connection:
        file_count(connection, analysis, Path("nowhere") / "x", class_name=CLASS)
        for history in load_sets(connection):
            detail(history, history.status(analysis), analysis)
        class_results(cast(Book, _Moment(connection)), CLASS, load_ladder())
        connection.rollback()
    return "read, and a class with it"


@cache
def _scratch_book(folder: Path) -> Book:
    return Book(str(folder / "book.sqlite3"))


class _Moment:
    """A book as an open transaction sees it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        yield self._connection


def _damaged(content: bytes, suffix: str, chance: random.Random) -> bytes:
    if chance.random() < 0.4:
        return mutated(content, chance)
    if suffix == "json":
        return _damaged_json(content, chance)
    return _damaged_lines(content, chance)


def _damaged_json(content: bytes, chance: random.Random) -> bytes:
    plain = copy.deepcopy(json.loads(content))
    for _ in range(chance.choice((1, 1, 2, 5))):
        parts = [plain]
        while isinstance(parts[-1], (dict, list)) and parts[-1] and chance.random() < 0.85:
            at = parts[-1]
            parts.append(at[chance.choice(list(at) if isinstance(at, dict) else range(len(at)))])
        holder = next((p for p in reversed(parts) if isinstance(p, (dict, list)) and p), plain)
        key = chance.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        match chance.choice(("value", "value", "value", "drop", "double", "extra")):
            case "value":
                holder[key] = copy.deepcopy(chance.choice(VALUES))
            case "drop":
                del holder[key]
            case "double" if isinstance(holder, list):
                holder.append(copy.deepcopy(holder[key]))
            case _ if isinstance(holder, dict):
                holder["extra" * chance.choice((1, 1000))] = chance.choice(VALUES)
    return json.dumps(plain).encode("utf-8", errors="surrogatepass")


def _damaged_lines(content: bytes, chance: random.Random) -> bytes:
    lines = content.decode().splitlines()
    for _ in range(chance.choice((1, 1, 2, 5))):
        at = chance.randrange(max(1, len(lines)))
        value = chance.choice(VALUES)
        words = str(value) if chance.random() < 0.5 else json.dumps(value)
        match chance.choice(("value", "value", "drop", "double", "deep", "insert")):
            case "value" if lines:
                name, sep, _ = lines[at].partition("=" if "=" in lines[at] else ",")
                lines[at] = f"{name}{sep} {words}"
            case "drop" if lines:
                del lines[at]
            case "double" if lines:
                lines.insert(at, lines[at])
            case "deep":
                deep = chance.choice((10, 1_000, 30_000))
                lines.insert(
                    at,
                    chance.choice(
                        (
                            "a." * deep + "a = 1",
                            "a = " + "[" * deep,
                            "[" + "a." * deep + "a]",
                            "," * deep,
                            '"' * deep,
                        )
                    ),
                )
            case _:
                lines.insert(at, words)
    return "\n".join(lines).encode("utf-8", errors="surrogatepass")
