"""``shoegoal hand-in``: the link for a class, and a slip for each pupil to hand in with."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from urllib.parse import urlsplit

import click

from shoegoal.cli.options import with_options
from shoegoal.errors import BadSettingsError

HERE = "http://127.0.0.1:8000"


@click.command("hand-in")
@with_options(
    "--class", "--site", "--out", "--ladder", "--pupil", "--again", "--largest-mb",
    "--longest-min", "--a-day", "--book", "--json", required=("--class",),
)  # fmt: skip
def hand_in(
    class_name: str,
    site: str | None,
    out: Path | None,
    ladder: Path | None,
    pupil: str | None,
    again: bool,
    largest_mb: int | None,
    longest_min: int | None,
    a_day: int | None,
    book: str | None,
    json: bool,
) -> int:
    """Let a class hand in from phones: print its link, and write a slip for each pupil to --out.

    A slip carries the made-up name and a code of the pupil's own, as letters and as a QR code.
    Whoever has one already keeps it; --again makes new ones. --site is the address of the page that
    shoegoal review serves. The book remembers the class's --ladder and limits.
    """
    if out is not None and out.suffix.casefold() != ".pdf":
        raise click.UsageError(f"--out must end in .pdf, and {out} does not")
    address = _address(site)
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.record.book import Book
    from shoegoal.record.class_settings import remember_class
    from shoegoal.record.slips import make_slips

    if out is not None:
        check_writable_file(out)
    loaded = None if ladder is None else load_ladder(ladder)
    given = {"largest_mb": largest_mb, "longest_min": longest_min, "most_a_day": a_day}
    limits = {name: value for name, value in given.items() if value is not None}
    with Book(book).writing() as connection:
        settings = remember_class(connection, class_name, ladder=loaded, limits=limits)
        made = []
        if out is not None or json:
            names = () if pupil is None else (pupil,)
            made = make_slips(connection, settings, names, again=again or pupil is not None)
    link = f"{address}/h/{settings.code}"
    if out is not None and made:
        from shoegoal.card.slips import SlipSheet, slips_pdf
        from shoegoal.scene.written import replace_file

        sheet = SlipSheet(settings.name, settings.ladder.school or settings.ladder.title, link)
        replace_file(out, slips_pdf(sheet, [(one.pupil, one.secret) for one in made]))
    if json:
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
    return 0


def _address(site: str | None) -> str:
    if site is None:
        return HERE
    parts = urlsplit(site)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.path.strip("/"):
        raise BadSettingsError(f'--site "{site}": give https://NAME, with a port if need be')
    return f"{parts.scheme}://{parts.netloc}"
