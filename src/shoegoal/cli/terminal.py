"""Printing and progress. Text from outside may hold control sequences for the terminal.

Everything printed goes through streams that show such sequences instead of sending them. The
consoles that draw tables and progress write past these streams, to send their own sequences; they
show those in the text that they draw.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

from shoegoal.outside import shown

PLAIN_WIDTH = 110  # where no terminal says how wide it is
PLAIN_STEP = 0.1

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.progress import Progress, TaskID
    from rich.segment import Segment

    from shoegoal.scale.class_run import ClipOutcome, Watcher


class ShownStream:
    """A text stream that shows control sequences instead of sending them."""

    def __init__(self, raw: TextIO) -> None:
        self.raw = raw
        # With an ASCII stream, click would write past this one. Characters that it lacks are
        # replaced.
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
    """Use such streams for standard output and error until the end of the block."""
    before = sys.stdout, sys.stderr
    sys.stdout = ShownStream(before[0])
    sys.stderr = ShownStream(before[1])
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def console(*, stderr: bool = False, width: int | None = None) -> Console:
    """Make a console that draws and shows control sequences in the text."""
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
    """Print tables and sentences; in a fixed width where there is no terminal."""
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
    shown_tenths = 0

    def update(share: float) -> None:
        nonlocal shown_tenths
        steps = int(share / PLAIN_STEP + 1e-9)
        if steps > shown_tenths:
            shown_tenths = steps
            write(f"{what}: {100 * PLAIN_STEP * steps:.0f} %")

    return update


@contextmanager
def shown_class_progress(*, quiet: bool) -> Generator[Watcher, None, None]:
    """Give a watcher of a class run: bars on a terminal, a line a clip elsewhere."""
    from shoegoal.scale.class_run import Watcher

    if quiet:
        yield Watcher()
        return
    to = console(stderr=True)
    if not to.is_terminal or to.is_dumb_terminal:
        lines = _Lines(to)
        yield Watcher(lines.begun, finished=lines.finished)
        return
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (TextColumn("{task.description}", markup=False), BarColumn())
    with Progress(*columns, TaskProgressColumn(), TimeLeft(), console=to, transient=True) as bars:
        shown = _Bars(bars)
        yield Watcher(shown.begun, shown.share, shown.finished)


class _Lines:
    """A line for every clip that is done."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._to_count = 0
        self._counted = 0

    def begun(self, names: Sequence[str]) -> None:
        self._to_count = len(names)
        self._write(f"{len(names)} to count" if names else "nothing to count")

    def finished(self, outcome: ClipOutcome) -> None:
        if outcome.news.endswith("before"):
            return
        if outcome.wall_s:
            self._counted += 1
        of = f"{self._counted} of {self._to_count}: " if outcome.wall_s else ""
        self._write(f"{of}{outcome.clip}: {outcome.sentence}")

    def _write(self, line: str) -> None:
        self._console.print(line, soft_wrap=True)


class _Bars:
    """A bar for the whole and one for each clip being counted."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars
        self._whole: TaskID | None = None
        self._of: dict[str, TaskID] = {}
        self._shares: dict[str, float] = {}
        self._names: frozenset[str] = frozenset()

    def begun(self, names: Sequence[str]) -> None:
        self._names = frozenset(names)
        self._whole = self._bars.add_task(f"{len(names)} to count", total=max(1, len(names)))

    def share(self, name: str, share: float) -> None:
        if name not in self._of:
            self._of[name] = self._bars.add_task(name, total=1.0)
        self._bars.update(self._of[name], completed=share)
        self._shares[name] = share
        self._update_whole()

    def finished(self, outcome: ClipOutcome) -> None:
        if outcome.news == "failed":
            self._bars.console.print(f"{outcome.clip}: {outcome.sentence}", soft_wrap=True)
        bar = self._of.pop(outcome.clip, None)
        if bar is not None:
            self._bars.remove_task(bar)
        if outcome.clip in self._names:
            self._shares[outcome.clip] = 1.0
        self._update_whole()

    def _update_whole(self) -> None:
        if self._whole is not None:
            self._bars.update(self._whole, completed=sum(self._shares.values()))
