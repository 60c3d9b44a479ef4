"""What each number is good for: ``python bench mutate``.

Every learnt number and every named constant of the rooms that recognise shots is changed by a
factor, up and down, one at a time, and the sets' evidence is counted again. A number survives if
that alters no call, no reason, no chance by more than a hundredth and nothing that was left out:
it may go, or a test has to fix what it is good for. What the camera's own pictures decide is kept
in the evidence and not tried here.
"""

from __future__ import annotations

import ast
import importlib
import inspect
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import repeat
from pathlib import Path
from typing import Any

import click
import numpy as np

from from_evidence import count_of
from shoegoal.shots import ground, judge, weights

ROOMS = (
    "ball.free_motion",
    "scene.fit",
    "scene.goal",
    "scene.ground",
    "scene.posterior",
    "shots.segments",
    "shots.rebounds",
    "shots.story",
    "shots.ground",
    "shots.runs",
    "shots.crossing",
    "shots.events",
    "shots.judge",
    "pipeline.judging",
)
LEARNT = ("ball", "link", "shot", "unseen")
CHANGED_P = 0.01

Place = tuple[str, str, int]  # room or "weights", name, number in a tuple or array


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--factor", type=click.FloatRange(1.01), default=1.4, show_default=True)
@click.option("--sets", "count", type=click.IntRange(1), default=24, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Chooses the sets.")
@click.option("--jobs", type=click.IntRange(1), default=1)
@click.option("--only", default="", help="Only numbers whose place holds this text.")
def mutate(folder: Path, factor: float, count: int, seed: int, jobs: int, only: str) -> None:
    """Change every number by a factor and say which change nothing on FOLDER's evidence."""
    files = sorted(folder.glob("*.json.gz"))
    if not files:
        raise click.ClickException(f"{folder} holds no evidence; make some with bench evidence")
    rng = np.random.default_rng(seed)
    chosen = [files[k] for k in sorted(rng.permutation(len(files))[:count])]
    places = [place for place in numbers() if only in place_name(place)]
    with ProcessPoolExecutor(jobs) as pool:
        before = list(pool.map(count_of, chosen))
        survived = 0
        work = pool.map(changes, places, repeat(factor), repeat(chosen), repeat(before))
        for place, changed in zip(places, work, strict=True):
            click.echo(f"{place_name(place):44} {changed or 'NOTHING'}")
            survived += not changed
    killed = len(places) - survived
    click.echo(f"{killed} of {len(places)} changes showed ({killed / max(1, len(places)):.0%})")


def place_name(place: Place) -> str:
    return ".".join(map(str, place))


def numbers() -> Iterator[Place]:
    """Yield the place of every learnt number, and of every constant where it is defined."""
    for name in LEARNT:
        for k in range(len(getattr(weights.shipped_weights(), name))):
            yield "weights", name, k
    for room in ROOMS:
        module = importlib.import_module(f"shoegoal.{room}")
        for node in ast.parse(inspect.getsource(module)).body:
            if not (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)):
                continue
            name = node.targets[0].id
            for k, number in enumerate(_numbers_in(getattr(module, name))):
                if np.isfinite(number) and number != 0:
                    yield room, name, k


def _numbers_in(value: object) -> Sequence[float]:
    if isinstance(value, float):
        return (value,)
    if isinstance(value, tuple) and all(isinstance(part, float) for part in value):
        return value
    return ()  # counts of rounds, draws and pictures say how long to work


def changes(place: Place, factor: float, files: list[Path], before: list[dict[str, Any]]) -> str:
    """Say in which direction and on which set counts differ first; empty where on none."""
    for file, count in zip(files, before, strict=True):
        for by, direction in ((factor, "up"), (1 / factor, "down")):
            with _swapped(place, by):
                after = count_of(file)
            if _differ(count, after):
                return f"{direction}, {file.name.split('.')[0]}"
    return ""


def _differ(before: dict[str, Any], after: dict[str, Any]) -> bool:
    if before["refused"] or after["refused"]:
        return bool(before["refused"] != after["refused"])
    shots = [
        [(s["call"], s["outcome"], s["reason"]) for s in count["shots"]]
        for count in (before, after)
    ]
    if shots[0] != shots[1] or len(before["left_out"]) != len(after["left_out"]):
        return True
    return any(
        abs(one["p_make"] - other["p_make"]) > CHANGED_P
        for one, other in zip(before["shots"], after["shots"], strict=True)
    )


def _swapped(place: Place, by: float) -> _Swapped:
    room, name, k = place
    if room == "weights":
        shipped = weights.shipped_weights()
        changed = np.array(getattr(shipped, name))
        changed[k] *= by
        fields: dict[str, Any] = {name: changed}
        tried = replace(shipped, **fields)
        return _Swapped([judge, ground], "shipped_weights", lambda: tried)
    value = getattr(importlib.import_module(f"shoegoal.{room}"), name)
    if isinstance(value, tuple):
        new: Any = tuple(part * by if i == k else part for i, part in enumerate(value))
    else:
        new = value * by
    modules = [importlib.import_module(f"shoegoal.{other}") for other in ROOMS]
    return _Swapped([m for m in modules if getattr(m, name, None) is value], name, new)


class _Swapped:
    """Give some modules another value of a name for a while."""

    def __init__(self, modules: list[Any], name: str, value: Any) -> None:
        self._modules, self._name, self._value = modules, name, value
        self._old = [getattr(module, name) for module in modules]

    def __enter__(self) -> None:
        for module in self._modules:
            setattr(module, self._name, self._value)

    def __exit__(self, *_: object) -> None:
        for module, old in zip(self._modules, self._old, strict=True):
            setattr(module, self._name, old)
