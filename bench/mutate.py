"""What each number is good for: ``python bench mutate``.

Every learnt number and every named constant of the rooms that recognise shots is changed by a
factor, one at a time, and the sets' evidence is counted again. A number whose change alters no
call, no chance by more than a hundredth, and nothing that was left out, is told: it may go.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import repeat
from pathlib import Path
from types import ModuleType
from typing import Any

import click
import numpy as np

from from_evidence import count_of
from shoegoal.shots import ground, judge, weights

ROOMS = (
    "ball.free_motion",
    "shots.segments",
    "shots.story",
    "shots.ground",
    "shots.runs",
    "shots.crossing",
    "shots.events",
    "shots.judge",
)
LEARNT = ("ball", "link", "shot", "unseen")
CHANGED_P = 0.01

Place = tuple[str, str, int]  # room or "weights", name, number in a tuple or array


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--factor", type=click.FloatRange(1.01), default=1.4, show_default=True)
@click.option("--sets", "count", type=click.IntRange(1), default=8, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Chooses the sets.")
@click.option("--jobs", type=click.IntRange(1), default=1)
def mutate(folder: Path, factor: float, count: int, seed: int, jobs: int) -> None:
    """Change every number by a factor and say which change nothing on FOLDER's evidence."""
    files = sorted(folder.glob("*.json.gz"))
    if not files:
        raise click.ClickException(f"{folder} holds no evidence; make some with bench evidence")
    rng = np.random.default_rng(seed)
    chosen = [files[k] for k in sorted(rng.permutation(len(files))[:count])]
    with ProcessPoolExecutor(jobs) as pool:
        plain = list(pool.map(count_of, chosen))
        places = list(numbers())
        survived = []
        work = pool.map(changes, places, repeat(factor), repeat(chosen), repeat(plain))
        for place, changed in zip(places, work, strict=True):
            click.echo(f"{'.'.join(map(str, place)):44} {'changed' if changed else 'NOTHING'}")
            survived += [] if changed else [place]
    killed = len(places) - len(survived)
    click.echo(f"{killed} of {len(places)} changes showed ({killed / len(places):.0%})")


def numbers() -> Iterator[Place]:
    """Yield the place of every number."""
    for name in LEARNT:
        for k in range(len(getattr(weights.shipped_weights(), name))):
            yield "weights", name, k
    for room in ROOMS:
        module = importlib.import_module(f"shoegoal.{room}")
        for name, value in vars(module).items():
            if name.isupper() and isinstance(value, float) and np.isfinite(value):
                yield room, name, 0


def changes(place: Place, factor: float, files: list[Path], plain: list[dict[str, Any]]) -> bool:
    """Whether counts differ once one number is changed."""
    room, name, k = place
    if room == "weights":
        shipped = weights.shipped_weights()
        changed = np.array(getattr(shipped, name))
        changed[k] *= factor
        fields: dict[str, Any] = {name: changed}
        tried = replace(shipped, **fields)
        modules: list[ModuleType] = [judge, ground]
        with _Swapped(modules, "shipped_weights", lambda: tried):
            return _differ(files, plain)
    every = [importlib.import_module(f"shoegoal.{r}") for r in ROOMS]
    modules = [m for m in every if hasattr(m, name)]
    with _Swapped(modules, name, getattr(modules[0], name) * factor):
        return _differ(files, plain)


def _differ(files: list[Path], plain: list[dict[str, Any]]) -> bool:
    for file, before in zip(files, plain, strict=True):
        after = count_of(file)
        if after["refused"] != before["refused"]:
            return True
        if before["refused"]:
            continue
        shots = [
            [(s["call"], s["outcome"], s["reason"]) for s in count["shots"]]
            for count in (before, after)
        ]
        if shots[0] != shots[1] or len(before["left_out"]) != len(after["left_out"]):
            return True
        for one, other in zip(before["shots"], after["shots"], strict=True):
            if abs(one["p_make"] - other["p_make"]) > CHANGED_P:
                return True
    return False


class _Swapped:
    """Give some modules another value of a name for a while."""

    def __init__(self, modules: list[ModuleType], name: str, value: Any) -> None:
        self._modules, self._name, self._value = modules, name, value
        self._old = [getattr(module, name) for module in modules]

    def __enter__(self) -> None:
        for module in self._modules:
            setattr(module, self._name, self._value)

    def __exit__(self, *_: object) -> None:
        for module, old in zip(self._modules, self._old, strict=True):
            setattr(module, self._name, old)
