"""What to mind before anybody kicks or films."""

from __future__ import annotations

import click

from shoegoal.card.cautions import CAUTIONS


@click.command()
def cautions() -> None:
    """Print what to mind before kicking and filming."""
    for caution in CAUTIONS:
        click.echo(click.wrap_text(caution, 90, initial_indent="- ", subsequent_indent="  "))
