"""``shoegoal demo``: an invented class counted before one's eyes, with sets left to look at."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import with_options
from shoegoal.errors import EXIT_SOME_FAILED

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shoegoal.demo.folder import DemoFolder
    from shoegoal.demo.run import Demo

DEFAULT_FOLDER = Path("shoegoal-demo")


@click.command()
@with_options("--out", "--open", "--quiet")
def demo(out: Path | None, in_browser: bool, quiet: bool) -> int:
    """Count an invented class of six pupils, sign some sets and leave the rest to look at.

    Everything goes into a folder of its own (default: shoegoal-demo), the record book too. The
    clips come with shoegoal; they are rendered, and counted anew from the pixels. Run it again,
    and it goes on where it stopped. With --open it ends on the review page in the browser.
    """
    from shoegoal.cli.class_progress import shown_class_progress
    from shoegoal.cli.classes import runner_of
    from shoegoal.demo.folder import DemoFolder
    from shoegoal.demo.run import run_demo

    folder = DemoFolder(out or DEFAULT_FOLDER)
    folder.prepare()
    began = time.monotonic()
    with shown_class_progress(quiet=quiet) as watcher:
        seen = run_demo(folder, runner_of(), watcher)
    _print(seen, folder, time.monotonic() - began)
    if any(outcome.news == "failed" for outcome in seen.outcomes):
        return EXIT_SOME_FAILED
    if in_browser:
        from shoegoal.cli.review import serve_page
        from shoegoal.review.serve import LOOPBACK

        return serve_page(str(folder.book), LOOPBACK, 0, None, in_browser=True)
    return 0


def _print(seen: Demo, folder: DemoFolder, wall_s: float) -> None:
    from shoegoal.cli.class_report import outcome_table, result_tables
    from shoegoal.cli.terminal import print_parts

    print_parts([outcome_table(seen.outcomes), *result_tables(seen.results)])
    # Plain lines, for a terminal must not fold what is to be copied.
    for line in _lines(seen, folder, wall_s):
        click.echo(line)


def _lines(seen: Demo, folder: DemoFolder, wall_s: float) -> Iterator[str]:
    from shoegoal.card.cautions import SHORT_CAUTION
    from shoegoal.cli.class_report import typed
    from shoegoal.demo.run import CLASS_NAME, TEACHER

    counted = sum(outcome.news == "counted" for outcome in seen.outcomes)
    yield f"{_number(counted, 'clip')} counted now, in {wall_s:.0f} s"
    yield (
        f"{_number(len(seen.signed), 'set')} signed as {TEACHER}, an invented teacher; "
        "in a real class a person looks before signing"
    )
    look = len(seen.to_look_at)
    yield (
        f"{_number(look, 'set')} {'needs' if look == 1 else 'need'} a look, "
        f"{len(seen.to_sign)} can be signed"
    )
    yield f"The class page, to open in a browser: {folder.page}"
    yield ""
    yield "Go on, in this order:"
    yield f"  {typed('review --open', book=folder.book)}"
    if seen.to_look_at:
        yield f"  {typed(f'review show {seen.to_look_at[0]}', book=folder.book)}"
    if seen.to_sign:
        yield f"  {typed(f'review sign {seen.to_sign[0]}', by=TEACHER, book=folder.book)}"
    whole = typed(
        "class results",
        class_=CLASS_NAME,
        ladder=folder.ladder,
        book=folder.book,
        out=folder.page,
    )
    yield f"  {whole}"
    yield ""
    yield SHORT_CAUTION


def _number(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
