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
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from attack import Tried
from postgresql_cluster import Cluster, find_binaries
from shoegoal.errors import RecordNotTrueError
from shoegoal.record.book import Book
from shoegoal.record.history import load_sets
from shoegoal.record.keys import own_key
from shoegoal.record.receipts import receipt_of_book
from shoegoal.record.verify import prove, verify_book
from tampering import Attack, book_to_attack, carry_out
from tampering_kinds import ATTACKS
from test_record_killed import Writers

LONGEST_S = 0.2
CLASS_OF = 6  # clips of the class whose run is killed


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
    with _places() as places:
        kinds: list[Callable[[int], None]] = []
        writers = Writers()
        try:
            kinds += [_writer_killed(tried, writers, place(), chance) for place in places]
            kinds.append(_class_run_killed(tried, chance))
            for number in range(rounds):
                if time.monotonic() > until:
                    break
                tried.tried += 1
                kinds[number % len(kinds)](number)
        finally:
            writers.close()
    return tried


def _writer_killed(
    tried: Tried, writers: Writers, place: str, chance: random.Random
) -> Callable[[int], None]:
    acknowledged: set[str] = set()
    rounds = 0

    def once(number: int) -> None:
        nonlocal rounds, place
        rounds += 1
        least, more_s = chance.randint(1, 2), chance.uniform(0.0, LONGEST_S)
        acknowledged.update(writers.sign_until_killed(place, f"round{number}", least, more_s))
        found = _signed(place)
        if not acknowledged <= found:
            tried.fail("writes lost", f"round {number}: {acknowledged - found}")
        elif len(found - acknowledged) > rounds:
            tried.fail("writes too many", f"round {number}")

    return once


def _signed(place: str) -> set[str]:
    book = Book(place)
    verify_book(book)
    with book.reading() as connection:
        return {h.clip_name for h in load_sets(connection) if h.signature is not None}


def _class_run_killed(tried: Tried, chance: random.Random) -> Callable[[int], None]:
    """Kill ``class run`` itself; run again, every clip is in the book once, its result whole."""
    script = (
        "import sys\nfrom pathlib import Path\nfrom functools import partial\n"
        "from class_work import made_up_count\n"
        "from test_scale_run import run, two_processes\n"
        "from shoegoal.record.book import Book\n"
        "if __name__ == '__main__':\n"
        "    run(Book(sys.argv[1]), Path(sys.argv[2]), runner=two_processes)\n"
    )

    def once(number: int) -> None:
        with tempfile.TemporaryDirectory(prefix="shoegoal-kill-") as name:
            folder = Path(name)
            (folder / "clips").mkdir()
            for place in range(CLASS_OF):
                clip = folder / "clips" / f"Otter {place}_four-of-six.mp4"
                clip.write_text(f"clip {place}")
            runner, book = folder / "run.py", str(folder / "book.sqlite3")
            runner.write_text(script)
            command = [sys.executable, str(runner), book, str(folder / "clips")]
            environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
            with subprocess.Popen(
                command, env=environment, start_new_session=True,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            ) as process:  # fmt: skip
                time.sleep(chance.uniform(1.0, 6.0))
                os.kill(process.pid, signal.SIGKILL)
                process.wait()
                _end_group(process.pid)
            before = {h.clip_name for h in _sets(book)}
            again = subprocess.run(
                command, env=environment, capture_output=True, text=True, timeout=300, check=False
            )
            after = [h.clip_name for h in _sets(book)]
            if again.returncode != 0:
                tried.fail("cannot go on", f"round {number}: {again.stderr[-200:]}")
            elif len(after) != CLASS_OF or len(set(after)) != CLASS_OF or not before <= set(after):
                tried.fail("writes lost", f"round {number}: {sorted(after)}")
            else:
                verify_book(Book(book))

    return once


def _end_group(group: int) -> None:
    """End the workers that a killed run left, which are all of its own group."""
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return


def _sets(place: str) -> list[Any]:
    with Book(place).reading() as connection:
        return load_sets(connection)


@contextmanager
def _places() -> Iterator[list[Callable[[], str]]]:
    """Ways to name a new book: a file, and a database where PostgreSQL is installed."""
    folder = Path(tempfile.mkdtemp(prefix="shoegoal-attack-"))
    os.environ["SHOEGOAL_KEYS"] = str(folder / "keys")
    binaries = find_binaries()
    cluster = None if binaries is None else Cluster(binaries)
    ways: list[Callable[[], str]] = [lambda: str(folder / "book.sqlite3")]
    if cluster is not None:
        ways.append(cluster.new_database)
    try:
        yield ways
    finally:
        if cluster is not None:
            cluster.close()
        shutil.rmtree(folder, ignore_errors=True)
