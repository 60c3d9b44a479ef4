"""A record book tampered with, and its writers killed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from attack import Tried
from postgresql_cluster import Cluster, find_binaries
from shoegoal.errors import RecordNotTrueError
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.record.keys import own_key
from shoegoal.record.receipts import receipt_of_book
from shoegoal.record.verify import prove, verify_book
from tampering import Attack, book_to_attack, carry_out
from tampering_kinds import ATTACKS
from test_record_killed import Writers

LONGEST_S = 0.2
ROUNDS_A_BOOK = 12  # a longer one is only slower to verify
CLASS_OF = 6  # clips of the class whose run is killed
POOL_EVERY = 12  # class runs: counting in processes of their own, which take seconds to begin


def tamper() -> Tried:
    """Carry every kind of tampering out, in each kind of database."""
    tried = Tried("tampering")
    with _places() as places:
        for place in places:
            book = Book(place())
            book_to_attack(book)
            head = verify_book(book).head
            with book.reading() as connection:
                receipt, _ = receipt_of_book(connection)
            for attack in ATTACKS:
                tried.tried += 1
                evidence: dict[str, Any] = {"head": head} if attack.outside else {}
                if attack.outside and attack.name.startswith("rewritten"):
                    evidence = {"keys": [own_key().name], "receipts": [receipt]}
                if _is_found(book, attack, evidence):
                    tried.refused += 1
                else:
                    tried.fail("missed", attack.name)
            verify_book(book)
    return tried


def _is_found(book: Book, attack: Attack, evidence: dict[str, Any]) -> bool:
    found = False

    def check(connection: Connection) -> None:
        nonlocal found
        try:
            prove(connection, **evidence)
        except RecordNotTrueError:
            found = True

    carry_out(book, attack, check)
    return found


def kill(rounds: int, seed: int, limit_s: float) -> Tried:
    """Kill writers of a book, and runs of a class, at random moments; nothing told may be lost."""
    tried, until = Tried("kills"), time.monotonic() + limit_s
    chance = random.Random(seed)
    with _places() as places, _Runs() as runs:
        writers = Writers()
        try:
            kinds = [*(_WriterKilled(tried, writers, place, chance).once for place in places)]
            kinds.append(_ClassRunKilled(tried, runs, chance).once)
            for number in range(rounds):
                if time.monotonic() > until:
                    break
                tried.tried += 1
                kinds[number % len(kinds)](number)
        finally:
            writers.close()
    return tried


class _WriterKilled:
    """Kills a process that signs sets; every set that it said was signed has to be in the book."""

    def __init__(
        self, tried: Tried, writers: Writers, new_place: Callable[[], str], chance: random.Random
    ) -> None:
        self._tried, self._writers, self._new_place = tried, writers, new_place
        self._chance = chance
        self._place, self._rounds = "", 0
        self._acknowledged = set[str]()

    def once(self, number: int) -> None:
        """Kill one."""
        if self._rounds % ROUNDS_A_BOOK == 0:
            self._place, self._rounds, self._acknowledged = self._new_place(), 0, set()
        self._rounds += 1
        least, more_s = self._chance.randint(1, 2), self._chance.uniform(0.0, LONGEST_S)
        self._acknowledged |= self._writers.sign_until_killed(
            self._place, f"round{number}", least, more_s
        )
        book = Book(self._place)
        verify_book(book)
        found = {h.clip_name for h in _sets(book) if h.signature is not None}
        if not self._acknowledged <= found:
            self._tried.fail("writes lost", f"round {number}: {self._acknowledged - found}")
        elif len(found - self._acknowledged) > self._rounds:
            self._tried.fail("writes too many", f"round {number}")


# Loads everything once; then for every line forks a run of the class, says its number, every clip
# that it says is in the book, and how it ended.
RUNS = """
import os, sys, traceback
from pathlib import Path
from shoegoal.record.book import Book
from shoegoal.scale.class_run import Watcher
from test_scale_run import here, run, two_processes

def told(outcome):
    os.write(1, f"{outcome.clip}\\n".encode())

