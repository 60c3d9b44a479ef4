"""``shoegoal coach``: spot-check the count, without knowing what it said."""

from __future__ import annotations

import json as json_text
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import BookOptions, Commands, with_options

if TYPE_CHECKING:
    from shoegoal.record.coaching import Agreement, Check, CueReport

DEFAULT_SIZE = 20
DEFAULT_INTERVAL = 0.2
_ROUND = click.IntRange(1)
_ANSWER = click.Choice(["make", "miss", "in band", "look", "cannot-tell"])


@click.group(cls=Commands)
def coach() -> None:
    """Check a random sample of shots without seeing the count.

    Start with: shoegoal coach draw --class NAME
    """


@dataclass(frozen=True, kw_only=True)
class DrawOptions(BookOptions):
    """Options of ``coach draw``."""

    class_name: str
    size: int | None = None
    seed: int | None = None
    cues: bool = False


@coach.command()
@with_options(DrawOptions)
def draw(given: DrawOptions) -> int:
    """Draw shots of a class at random, makes and misses by their shares, in random order.

    With --cues, draw cues of form instead, each cue and band by its share.
    """
    import secrets

    from shoegoal.record.book import Book
    from shoegoal.record.coaching import HIGHEST_SEED, checks_of, draw_round

    sown = secrets.randbelow(HIGHEST_SEED) if given.seed is None else given.seed
    with Book.existing(given.book).writing() as connection:
        size = given.size or DEFAULT_SIZE
        round_id = draw_round(connection, given.class_name, size, sown, cues=given.cues)
        checks = checks_of(connection, round_id)
    if not given.json:
        click.echo(f"round {round_id}, seed {sown}")
    _print_checks(round_id, checks, json=given.json)
    return 0


@coach.command()
@click.argument("round_id", metavar="ROUND", type=_ROUND)
@with_options(BookOptions)
def show(given: BookOptions, round_id: int) -> int:
    """Show a round's shots, where to find them, and what was answered so far."""
    from shoegoal.record.book import Book
    from shoegoal.record.coaching import checks_of

    with Book.existing(given.book).reading() as connection:
        _print_checks(round_id, checks_of(connection, round_id), json=given.json)
    return 0


@dataclass(frozen=True, kw_only=True)
class AnswerOptions:
    """Options of ``coach answer``."""

    by: str | None = None
    book: str | None = None


@coach.command()
@click.argument("round_id", metavar="ROUND", type=_ROUND)
@click.argument("place", metavar="SHOT", type=click.IntRange(1))
@click.argument("seen", metavar="ANSWER", type=_ANSWER)
@with_options(AnswerOptions)
def answer(given: AnswerOptions, round_id: int, place: int, seen: str) -> int:
    """Say what you saw in a shot of a round: make, miss or cannot-tell. It cannot be changed.

    Of a cue: "in band", look or cannot-tell.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.coaching import answer_check

    with Book.existing(given.book).writing() as connection:
        answer_check(connection, round_id, place, seen, given.by or "")
    click.echo(f"round {round_id}, shot {place}: {seen}")
    return 0


@dataclass(frozen=True, kw_only=True)
class ReportOptions(BookOptions):
    """Options of ``coach report``."""

    class_name: str
    interval: float | None = None


@coach.command()
@with_options(ReportOptions)
def report(given: ReportOptions) -> int:
    """Say how often coaches agreed with the count, and how many more checks are needed."""
    from shoegoal.record.book import Book
    from shoegoal.record.coaching import report_of

    width = DEFAULT_INTERVAL if given.interval is None else given.interval
    with Book.existing(given.book).reading() as connection:
        found = report_of(connection, given.class_name, width)
    if given.json:
        click.echo(json_text.dumps(asdict(found), indent=1, ensure_ascii=False))
        return 0
    for one in found.cues:
        for line in _report_lines(one, width):
            click.echo(line)
    return 0


def _report_lines(one: CueReport, width: float) -> Iterator[str]:
    from shoegoal.record.coaching import cue_words

    yield cue_words(one.cue)[0] or "makes and misses"
    for share in one.shares:
        yield f"  {_share_line(share, width)}"
    if one.shares[0].checked:
        yield f"  Cohen's kappa      {one.kappa_words}"
    yield f"  could not tell {one.could_not_tell}, not yet answered {one.open_checks}"


def _share_line(share: Agreement, width: float) -> str:
    title = share.what if share.what == "all" else f"counted as {share.what}"
    if not share.checked:
        return f"{title:<18} nothing checked; {share.missing} checks for ± {50 * width:.0f} %"
    return (
        f"{title:<18} agreed on {share.agreed} of {share.checked} "
        f"({100 * share.low:.0f} to {100 * share.high:.0f} %); "
        f"{share.missing} more for ± {50 * width:.0f} %"
    )


def _print_checks(round_id: int, checks: list[Check], *, json: bool) -> None:
    if json:
        plain = [asdict(check) | {"clip": str(check.clip or "")} for check in checks]
        click.echo(json_text.dumps({"round": round_id, "shots": plain}, indent=1))
        return
    for check in checks:
        where = check.clip or f"clip of set {check.set_id}"
        parts = (check.cue, check.answer or "")
        rest = "  ".join(part for part in parts if part)
        click.echo(f"{check.place:>3}  {check.clock:>7}  {where}  {rest}".rstrip())
