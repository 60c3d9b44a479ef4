"""``shoegoal board`` and ``shoegoal lens``: measure a phone's lens once, for better distances."""

from __future__ import annotations

from pathlib import Path

import click

from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import OutputError

BOARD_KINDS = (".pdf", ".png")


@click.command()
@with_options("--out", required=("--out",))
def board(out: Path) -> int:
    """Write the board to print for `shoegoal lens` (.pdf or .png).

    Print it on A4 at 100 %, glue it on something flat, and film it for half a minute from all
    sides, near and far, with the phone held the same way up as for the clips.
    """
    if out.suffix.lower() not in BOARD_KINDS:
        raise click.UsageError(f"--out must end in .pdf or .png, and {out} does not")
    raise NotImplementedError


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options("--out", "--quiet", required=("--out",))
def lens(clip: Path, out: Path, quiet: bool) -> int:
    """Measure a phone's lens from CLIP, a clip of the printed board.

    Writes a lens file for `shoegoal count --lens`. It is good for clips filmed with the same phone
    in the same mode and the same way up.
    """
    raise OutputError("not yet")
