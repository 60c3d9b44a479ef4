"""``shoegoal review``: look at a set, correct it, sign it."""

from __future__ import annotations

import json as json_text
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import BookOptions, ClockTime, Commands, PixelPoint, meaning, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK, BadSettingsError

if TYPE_CHECKING:
    from shoegoal.record.history import SetHistory
    from shoegoal.review.serve import Site
    from shoegoal.types import ImagePoint

SET_ID = click.IntRange(1)
_ANSWERS = click.Choice(
    ["make", "miss", "not-a-shot", "retake", "cannot-tell", "touch", "no-touch", "lost", "not-lost"]
)
_ADDITIONS = click.Choice(["make", "miss", "touch", "lost"])


@dataclass(frozen=True, kw_only=True)
class ReviewOptions(BookOptions):
    """Options of ``review`` itself."""

    as_list: bool = False
    class_name: str | None = field(default=None, metadata=meaning("With --list: only this class."))
    port: int | None = None
    in_browser: bool = False
    host: str | None = None
    site: str | None = None
    certificate: Path | None = None
    private_key: Path | None = None
    behind_tls: bool = False
    proxy: str | None = None
    workers: int | None = field(
        default=None,
        metadata=meaning("How many workers count clips that are handed in; default: none."),
    )


@dataclass(frozen=True, kw_only=True)
class SayOptions(BookOptions):
    """Options of commands that write something about a set."""

    by: str | None = None
    seen: int | None = None


@dataclass(frozen=True, kw_only=True)
class ChangeOptions(SayOptions):
    """Options of commands that correct a set."""

    note: str | None = None


@dataclass(frozen=True, kw_only=True)
class SignOptions(BookOptions):
    """Options of commands that need a name."""

    by: str
    seen: int | None = None


@click.group(cls=Commands, invoke_without_command=True)
@with_options(ReviewOptions)
@click.pass_context
def review(ctx: click.Context, given: ReviewOptions) -> int:
    """Look at the sets in the record book, correct them and sign them.

    Without a command, it serves a page for the browser, to this computer only, and prints its
    address; Ctrl-C ends it. With --site it serves other computers, to people with an account
    (shoegoal accounts). The commands do the same without a browser; start with --list.
    """
    if ctx.invoked_subcommand is not None:
        return 0
    if given.as_list:
        return _list_waiting(given)
    if given.json or given.class_name is not None:
        raise click.UsageError("--json and --class go with --list", ctx)
    from shoegoal.review.serve import LOOPBACK, check_site

    at = given.host or LOOPBACK
    served = check_site(
        given.site,
        at,
        given.certificate,
        given.private_key,
        behind_tls=given.behind_tls,
        proxy=given.proxy or LOOPBACK,
    )
    return serve_page(
        given.book,
        at,
        given.port or 0,
        served,
        given.workers or 0,
        in_browser=given.in_browser,
    )


def _list_waiting(given: ReviewOptions) -> int:
    from shoegoal.cli.book_report import print_summaries
    from shoegoal.record.book import Book
    from shoegoal.record.set_states import waiting_sets

    with Book.existing(given.book).reading() as connection:
        print_summaries(
            waiting_sets(connection, given.class_name), json=given.json, none="no sets are waiting"
        )
    return 0


def serve_page(
    book: str | None,
    host: str,
    port: int,
    site: Site | None,
    workers: int = 0,
    *,
    in_browser: bool,
) -> int:
    """Serve the page until Ctrl-C, with workers that count what is handed in.

    Parameters
    ----------
    book : named as for `Book`.
    host, port : to listen on; port 0 for a free one.
    site : for other computers; None for this one only.
    workers : how many.
    in_browser : open the page in the browser.
    """
    from shoegoal.record.book import Book
    from shoegoal.review.serve import serve, unseen_opener
    from shoegoal.scale.work import crew

    # Ctrl-C is the normal way to end it, not an interruption.
    opened = Book(book)
    with (
        suppress(KeyboardInterrupt),
        unseen_opener(click.launch) as open_address,
        crew(book, workers),
    ):

        def on_ready(address: str) -> None:
            click.echo(address)
            click.echo("shoegoal: open that address in a browser; Ctrl-C ends the page", err=True)
            if in_browser:
                open_address(address)

        serve(opened, host, port, site, on_ready)
    return 0


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@with_options(BookOptions)
def show(given: BookOptions, set_id: int) -> int:
    """Show a set: every shot, and those to look at. Exits 3 if there are any."""
    from shoegoal.record.book import Book
    from shoegoal.record.history import load_set

    with Book.existing(given.book).reading() as connection:
        history = load_set(connection, set_id)
    return _print(history, json=given.json)


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("shot", type=click.IntRange(1))
@click.argument("answer", type=_ANSWERS)
@with_options(ChangeOptions)
def correct(given: ChangeOptions, set_id: int, shot: int, answer: str) -> int:
    """Say what a shot is, or on a dribble stage a touch or a loss, after looking at it.

    A shot is a make, a miss, not-a-shot or a retake (kicked, but taken again). What is not-a-shot,
    a retake or cannot-tell does not count. A touch is a touch or no-touch; the ball was lost or
    not-lost.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import answer_shot
    from shoegoal.record.status import Answer

    history = answer_shot(
        Book.existing(given.book),
        set_id,
        shot,
        Answer(answer),
        note=given.note or "",
        by=given.by or "",
        seen=given.seen,
    )
    return _print(history, json=given.json)


@review.command("add-shot")
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("time_s", metavar="TIME", type=ClockTime())
@click.argument("answer", type=_ADDITIONS)
@with_options(ChangeOptions)
def add_shot(given: ChangeOptions, set_id: int, time_s: float, answer: str) -> int:
    """Add a shot, touch or loss that was missed, by its time on the player's clock."""
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import add_shot as add
    from shoegoal.record.status import Answer

    history = add(
        Book.existing(given.book),
        set_id,
        time_s,
        Answer(answer),
        note=given.note or "",
        by=given.by or "",
        seen=given.seen,
    )
    return _print(history, json=given.json)


