"""``shoegoal hand-in``, the link and the slips of a class; ``work``, which counts what comes in."""

from __future__ import annotations

import json as json_text
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click

from shoegoal.cli.options import ClassOptions, meaning, with_options
from shoegoal.errors import BadSettingsError

if TYPE_CHECKING:
    from shoegoal.scale.work import Counter

PORT = 8000  # where the page is tried on one computer
HERE = f"http://127.0.0.1:{PORT}"


@dataclass(frozen=True, kw_only=True)
class HandInOptions(ClassOptions):
    """Options of ``hand-in``."""

    pupil: str | None = None
    out: Path | None = field(
        default=None,
        metadata=meaning("The slips to write, ending in .pdf; default: only the link is printed."),
    )
    site: str | None = field(
        default=None, metadata=meaning("The https:// address at which phones reach the page.")
    )
    again: bool = field(
        default=False, metadata=meaning("New slips for everyone; the old ones no longer work.")
    )
    largest_mb: int | None = None
    longest_min: int | None = None
    a_day: int | None = None


@click.command("hand-in")
@with_options(HandInOptions)
def hand_in(given: HandInOptions) -> int:
    """Let a class hand in clips from phones: print its link, write its slips.

    A slip carries the made-up name and a code of the pupil's own, as letters and as a QR code.
    Pupils who already have a slip keep it; --again makes new ones. --site is the address of the
    page that shoegoal review serves. The book remembers the class's --ladder and limits.
    """
    out = given.out
    if out is not None and out.suffix.casefold() != ".pdf":
        raise click.UsageError(f"--out must end in .pdf, and {out} does not")
    address = _address(given.site)
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.record.book import Book
    from shoegoal.record.class_settings import make_slips, remember_class

    if out is not None:
        check_writable_file(out)
    loaded = None if given.ladder is None else load_ladder(given.ladder)
    limits = {
        name: value
        for name, value in (
            ("largest_mb", given.largest_mb),
            ("longest_min", given.longest_min),
            ("most_a_day", given.a_day),
        )
        if value is not None
    }
    with Book.existing(given.book).writing() as connection:
        settings = remember_class(connection, given.class_name, ladder=loaded, limits=limits)
        made = []
        if out is not None or given.json:
            names = () if given.pupil is None else (given.pupil,)
            again = given.again or given.pupil is not None
            made = make_slips(connection, settings, names, again=again)
    link = f"{address}/h/{settings.code}"
    if out is not None and made:
        from shoegoal.card.printing import SlipSheet, slips_pdf
        from shoegoal.written import replace_file

        sheet = SlipSheet(settings.name, settings.ladder.school or settings.ladder.title, link)
        replace_file(out, slips_pdf(sheet, [(one.pupil, one.secret) for one in made]))
    if given.json:
        slips = [{"pupil": one.pupil, "link": f"{link}/{one.secret}"} for one in made]
        plain = {"class": settings.name, "link": link, "slips": slips}
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
        return 0
    click.echo(link)
    if out is not None:
        count = len(made)
        word = "slip" if count == 1 else "slips"
        click.echo(f"wrote {out}: {count} {word} to cut apart" if made else
                   "everyone in the class has a slip; --again makes new ones")  # fmt: skip
    where = f"--port {PORT}" if given.site is None else f"--site {address}"
    serve = f"shoegoal review {where} --workers 2"
    if given.book is not None:
        serve += f" --book {quote(given.book)}"
    click.echo(f"The link works while this runs: {serve}", err=True)
    return 0


def _address(site: str | None) -> str:
    if site is None:
        return HERE
    parts = urlsplit(site)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.path.strip("/"):
        raise BadSettingsError(f'--site "{site}": give https://NAME, with a port if need be')
    return f"{parts.scheme}://{parts.netloc}"


@dataclass(frozen=True, kw_only=True)
class WorkOptions:
    """Options of ``work``."""

    only: str | None = None
    dask: str | None = None
    until_empty: bool = False
    book: str | None = None


@click.command()
@with_options(WorkOptions)
def work(given: WorkOptions) -> int:
    """Count what pupils hand in, until Ctrl-C.

    It takes clips from the book's queue, checks their filming and counts them. The page starts its
    own workers (review --workers). This is one more, on any computer that reaches the book and the
    clips' folder by the same names. A worker can be stopped at any moment: another one then counts
    its clip.
    """
    from shoegoal.filming_check.pupil import check_filming
    from shoegoal.record.book import Book
    from shoegoal.scale.tasks import ClipReader
    from shoegoal.scale.work import Duty, parent_is_gone, work_once, work_until

    duty = Duty(checks=given.only != "counts", counts=given.only != "checks")
    opened = Book.existing(given.book)
    with ClipReader() as reader:
        count = reader.count if given.dask is None else _counter_on(given.dask)
        check = partial(reader.do, check_filming)
        if given.until_empty:
            while work_once(opened, duty, count, check):
                pass
        else:
            with suppress(KeyboardInterrupt):  # the way to end it
                work_until(opened, duty, count, parent_is_gone, check)
    return 0


def _counter_on(dask: str) -> Counter:
    from shoegoal.scale.cluster import run_on_cluster
    from shoegoal.scale.tasks import CountTask, TaskDone, count_clip

    def on_cluster(task: CountTask) -> TaskDone:
        (done,) = run_on_cluster([task], count_clip, dask, lambda key, share: None)
        return done

    return on_cluster
