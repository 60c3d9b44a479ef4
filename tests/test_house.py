"""The house keeps its order: imports go down, options have one table."""

from __future__ import annotations

import ast
import dataclasses
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any, get_type_hints

import click
import pytest

import shoegoal
from generated import FLOORS, commands_of
from shoegoal.cli.clips import count
from shoegoal.cli.main import cli
from shoegoal.cli.options import OPTIONS, BallWord, FilePath, PixelPoint, flag_of
from shoegoal.scene.ball_size import BallSize
from shoegoal.types import ImagePoint

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "src" / "shoegoal"
MODULES = sorted(PACKAGE.rglob("*.py"))


PUBLIC = frozenset(shoegoal.__all__)  # what lies above the filming check may call them


def _floor(module: str) -> float:
    """Height of the floor that a module lies on; 0 for the plain types and errors below all."""
    parts = module.split(".")
    if len(parts) == 2 and parts[1] in PUBLIC:
        return 1.5 + FLOORS.index("filming_check")
    return 1.0 + FLOORS.index(parts[1]) if len(parts) > 1 and parts[1] in FLOORS else 0.0


def _imports(source: str) -> Iterator[str]:
    """Every module that a source imports, wherever in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield f"{'.' * node.level}{node.module or ''}"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _upward(source: str, floor: float) -> list[str]:
    ours = [name for name in _imports(source) if name.split(".")[0] in ("shoegoal", "")]
    return [name for name in ours if name.startswith(".") or _floor(name) > floor]


def test_the_floors_are_all_there_are() -> None:
    folders = {p.name for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders == set(FLOORS)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down(path: Path) -> None:
    if path in (PACKAGE / "__main__.py", PACKAGE / "__init__.py"):
        return  # the front doors: onto the top floor, and onto the public functions
    module = ".".join(("shoegoal", *path.relative_to(PACKAGE).with_suffix("").parts))
    assert _upward(path.read_text(encoding="utf-8"), _floor(module)) == []


def test_an_import_upwards_would_be_noticed() -> None:
    inside = "def f():\n    from shoegoal.analysis import model\n"
    assert _upward(inside, _floor("shoegoal.clip.reader")) != []
    assert _upward("import shoegoal.cli.main", _floor("shoegoal.types")) != []
    assert _upward("from ..scene import fit", _floor("shoegoal.clip.reader")) != []
    assert _upward("from shoegoal.types import Shot", _floor("shoegoal.clip.reader")) == []


@pytest.mark.parametrize(
    "path",
    [*MODULES, *sorted((ROOT / "tests").rglob("*.py"))],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_every_room_says_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


CLI = {f"shoegoal.cli.{file.stem}" for file in (PACKAGE / "cli").glob("*.py")}
TYPES: dict[type, Any] = {
    click.types.StringParamType: str,
    click.IntRange: int,
    click.FloatRange: float,
    click.Choice: str,
    PixelPoint: ImagePoint,
    BallWord: BallSize,
    FilePath: Path,
}


def test_every_option_has_the_type_that_its_row_gives() -> None:
    """What a command reads of an option is what the table makes of it."""
    kinds = {
        one
        for file in sorted((PACKAGE / "cli").glob("*.py"))
        for one in vars(import_module(f"shoegoal.cli.{file.stem}")).values()
        if isinstance(one, type) and one.__name__.endswith("Options") and one.__module__ in CLI
    }
    assert len(kinds) > 20
    for kind in kinds:
        hints = get_type_hints(kind)
        for one in dataclasses.fields(kind):
            row = OPTIONS[flag_of(one.name)]
            expected: Any = bool if row.kind is None else TYPES[type(row.kind)]
            if row.many:
                expected = tuple[expected, ...]
            elif row.kind is not None and one.default is not dataclasses.MISSING:
                expected |= None
            assert hints[one.name] == expected, f"{kind.__name__}.{one.name}"


def test_no_option_of_the_table_is_unused() -> None:
    used = {option.opts[0] for _, command in commands_of(cli) for option in command.params}
    assert set(OPTIONS) <= used
    assert {"--stage", "--left"} <= {option.opts[0] for option in count.params}


def test_no_file_names_a_place_on_somebodys_machine() -> None:
    own = re.compile(r"(?<![\w.])/(?:home|root|Users|mnt|work)/\w")
    texts = [*MODULES, *(ROOT / "tests").rglob("*.py"), *ROOT.glob("*.md"), *ROOT.glob("*.toml")]
    texts += [*(ROOT / "docs").glob("*.md"), *(ROOT / "docs").glob("*.py")]
    texts += [ROOT / "check", ROOT / ".ci" / "run"]
    for path in texts:
        found = own.search(path.read_text(encoding="utf-8"))
        assert not found, f"{path.relative_to(ROOT)} names {found and found[0]}"
