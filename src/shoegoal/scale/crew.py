"""Workers started with the page: processes of their own, started again when one dies.

One process checks the filming, so that a pupil never waits for a count; the others count.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Generator, Sequence
from contextlib import contextmanager

POLL_S = 0.5
PAUSE_S = 2.0  # before one that died is started again, so that a lasting fault does not spin
END_S = 10.0
PARENT_VARIABLE = "SHOEGOAL_PARENT"


@contextmanager
def crew(book: str | None, workers: int, more: Sequence[str] = ()) -> Generator[None, None, None]:
    """Keep workers going while something else is done.

    Parameters
    ----------
    book : as it was named on the command line.
    workers : processes that count; one more checks. None are started for 0.
    more : further words of the command line of those that count.
    """
    if workers < 1:
        yield
        return
    kinds = [command_of(book, "checks", ()), *[command_of(book, "counts", more)] * workers]
    over = threading.Event()
    keepers = [threading.Thread(target=_keep_going, args=(kind, over)) for kind in kinds]
    for keeper in keepers:
        keeper.start()
    try:
        yield
    finally:
        over.set()
        for keeper in keepers:
            keeper.join()


def command_of(book: str | None, kind: str, more: Sequence[str]) -> list[str]:
    """Command line of a worker that only checks, or only counts."""
    where = ("--book", book) if book else ()
    return [sys.executable, "-m", "shoegoal", "work", *where, "--only", kind, *more]


def parent_is_gone() -> bool:
    """Whether the process that started this worker has ended, however it did."""
    parent = os.environ.get(PARENT_VARIABLE)
    return parent is not None and os.getppid() != int(parent)


def _keep_going(command: Sequence[str], over: threading.Event) -> None:
    environment = os.environ | {PARENT_VARIABLE: str(os.getpid())}
    while not over.is_set():
        # A process group of its own: Ctrl-C is for the page, which then ends its workers.
        running = subprocess.Popen(
            command, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        while running.poll() is None and not over.wait(POLL_S):
            pass
        if running.poll() is None:
            running.terminate()
            try:
                running.wait(END_S)
            except subprocess.TimeoutExpired:
                running.kill()  # its claim runs out, and its clip is counted again
                running.wait()
        over.wait(PAUSE_S)
