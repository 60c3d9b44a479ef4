"""The queue of clips that were handed in: workers killed at any moment, on both databases.

100 times in each of them a worker is killed at a random moment of its work. In the end every clip
is a set of the book, exactly one, counted once.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from class_work import LOG_NAME
from shoegoal.analysis.model import StageRecord
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import ClipUnreadableError
from shoegoal.filming_check.pupil import Pictures, PupilAnswer
from shoegoal.ladder.ladders import load_ladder
from shoegoal.ladder.rules import Stage
from shoegoal.record.book import Book
from shoegoal.record.class_settings import remember_class
from shoegoal.record.filing import enrol
from shoegoal.record.handed_in import (
    MOST_TRIES,
    ClaimLostError,
    ClipState,
    begin,
    claim_next,
    clips_of,
    finish,
    keep_claim,
    move,
)
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book
from shoegoal.scale.tasks import ClipReader, CountTask, TaskDone
from shoegoal.scale.work import Duty, work_once

KILLS, CLIPS = 100, 8
STAGE = load_ladder().stage_by_name("five-of-ten")

# Loads everything once, then lets one child after the other work until it is killed. A count writes
# its result with a pause before and after, so that kills fall everywhere.
WORKERS = """
import os, sys, time
from class_work import made_up_count
from shoegoal.record import handed_in
from shoegoal.record.book import Book
from shoegoal.scale import work as worker_room
from shoegoal.scale.work import Duty, work_once
from shoegoal.scale.tasks import carry_out

# Tries are given up after a few; here all of them are killed, whatever the clip.
worker_room.MOST_TRIES = 10_000

def slowly(task, tell):
    time.sleep(0.02)
    made_up_count(task, tell)
    time.sleep(0.02)

def count(task):
    return carry_out(slowly, task, lambda share: None)

def work(place):
    os.write(1, f"{os.getpid()}\\n".encode())
    book, duty = Book(place, wait_s=10), Duty(checks=False, claim_s=0.3)
    os.write(1, b"open\\n")
    while True:
        if not work_once(book, duty, count):
            os.write(1, b"idle\\n")
            time.sleep(0.02)

for line in sys.stdin:
    child = os.fork()
    if child == 0:
        work(line.strip())
        os._exit(1)
    os.waitpid(child, 0)
    os.write(1, b"gone\\n")
