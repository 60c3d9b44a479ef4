"""What a set is prepared with: ``ladder``, ``stages``, ``card`` and ``cautions``."""

from __future__ import annotations

import json as json_text
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.card.cautions import CAUTIONS
from shoegoal.cli.options import Commands, FilePath, meaning, with_options

if TYPE_CHECKING:
    from shoegoal.ladder.ladders import Ladder

CARD_KINDS = (".pdf", ".html")


@click.group(cls=Commands)
def ladder() -> None:
    """Check ladder files: the stages of a class, in TOML."""


@ladder.command()
@click.argument("file", type=FilePath())
def check(file: Path) -> int:
    """Check the ladder FILE and say what it asks.

    Names every mistake with its line, column and key. Exits 0 when the ladder can be used, and 6
    when it must be corrected first.
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


@dataclass(frozen=True, kw_only=True)
class StagesOptions:
    """Options of ``stages``."""

    ladder: Path | None = None
    json: bool = False


@click.command()
@with_options(StagesOptions)
def stages(given: StagesOptions) -> int:
    """List the stages of a ladder."""
    from shoegoal.ladder.ladders import load_ladder

    loaded = load_ladder(given.ladder)
    if given.json:
        from shoegoal.analysis.model import serialise_ladder

        click.echo(json_text.dumps(serialise_ladder(loaded), indent=1, ensure_ascii=False))
    else:
        _print_ladder(loaded)
    return 0


@dataclass(frozen=True, kw_only=True)
class CardOptions:
    """Options of ``card``."""

    stage: str | None = None
    ladder: Path | None = None
    out: Path = field(metadata=meaning("The cards to write, ending in .pdf or .html."))


@click.command()
@with_options(CardOptions)
def card(given: CardOptions) -> int:
    """Write the cards to print for a ladder's stages (.pdf or .html).

    One page for each stage: how to pace the goal, where the phone goes, what to film and what to
    watch out for. Then a page with warm-up and cool-down. With --stage only that stage's card, or
    that of a second round (NAME-harder, NAME-easier).
    """
    out = given.out
    kind = out.suffix.lower()
    if kind not in CARD_KINDS:
        raise click.UsageError(f"--out must end in {' or '.join(CARD_KINDS)}, and {out} does not")
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.card.content import cards_of, timed_card
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.written import replace_file

    loaded = load_ladder(given.ladder)
    chosen = loaded.stages if given.stage is None else (loaded.stage_by_name(given.stage),)
    cards, timed = cards_of(loaded, chosen), timed_card(loaded)
    check_writable_file(out)
    if kind == ".html":
        from shoegoal.card.printing import html_of

        content = html_of(cards, timed).encode()
    else:
        from shoegoal.card.printing import letters_missing, pdf_of

        content = pdf_of(cards, timed)
        if missing := letters_missing(cards, timed):
            click.echo(
                f"the PDF's font lacks {' '.join(missing)}; print {out.stem}.html instead",
                err=True,
            )
    replace_file(out, content)
    click.echo(
        f"wrote {out}: {len(cards)} {'card' if len(cards) == 1 else 'cards'}, and a page "
        "with warm-up and cool-down; print it on A4"
    )
    return 0


@click.command()
def cautions() -> None:
    """Print the cautions for kicking and filming."""
    for caution in CAUTIONS:
        click.echo(click.wrap_text(caution, 90, initial_indent="- ", subsequent_indent="  "))


def _print_ladder(ladder: Ladder) -> None:
    from shoegoal.analysis.model import StageRecord
    from shoegoal.ladder.rules import Advance, Round

    click.echo(ladder.title + (f", {ladder.school}" if ladder.school else ""))
    width = max(len(stage.name) for stage in ladder.all_stages)
    for rung in ladder.rungs:
        for which, stage in rung.rounds:
            if which is Round.STAGE:
                words = StageRecord.of(stage).heading
                if stage.retries is not None:
                    words += f"; {_some(1 + stage.retries, 'try', 'tries')}"
            else:
                words = f"  {which} round: {stage.goal_sentence}"
            click.echo(f"  {stage.name:<{width}}  {words}")
        if rung.advance is not Advance.MET:
            click.echo(f"  {'':<{width}}  climbs on: {rung.advance.sentence}")


def _some(count: int, one: str, many: str | None = None) -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"
