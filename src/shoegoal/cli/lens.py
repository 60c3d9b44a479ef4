"""``shoegoal board`` and ``shoegoal lens``: measure a phone's lens once, for better distances."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import FilePath, meaning, with_options

if TYPE_CHECKING:
    from shoegoal.clip.frame import U8
    from shoegoal.clip.reader import Clip

BOARD_KINDS = (".pdf", ".png")
LOOK_EVERY_S = 0.25  # a slowly turned board shows nothing new sooner


@dataclass(frozen=True, kw_only=True)
class BoardOptions:
    """Options of ``board``."""

    out: Path = field(metadata=meaning("The board to write, ending in .pdf or .png."))


@click.command()
@with_options(BoardOptions)
def board(given: BoardOptions) -> int:
    """Write the board to print for `shoegoal lens` (.pdf or .png).

    Print it on A4 at 100 % and glue it on something flat. Film it for half a minute from all sides
    and tilts, near and far, with the phone held the same way up as for the clips.
    """
    out = given.out
    if out.suffix.lower() not in BOARD_KINDS:
        raise click.UsageError(f"--out must end in {' or '.join(BOARD_KINDS)}, and {out} does not")
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.scene.lens import write_board

    check_writable_file(out)
    write_board(out)
    click.echo(f"wrote {out}: print it at 100 % and check its 100 mm line with a ruler")
    return 0


@dataclass(frozen=True, kw_only=True)
class LensOptions:
    """Options of ``lens``."""

    out: Path = field(metadata=meaning("The lens file to write (TOML), for count --lens."))
    quiet: bool = False


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(LensOptions)
def lens(given: LensOptions, clip: Path) -> int:
    """Measure a phone's lens from CLIP, a clip of the printed board.

    Writes a lens file for `shoegoal count --lens`. It fits clips filmed with the same phone, in the
    same mode and the same way up.
    """
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.cli.terminal import shown_progress
    from shoegoal.clip.reader import open_clip
    from shoegoal.scene.lens import calibrate_from_frames, write_lens

    with open_clip(clip) as opened:
        check_writable_file(given.out)
        with shown_progress(
            f"looking for the board in {clip.name}", quiet=given.quiet
        ) as on_progress:
            measured = calibrate_from_frames(_lumas(opened, on_progress), f"from {clip.name}")
    write_lens(given.out, measured)
    click.echo(
        f"wrote {given.out}: focal length {measured.focal_px:.0f} px at "
        f"{measured.width_px}x{measured.height_px} ({measured.how_made})"
    )
    return 0


def _lumas(clip: Clip, on_progress: Callable[[float], None] | None) -> Iterator[U8]:
    """Yield a picture every `LOOK_EVERY_S`."""
    next_s = float("-inf")
    for frame in clip.frames():
        if frame.time_s < next_s:
            continue
        next_s = frame.time_s + LOOK_EVERY_S
        if on_progress is not None and clip.info.duration_s:
            on_progress((frame.time_s - clip.info.start_s) / clip.info.duration_s)
        yield frame.luma
