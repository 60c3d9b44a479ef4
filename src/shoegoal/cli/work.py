"""``shoegoal work``: count what pupils hand in, beside the page or on another computer."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import with_options

if TYPE_CHECKING:
    from shoegoal.scale.handed_in_work import Counter


@click.command()
@with_options("--only", "--dask", "--until-empty", "--book")
def work(only: str | None, dask: str | None, until_empty: bool, book: str | None) -> int:
    """Take clips from the book's queue, check their filming and count them, until Ctrl-C.

    The page starts workers of its own (review --workers); this is one more, here or on any computer
    that sees the book and the clips' folder under the same names. A worker may be ended at any
    moment: its clip is counted by another one.
    """
    from shoegoal.record.book import Book
    from shoegoal.scale.crew import parent_is_gone
    from shoegoal.scale.handed_in_work import Duty, work_once, work_until

    duty = Duty(checks=only != "counts", counts=only != "checks")
    opened, count = Book(book), _counter(dask)
    if until_empty:
        while work_once(opened, duty, count):
            pass
        return 0
    with suppress(KeyboardInterrupt):  # the way to end it
        work_until(opened, duty, count, parent_is_gone)
    return 0


def _counter(dask: str | None) -> Counter:
    from shoegoal.scale.task import CountTask, TaskDone, carry_out, count_clip

    if dask is None:
        return lambda task: carry_out(count_clip, task, lambda share: None)
    from shoegoal.scale.cluster import run_on_cluster

    def on_cluster(task: CountTask) -> TaskDone:
        (done,) = run_on_cluster([task], count_clip, dask, lambda key, share: None)
        return done

    return on_cluster
