"""The evaluation sets on disk: which there are, and rendering those that are missing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import click

from truth.catalogue import EvaluationSet, chosen
from truth.shelf import Shelved

ROOT = Path(__file__).resolve().parents[1]
CACHE = ROOT / ".cache" / "evaluation"


def choice_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose sets."""
    for option in (
        click.option(
            "--cache",
            type=click.Path(path_type=Path, file_okay=False),
            default=CACHE,
            help="Where clips, truth and results are kept.",
        ),
        click.option("--limit", type=click.IntRange(1), help="At most so many sets."),
        click.option("--split", type=click.Choice(["develop", "report"]), help="One half only."),
        click.option("--only", multiple=True, help="Sets whose name holds this; may be repeated."),
    ):
        command = option(command)
    return command


@click.command()
@choice_options
@click.option("--render", is_flag=True, help="Render what is missing; takes a minute or so a set.")
@click.option("--jobs", type=click.IntRange(1), default=1, help="So many at a time.")
def sets(
    only: tuple[str, ...], split: Any, limit: int | None, cache: Path, render: bool, jobs: int
) -> None:
    """List the evaluation sets, and render those that are missing."""

    def place_of(one: EvaluationSet) -> Shelved:
        return on_shelf(one, cache) if render else Shelved.of(one, cache)

    wanted = chosen(only, split, limit)
    with ThreadPoolExecutor(jobs) as pool:
        for one, place in zip(wanted, pool.map(place_of, wanted), strict=True):
            told = (
                f"yard {one.yard.seed} {one.painter:7} {'there' if place.is_there else 'missing'}"
            )
            click.echo(f"{one.name:40} {one.trouble.nuisance:28} {told}")


def on_shelf(one: EvaluationSet, cache: Path) -> Shelved:
    """Return a set's files, rendered in a process of their own when they are missing."""
    place = Shelved.of(one, cache)
    if not place.is_there:
        click.echo(f"rendering {one.name}", err=True)
        subprocess.run(
            [sys.executable, "-m", "truth.shelf", one.name, "--at", str(cache)],
            check=True,
            stdout=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": str(ROOT / "tests")},
        )
    return place
