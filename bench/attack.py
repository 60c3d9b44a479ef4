"""Attack shoegoal on this computer and count what it does not withstand."""

from __future__ import annotations

import json
import os
import selectors
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

MOST_WALL_S, MOST_PEAK_MB = 60.0, 1024.0
KINDS = ("clips", "files", "tampering", "kills", "routes")


@dataclass
class Tried:
    """What became of the cases of one kind.

    Attributes
    ----------
    tried : how many.
    refused : how many of them were refused in words, as they should be; or found, of tampering.
    failed : the others that should not be, by what went wrong: the first few in words.
    """

    name: str
    tried: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    peak_mb: float = 0.0
    failed: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)

    def fail(self, what: str, words: str) -> None:
        self.failed[what] += 1
        if self.failed[what] <= 5:
            self.told.append(f"{self.name}: {what}: {words}")

    @property
    def line(self) -> str:
        wrong = ", ".join(f"{count} {what}" for what, count in self.failed.items()) or "0 failed"
        cost = f", slowest {self.slowest_s:.1f} s" if self.slowest_s else ""
        cost += f", most memory {self.peak_mb:.0f} MB" if self.peak_mb else ""
        return f"{self.name}: {self.tried} tried, {self.refused} refused; {wrong}{cost}"


@click.command()
@click.argument("kinds", nargs=-1, type=click.Choice(KINDS))
@click.option("--cases", type=click.IntRange(1), default=10_000, help="Of each kind; of kills 500.")
@click.option("--seed", type=int, default=1)
@click.option("--workers", type=click.IntRange(1, 64), default=2)
@click.option("--limit-s", type=click.FloatRange(1), default=3600.0, help="Of each kind.")
def attack(kinds: tuple[str, ...], cases: int, seed: int, workers: int, limit_s: float) -> None:
    """Damage clips and files, tamper with books, kill writers, try routes; print what gave way.

    All of it happens on this computer, in temporary folders, and ends of its own accord.
    """
    failed = 0
    for kind in kinds or KINDS:
        if kind in ("clips", "files"):
            tried = meet(kind, cases, seed, workers, limit_s)
        elif kind == "tampering":
            from attack_book import tamper

            tried = tamper()
        elif kind == "routes":
            from attack_routes import try_routes

            tried = try_routes()
        else:
            from attack_book import kill

            tried = kill(min(cases, 500), seed, limit_s)
        click.echo(tried.line)
        for words in tried.told:
            click.echo(f"  {words}")
        failed += tried.failed.total()
    sys.exit(1 if failed else 0)


def meet(kind: str, cases: int, seed: int, workers: int, limit_s: float) -> Tried:
    """Let worker processes meet hostile clips or files; one that dies is replaced."""
    tried = Tried(kind)
    share = -(-cases // workers)
    ranges = [(first, min(cases, first + share)) for first in range(0, cases, share)]
    until = time.monotonic() + limit_s
    with tempfile.TemporaryDirectory(prefix="shoegoal-attack-", dir="/dev/shm") as folder:
        running = [
            _Worker(tried, seed, first, last, Path(folder) / str(number))
            for number, (first, last) in enumerate(ranges)
        ]
        while any(worker.is_running for worker in running) and time.monotonic() < until:
            for worker in running:
                for line in worker.lines():
                    _note(tried, line)
                died = worker.look_after()
                if died:
                    tried.tried += 1
                    tried.fail(*died)
            time.sleep(0.05)
        for worker in running:
            worker.close()
    return tried


def _note(tried: Tried, line: dict[str, Any]) -> None:
    tried.tried += 1
    tried.slowest_s = max(tried.slowest_s, line["wall_s"])
    tried.peak_mb = max(tried.peak_mb, line["peak_mb"])
    words = f"case {line['case']}: {line['what']}"
    if line["end"] == "traceback":
        tried.fail("tracebacks", words)
    elif line["end"] == "refused":
        tried.refused += 1
        if "\n" in line["what"].strip() and ":\n" not in line["what"]:
            tried.fail("not one clear line", words)
    if line["wall_s"] > MOST_WALL_S:
        tried.fail("too slow", words)
    if line["peak_mb"] > MOST_PEAK_MB:
        tried.fail("too much memory", words)
    if line["printed"]:
        tried.fail("printed past the command", words)


class _Worker:
    """A worker process and the ones that replace it."""

    def __init__(self, tried: Tried, seed: int, first: int, last: int, folder: Path) -> None:
        folder.mkdir()
        self._tried, self._kind, self._seed, self._folder = tried, tried.name, seed, folder
        self._next, self._last = first, last
        self._process: subprocess.Popen[bytes] | None = None
        self._selector = selectors.DefaultSelector()
        self._rest, self._since = b"", 0.0
        self._start()

    @property
    def is_running(self) -> bool:
        return self._process is not None

    def lines(self) -> Iterator[dict[str, Any]]:
        """Give what the worker has said since the last time."""
        while self._process is not None and self._selector.select(0):
            assert self._process.stdout is not None
            came = os.read(self._process.stdout.fileno(), 1 << 16)
            if not came:
                return
            *whole, self._rest = (self._rest + came).split(b"\n")
            yield from self._read(whole)

    def _read(self, texts: list[bytes]) -> Iterator[dict[str, Any]]:
        for text in texts:
            line = json.loads(text)
            if "begun" in line:
                self._next, self._since = line["begun"], time.monotonic()
            else:
                self._next += 1
                yield line

    def look_after(self) -> tuple[str, str] | None:
        """Replace a worker that died or hangs; say what became of the case it was at."""
        process = self._process
        if process is None:
            return None
        hangs = time.monotonic() - self._since > 2 * MOST_WALL_S
        if hangs:
            process.kill()
        elif process.poll() is None:
            return None
        process.wait()
        for line in self.lines():
            _note(self._tried, line)
        case, code = self._next, process.returncode
        self._selector.close()
        self._process = None
        if code == 0:
            return None
        self._next += 1
        if self._next < self._last:
            self._start()
        return ("hangs" if hangs else "crashes", f"case {case}: ended by {-code}")

    def close(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def _start(self) -> None:
        script = Path(__file__).with_name("attack_worker.py")
        command = [sys.executable, str(script), self._kind, str(self._seed), str(self._next)]
        command += [str(self._last), str(self._folder)]
        environment = {**os.environ, "SHOEGOAL_KEYS": str(self._folder / "keys")}
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment)
        self._rest = b""
        self._since = time.monotonic()
        self._selector = selectors.DefaultSelector()
        assert self._process.stdout is not None
        self._selector.register(self._process.stdout, selectors.EVENT_READ)