"""


@pytest.fixture
def workers() -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", WORKERS], cwd=Path(__file__).parent,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
    ) as running:  # fmt: skip
        yield running
        running.kill()


def hand_in(book: Book, folder: Path, number: int, said: str = "pictures") -> None:
    """A clip that waits to be counted."""
    with book.writing() as connection:
        if not clips_of(connection):
            enrol(connection, "7b", ["Otter 12"], 0)
            remember_class(connection, "7b")
        clip = begin(connection, 1, None, StageRecord.of(STAGE), folder, f"{number}.mp4", 10)
        clip.clip_path.parent.mkdir(parents=True)
        clip.clip_path.write_text(f"{said} {number}", encoding="utf-8")
        move(connection, clip, ClipState.WAITING, sha256=clip_sha256(clip.clip_path))


def told(workers: subprocess.Popen[str]) -> str:
    assert workers.stdout is not None
    return workers.stdout.readline().strip()


def test_killed_a_hundred_times_no_clip_is_lost_and_none_counted_twice(
    book_place: str, tmp_path: Path, workers: subprocess.Popen[str]
) -> None:
    chance = random.Random(20261128)
    book = Book(book_place)
    for number in range(CLIPS):
        hand_in(book, tmp_path, number)
    assert workers.stdin is not None and workers.stdout is not None
    for kill in range(KILLS + 1):
        if kill % 10 == 9:
            hand_in(book, tmp_path, CLIPS + kill)  # so that there is always something to do
        workers.stdin.write(f"{book_place}\n")
        child = int(told(workers))
        while told(workers) != "open":
            pass
        if kill == KILLS:
            break
        time.sleep(chance.uniform(0.0, 0.15))
        os.kill(child, signal.SIGKILL)
        while told(workers) != "gone":
            pass
    deadline = time.monotonic() + 120
    while _waiting(book) and time.monotonic() < deadline:
        time.sleep(0.1)
    os.kill(child, signal.SIGKILL)
    with book.reading() as connection:
        clips, sets = clips_of(connection), load_sets(connection)
    assert [clip.why for clip in clips if clip.state is not ClipState.COUNTED] == []
    assert len(clips) == CLIPS + KILLS // 10
    assert sorted(clip.set_id or 0 for clip in clips) == [one.set_id for one in sets]
    assert all(len(one.counts) == 1 for one in sets)
    verify_book(book)
    begun = [len(log.read_text().splitlines()) for log in tmp_path.glob(f"*/{LOG_NAME}")]
    assert len(begun) == len(clips) and max(begun) > 1  # counts were broken off, too


def _waiting(book: Book) -> bool:
    with book.reading() as connection:
        return bool(clips_of(connection, states=[ClipState.WAITING, ClipState.COUNTING]))


def test_a_claim_runs_out_and_whoever_comes_back_late_writes_nothing(
    book: Book, tmp_path: Path
) -> None:
    hand_in(book, tmp_path, 1)
    now = datetime.now(UTC)
    with book.writing(history=False) as connection:
        taken = claim_next(connection, check=False, claim_s=20, now=now)
        assert claim_next(connection, check=False, now=now) is None  # it is somebody's
    assert taken is not None
    clip, late = taken
    with book.writing(history=False) as connection:
        again = claim_next(connection, check=False, now=now + timedelta(seconds=21))
    assert again is not None and again[0].clip_id == clip.clip_id and again[0].tries == 2
    with pytest.raises(ClaimLostError), book.writing(history=False) as connection:
        finish(connection, clip, late, ClipState.NOT_COUNTED, why="no goal")
    with book.writing(history=False) as connection:
        assert not keep_claim(connection, clip, late)
        assert keep_claim(connection, clip, again[1])
        finish(connection, again[0], again[1], ClipState.NOT_COUNTED, why="no goal")
    with book.reading() as connection:
        assert clips_of(connection)[0].why == "no goal"


def test_two_workers_never_get_the_same_clip(book: Book, tmp_path: Path) -> None:
    """PostgreSQL: FOR UPDATE SKIP LOCKED lets the second take the next; SQLite has one writer."""
    for number in range(2):
        hand_in(book, tmp_path, number)
    if book.file is None:
        with (
            book.writing(history=False) as first,
            book.writing(history=False) as second,
        ):
            one, other = (claim_next(c, check=False) for c in (first, second))
    else:
        with book.writing(history=False) as connection:
            one = claim_next(connection, check=False)
        with book.writing(history=False) as connection:
            other = claim_next(connection, check=False)
    assert one is not None and other is not None and one[0].clip_id != other[0].clip_id


def test_what_cannot_be_counted_says_why_and_what_always_breaks_off_is_given_up(
    book: Book, tmp_path: Path
) -> None:
    def refuses(task: CountTask) -> TaskDone:
        return TaskDone(task.key, "no goal was found; film so that both markers are in view", 5)

    hand_in(book, tmp_path, 1)
    duty = Duty(checks=False)
    assert work_once(book, duty, refuses) and not work_once(book, duty, refuses)
    with book.reading() as connection:
        (clip,) = clips_of(connection)
    assert clip.state is ClipState.NOT_COUNTED and clip.why.startswith("no goal was found")

    hand_in(book, tmp_path, 2)
    for _ in range(MOST_TRIES):
        with book.writing(history=False) as connection:
            assert claim_next(connection, check=False, claim_s=-1) is not None  # and it dies
    assert work_once(book, duty, refuses)
    with book.reading() as connection:
        assert clips_of(connection)[0].why == "counting it was interrupted several times"


def test_a_clip_that_crashes_or_stalls_its_reader_is_one_clip_refused(
    book: Book, tmp_path: Path
) -> None:
    """Its check lets it pass, for the count says why it cannot be read; the next goes on."""
    hand_in(book, tmp_path, 1)
    with book.writing(history=False) as connection:
        (clip,) = clips_of(connection)
        assert move(connection, clip, ClipState.RECEIVED)
    with ClipReader() as reader:

        def check(
            clip: Path, stage: Stage, longest_min: float
        ) -> tuple[PupilAnswer, Pictures | None]:
            return reader.do(os.kill, reader.do(os.getpid), signal.SIGSEGV)  # type: ignore[return-value]

        def count(task: CountTask) -> TaskDone:
            try:
                reader.do(os.kill, reader.do(os.getpid), signal.SIGXCPU)
            except ClipUnreadableError as error:
                return TaskDone(task.key, str(error), error.exit_code)
            raise AssertionError("it lives on")

        duty = Duty()
        assert work_once(book, duty, count, check) and work_once(book, duty, count, check)
        assert reader.do(len, "the next") == 8
        os.kill(reader.do(os.getpid), signal.SIGKILL)  # while it waits
        assert reader.do(len, "the next") == 8
    with book.reading() as connection:
        (clip,) = clips_of(connection)
    assert clip.state is ClipState.NOT_COUNTED and "standstill" in clip.why