def main():
    for line in sys.stdin:
        place, clips, runner = line.split()
        child = os.fork()
        if child == 0:
            os.setsid()
            try:
                runner = {"here": here, "pool": two_processes}[runner]
                run(Book(place), Path(clips), runner=runner, watcher=Watcher(finished=told))
            except BaseException:
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        os.write(1, f"{child}\\n".encode())
        _, status = os.waitpid(child, 0)
        os.write(1, f"ended by {os.waitstatus_to_exitcode(status)}\\n".encode())

if __name__ == "__main__":
    main()
"""


class _Runs:
    """Runs of a class that can be killed; a context manager."""

    def __enter__(self) -> _Runs:
        self._folder = tempfile.TemporaryDirectory(prefix="shoegoal-kill-")
        script = Path(self._folder.name) / "runs.py"  # a file, for the pool's processes load it
        script.write_text(RUNS)
        self._parent = subprocess.Popen(
            [sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        self._parent.kill()
        self._parent.communicate(timeout=30)
        self._folder.cleanup()

    def run(
        self, place: str, clips: Path, runner: str, kill: tuple[int, float] | None = None
    ) -> tuple[int, set[str]]:
        """Let one run; return its exit code and the clips that it said are in the book.

        With ``kill`` it is killed so many seconds after so many of these, with all its group.
        """
        stdin, stdout = self._parent.stdin, self._parent.stdout
        assert stdin is not None and stdout is not None
        stdin.write(f"{place} {clips} {runner}\n")
        stdin.flush()
        child, told = int(stdout.readline()), set[str]()
        while True:
            if kill is not None and len(told) == kill[0]:
                time.sleep(kill[1])
                with suppress(ProcessLookupError):  # it was quicker
                    os.kill(child, signal.SIGKILL)
            line = stdout.readline().strip()
            if line.startswith("ended by "):
                _end_group(child)
                return int(line.removeprefix("ended by ")), told
            told.add(line)


class _ClassRunKilled:
    """Kills ``class run``; run again, every clip is in the book once, its result whole."""

    def __init__(self, tried: Tried, runs: _Runs, chance: random.Random) -> None:
        self._tried, self._runs, self._chance = tried, runs, chance
        self._rounds = 0

    def once(self, number: int) -> None:
        """Kill one, and run it again."""
        self._rounds += 1
        runner = "pool" if self._rounds % POOL_EVERY == 0 else "here"
        when = self._chance.randrange(CLASS_OF), self._chance.uniform(0.0, LONGEST_S)
        with tempfile.TemporaryDirectory(prefix="shoegoal-kill-") as name:
            place, clips = f"{name}/book.sqlite3", Path(name) / "clips"
            clips.mkdir()
            for pupil in range(CLASS_OF):
                clip = clips / f"Otter {pupil}_four-of-six.mp4"
                clip.write_text(f"clip {pupil}")
            _, told = self._runs.run(place, clips, runner, when)
            before = {h.clip_name for h in _sets(Book(place))}
            code, _ = self._runs.run(place, clips, "here")
            after = [h.clip_name for h in _sets(Book(place))]
            if code != 0:
                self._tried.fail("cannot go on", f"round {number}: exit code {code}")
            elif len(after) != CLASS_OF or len(set(after)) != CLASS_OF or not told <= before:
                self._tried.fail("writes lost", f"round {number}: {sorted(after)}")
            else:
                verify_book(Book(place))


def _end_group(group: int) -> None:
    """End the workers that a killed run left, which are all of its own group."""
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def _sets(book: Book) -> list[SetHistory]:
    with book.reading() as connection:
        return load_sets(connection)


@contextmanager
def _places() -> Iterator[list[Callable[[], str]]]:
    """Ways to name a new book: a file, and a database where PostgreSQL is installed."""
    folder = Path(tempfile.mkdtemp(prefix="shoegoal-attack-"))
    os.environ["SHOEGOAL_KEYS"] = str(folder / "keys")
    binaries = find_binaries()
    cluster = None if binaries is None else Cluster(binaries)
    books = count()
    ways: list[Callable[[], str]] = [lambda: str(folder / f"book{next(books)}.sqlite3")]
    if cluster is not None:
        ways.append(cluster.new_database)
    try:
        yield ways
    finally:
        if cluster is not None:
            cluster.close()
        shutil.rmtree(folder, ignore_errors=True)
