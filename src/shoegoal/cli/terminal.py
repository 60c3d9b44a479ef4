"""Printing what comes from outside: names of files may hold orders to the terminal.

Everything printed goes through streams that show such orders instead of passing them on. Only the
consoles that draw tables and progress reach past them, for the orders of their own; they show what
came in with the text.
"""

from __future__ import annotations

import sys
from collections.abc import Generator, Iterable
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

from shoegoal.outside import shown

PLAIN_WIDTH = 110  # where no terminal says how wide it is

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment


class ShownStream:
    """A text stream that shows orders to the terminal; all else is the stream's."""

    def __init__(self, raw: TextIO) -> None:
        self.raw = raw
        # An ASCII stream would make click write past this one; what it lacks, it replaces.
        self.encoding = "utf-8"

    def write(self, text: str) -> int:
        """Write a text."""
        return self.raw.write(shown(text))

    def writelines(self, lines: Iterable[str]) -> None:
        """Write several texts."""
        self.raw.writelines(map(shown, lines))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.raw, name)


@contextmanager
def shown_streams() -> Generator[None, None, None]:
    """Let standard output and error show what is printed, until the end of the block."""
    before = sys.stdout, sys.stderr
    sys.stdout = ShownStream(before[0])
    sys.stderr = ShownStream(before[1])
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def console(*, stderr: bool = False, width: int | None = None) -> Console:
    """Make a console that draws; texts in what it draws are shown, not obeyed."""
    from rich.console import Console
    from rich.segment import Segment

    class Drawing(Console):
        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterable[Segment]:
            for segment in super().render(renderable, options):
                if segment.control:
                    yield segment
                else:
                    yield Segment(shown(segment.text), segment.style)

    raw = _raw(sys.stderr if stderr else sys.stdout)
    return Drawing(file=raw, width=width, highlight=False, markup=False, emoji=False)


def print_parts(parts: Iterable[RenderableType]) -> None:
    """Print tables and sentences; without a terminal in a fixed width."""
    import click

    to = console()
    if not to.is_terminal:
        to = console(width=PLAIN_WIDTH)
    # Written by click in one go: rich would end the process itself when a reader goes away.
    with to.capture() as captured:
        for part in parts:
            to.print(part)
    lines = (line.rstrip() for line in captured.get().splitlines())
    click.echo("\n".join(lines), file=_raw(sys.stdout))


def _raw(stream: TextIO) -> TextIO:
    return stream.raw if isinstance(stream, ShownStream) else stream