@review.command("move-marker")
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("side", type=click.Choice(["left", "right"]))
@click.argument("place", metavar="X,Y", type=PixelPoint())
@with_options(ChangeOptions)
def move_marker(given: ChangeOptions, set_id: int, side: str, place: ImagePoint) -> int:
    """Move a marker's inner foot and judge the set again; the clip is not needed."""
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import move_marker as move
    from shoegoal.record.status import Side

    history = move(
        Book.existing(given.book),
        set_id,
        Side(side),
        place,
        note=given.note or "",
        by=given.by or "",
        seen=given.seen,
    )
    return _print(history, json=given.json)


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("text")
@with_options(SayOptions)
def note(given: SayOptions, set_id: int, text: str) -> int:
    """Keep a remark about a set; no real names, please."""
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import add_note

    return _print(
        add_note(Book.existing(given.book), set_id, text, by=given.by or "", seen=given.seen),
        json=given.json,
    )


@review.command("looked-through")
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("places", metavar="[NUMBER]...", type=click.IntRange(1), nargs=-1)
@with_options(ChangeOptions)
def looked_through(given: ChangeOptions, set_id: int, places: tuple[int, ...]) -> int:
    """Record that you looked through what `show` asks for, and that no shot is hidden there.

    These are breaks in the clip and unusually long gaps between shots. Give their numbers, or none
    for all of them. Add the shots that you find with add-shot.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import look_through

    history = look_through(
        Book.existing(given.book),
        set_id,
        places,
        note=given.note or "",
        by=given.by or "",
        seen=given.seen,
    )
    return _print(history, json=given.json)


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@with_options(SayOptions)
def undo(given: SayOptions, set_id: int) -> int:
    """Take back the last correction; again, for the one before it."""
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import undo as undo_last

    return _print(
        undo_last(Book.existing(given.book), set_id, by=given.by or "", seen=given.seen),
        json=given.json,
    )


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@with_options(SignOptions)
def sign(given: SignOptions, set_id: int) -> int:
    """Sign a set as it is; after that, nothing about it can be changed."""
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import sign as sign_set

    return _print(
        sign_set(Book.existing(given.book), set_id, given.by, seen=given.seen), json=given.json
    )


@review.command()
@click.argument("set_id", metavar="ID", type=SET_ID)
@click.argument("reason")
@with_options(SignOptions)
def withdraw(given: SignOptions, set_id: int, reason: str) -> int:
    """Withdraw a set's signature with a REASON; both stay in the history.

    After that, the set can be corrected and signed again.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.reviewing import withdraw as withdraw_signature

    return _print(
        withdraw_signature(Book.existing(given.book), set_id, reason, by=given.by, seen=given.seen),
        json=given.json,
    )


def _print(history: SetHistory, *, json: bool) -> int:
    from shoegoal.cli.book_report import print_set, print_summaries
    from shoegoal.record.history import detail, summary

    try:
        analysis = history.count.analysis()
    except BadSettingsError:
        if history.signature is None:
            raise
        # Written by another version, but what was signed still holds.
        print_summaries([summary(history, None)], json=json)
        return 0
    status = history.status(analysis)
    if json:
        plain = detail(history, status, analysis)
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
    else:
        print_set(history, status, analysis)
    return EXIT_NEEDS_A_LOOK if status.needs_a_look else 0
