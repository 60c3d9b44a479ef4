"""A process killed at any moment, and a database that crashes: nothing signed is lost."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from postgresql_cluster import Cluster
from shoegoal.record.book import Book
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book

ROUNDS = 8
LONGEST_S = 0.2  # from an acknowledged signature to the kill; filing and signing take about a tenth

# Loads everything once, then for every line it reads lets a child of its own file, correct and sign
# without end; the child says a set's clip only once its signature is acknowledged.
WRITERS = """
import os, sys
from record_books import file_set
from shoegoal.record.book import Book
from shoegoal.record.status import Answer
from shoegoal.record.reviewing import answer_shot, sign

def write(place, round_name):
    book = Book(place)
    for number in range(10_000):
        name = f"{round_name}-{number}.mp4"
        set_id = file_set(book, name).set_id
        answer_shot(book, set_id, 5, Answer.MAKE)
        sign(book, set_id, "T. Quill")
        os.write(1, f"{name}\\n".encode())

for line in sys.stdin:
    place, round_name = line.split()
    child = os.fork()
    if child == 0:
        write(place, round_name)
        os._exit(1)
    os.write(1, f"{child}\\n".encode())
    _, status = os.waitpid(child, 0)
    os.write(1, f"ended by {os.WTERMSIG(status)}\\n".encode())
"""


class Writers:
    """Processes that sign until they are killed."""

    def __init__(self) -> None:
        self._parent = subprocess.Popen(
            [sys.executable, "-c", WRITERS], cwd=Path(__file__).parent,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def sign_until_killed(self, place: str, round_name: str, least: int, more_s: float) -> set[str]:
        """Kill a writer some time after so many acknowledged signatures; return all of them."""
        parent = self._parent
        assert parent.stdin is not None and parent.stdout is not None
        parent.stdin.write(f"{place} {round_name}\n")
        parent.stdin.flush()
        lines = iter(parent.stdout.readline, "")
        child, told = 0, set[str]()
        for line in lines:
            if line.strip().isdigit():
                child = int(line)
            elif line.startswith("ended"):
                assert line == f"ended by {int(signal.SIGKILL)}\n"
                return told
            else:
                told.add(line.strip())
            if child and len(told) == least:
                time.sleep(more_s)
                os.kill(child, signal.SIGKILL)
        raise AssertionError("the writers ended of their own accord")

    def close(self) -> None:
        self._parent.kill()
        self._parent.communicate(timeout=30)


@pytest.fixture(scope="module")
def writers() -> Iterator[Writers]:
    running = Writers()
    yield running
    running.close()


def signed_clips(place: str) -> set[str]:
    book = Book(place)
    proof, before = verify_book(book), None
    # A server may still be committing what a killed writer had sent: wait until nothing changes.
    while before is None or proof.head != before.head:
        before = proof
        with book.reading() as connection:
            signed = {h.clip_name for h in load_sets(connection) if h.signature is not None}
        proof = verify_book(book)
    assert len(signed) == proof.signatures
    return signed


def test_killed_at_random_moments_nothing_signed_is_lost(book_place: str, writers: Writers) -> None:
    chance = random.Random(20260301)
    acknowledged: set[str] = set()
    for number in range(ROUNDS):
        least, more_s = chance.randint(1, 3), chance.uniform(0.0, LONGEST_S)
        told = writers.sign_until_killed(book_place, f"round{number}", least, more_s)
        assert len(told) >= least
        acknowledged |= told
        found = signed_clips(book_place)
        assert acknowledged <= found
        # A kill may fall between the commit and its saying so: one more at most, each round.
        assert len(found - acknowledged) <= number + 1


def test_a_database_server_that_crashes_loses_nothing_signed(
    cluster: Cluster, writers: Writers
) -> None:
    place = cluster.new_database()
    acknowledged = writers.sign_until_killed(place, "crash", 3, 0.1)
    cluster.crash()
    cluster.start()
    assert len(acknowledged) >= 3 and acknowledged <= signed_clips(place)


def test_a_new_book_killed_while_it_is_made(tmp_path: Path) -> None:
    """Tables appear all together or not at all."""
    chance = random.Random(7)
    script = "import sys; from shoegoal.record.book import Book; print(1, flush=True); "
    script += "Book(sys.argv[1]); print(2, flush=True)"
    finished = 0
    for number in range(6):
        place = str(tmp_path / f"book{number}.sqlite3")
        with subprocess.Popen(
            [sys.executable, "-c", script, place],
            cwd=Path(__file__).parent,
            stdout=subprocess.PIPE,
            text=True,
        ) as maker:
            assert maker.stdout is not None
            assert maker.stdout.readline() == "1\n"
            time.sleep(chance.uniform(0.0, 1.0))
            maker.kill()
            finished += maker.communicate(timeout=30)[0] == "2\n"
        assert signed_clips(place) == set()
    assert finished < 6  # at least one was killed on the way
