"""Progress on standard error: a bar on a terminal, nothing elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import contextmanager

from shoegoal.cli.terminal import console

PLAIN_STEP = 0.1


@contextmanager
def shown_progress(
    what: str, *, quiet: bool
) -> Generator[Callable[[float], None] | None, None, None]:
    """Give a function that takes the share done, 0..1; None when nothing is to be shown."""
    if quiet:
        yield None
        return
    to = console(stderr=True)
    if not to.is_terminal:
        yield None
    elif to.is_dumb_terminal:
        yield plain_progress(what, to.print)
    else:
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
        from rich.progress import TimeRemainingColumn as TimeLeft

        columns = (TextColumn("{task.description}", markup=False), BarColumn())
        with Progress(*columns, TaskProgressColumn(), TimeLeft(), console=to,
                      transient=True) as bar:  # fmt: skip
            task = bar.add_task(what, total=1.0)
            yield lambda share: bar.update(task, completed=min(1.0, max(0.0, share)))


def plain_progress(what: str, write: Callable[[str], None]) -> Callable[[float], None]:
    """Return a function that writes a line for every further tenth."""
    told = 0

    def update(share: float) -> None:
        nonlocal told
        steps = int(share / PLAIN_STEP + 1e-9)
        if steps > told:
            told = steps
            write(f"{what}: {100 * PLAIN_STEP * steps:.0f} %")

    return update
