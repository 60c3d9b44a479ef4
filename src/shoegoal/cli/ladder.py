"""``shoegoal ladder`` and ``shoegoal stages``: whether a ladder is right, and what it asks."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import FilePath, with_options

if TYPE_CHECKING:
    from shoegoal.ladder.ladders import Ladder


@click.group()
def ladder() -> None:
    """Check ladder files: the stages of a class, in TOML."""


@ladder.command()
@click.argument("file", type=FilePath())
def check(file: Path) -> int:
    """Check the ladder FILE and say what it asks.

    Every mistake is named with its line, column and key. Exits 0 when the ladder can be used, 6
    when it has to be corrected first.
    """
    from shoegoal.ladder.ladders import load_ladder

    loaded = load_ladder(file)
    _print_ladder(loaded)
    stages = len(loaded.rungs)
    rounds = len(loaded.all_stages) - stages
    click.echo(
        f"this ladder can be used: {_some(stages, 'stage')}, {_some(rounds, 'second round')}"
    )
    return 0


@click.command()
@with_options("--ladder", "--json")
def stages(ladder: Path | None, json: bool) -> int:
    """List the stages of a ladder."""
    from shoegoal.ladder.ladders import load_ladder

    loaded = load_ladder(ladder)
    if json:
        from shoegoal.analysis.model import plain_ladder

        click.echo(json_text.dumps(plain_ladder(loaded), indent=1, ensure_ascii=False))
    else:
        _print_ladder(loaded)
    return 0


def _print_ladder(ladder: Ladder) -> None:
    from shoegoal.analysis.model import StageRecord
    from shoegoal.ladder.rungs import Advance, Round

    click.echo(ladder.title + (f", {ladder.school}" if ladder.school else ""))
    width = max(len(stage.name) for stage in ladder.all_stages)
    for rung in ladder.rungs:
        for which, stage in rung.rounds:
            if which is Round.STAGE:
                told = StageRecord.of(stage).heading
                if stage.retries is not None:
                    told += f"; {_some(1 + stage.retries, 'try', 'tries')}"
            else:
                told = f"  {which} round: {stage.goal_sentence}"
            click.echo(f"  {stage.name:<{width}}  {told}")
        if rung.advance is not Advance.MET:
            click.echo(f"  {'':<{width}}  climbs on: {rung.advance.sentence}")


def _some(count: int, one: str, many: str | None = None) -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"
