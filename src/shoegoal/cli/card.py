"""``shoegoal card``: the cards to print: how a stage is set up, warm-up and cool-down."""

from __future__ import annotations

from pathlib import Path

import click

from shoegoal.cli.options import with_options

CARD_KINDS = (".pdf", ".html")


@click.command()
@with_options("--out", "--stage", "--ladder", required=("--out",))
def card(out: Path, stage: str | None, ladder: Path | None) -> int:
    """Write the cards to print for a ladder's stages (.pdf or .html).

    One page for each stage: how to pace the goal, where the phone goes, what to film, what to
    mind; then a page with warm-up and cool-down. With --stage that stage's card alone, or that of
    a second round (NAME-harder, NAME-easier).
    """
    kind = out.suffix.lower()
    if kind not in CARD_KINDS:
        raise click.UsageError(f"--out must end in {' or '.join(CARD_KINDS)}, and {out} does not")
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.card.content import cards_of, timed_card
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.scene.written import replace_file

    loaded = load_ladder(ladder)
    chosen = loaded.stages if stage is None else (loaded.stage_by_name(stage),)
    cards, timed = cards_of(loaded, chosen), timed_card(loaded)
    check_writable_file(out)
    if kind == ".html":
        from shoegoal.card.pages import html_of

        content = html_of(cards, timed).encode()
    else:
        from shoegoal.card.pdf import letters_missing, pdf_of

        content = pdf_of(cards, timed)
        if missing := letters_missing(cards, timed):
            click.echo(
                f"the PDF's letters lack {' '.join(missing)}; print {out.stem}.html in their place",
                err=True,
            )
    replace_file(out, content)
    click.echo(
        f"wrote {out}: {len(cards)} {'card' if len(cards) == 1 else 'cards'}, and a page "
        "with warm-up and cool-down; print it on A4"
    )
    return 0
