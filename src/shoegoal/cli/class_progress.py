"""How far a class run is, on standard error: bars on a terminal, a line a clip elsewhere."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from shoegoal.cli.terminal import console
from shoegoal.scale.class_run import ClipOutcome, Watcher

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID


@contextmanager
def shown_class_progress(*, quiet: bool) -> Generator[Watcher, None, None]:
    """Give a watcher that shows the whole and every clip that is being counted."""
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
    """A line for every clip that is settled."""

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
