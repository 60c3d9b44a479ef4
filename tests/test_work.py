"""Workers beside the page: started again when they die, and on a Dask cluster of their own."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest
from click.testing import CliRunner

from class_work import LOG_NAME, made_up_count
from shoegoal.analysis.model import StageRecord
from shoegoal.cli.main import cli
from shoegoal.clip.reader import clip_sha256
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.class_settings import remember_class
from shoegoal.record.filing import enrol
from shoegoal.record.handed_in import ClipState, HandedIn, begin, clips_of, move
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book
from shoegoal.scale import tasks
from shoegoal.scale import work as crew_room
from shoegoal.scale.work import crew

STAGE = load_ladder().stage_by_name("five-of-ten")
WITHIN_S = 90.0  # on a busy computer; what is waited for takes a few seconds
T = TypeVar("T")
# A worker as `shoegoal work` is one, that counts as the clip says and can be seen by its number.
WORKER = """
import os, sys
from pathlib import Path
from class_work import made_up_count
from shoegoal.record.book import Book
from shoegoal.scale.work import parent_is_gone
from shoegoal.scale.work import Duty, work_until
from shoegoal.scale.tasks import carry_out

book, kind = sys.argv[1], sys.argv[2]
with Path(book).with_name(f"{kind}.pids").open("a") as log:
    log.write(f"{os.getpid()}\\n")
duty = Duty(checks=kind == "checks", counts=kind == "counts", claim_s=2.0)
count = lambda task: carry_out(made_up_count, task, lambda share: None)
work_until(Book(book), duty, count, parent_is_gone, 0.05)
"""


@pytest.fixture
def book(tmp_path: Path) -> Book:
    book = Book(str(tmp_path / "book.sqlite3"))
    with book.writing() as connection:
        enrol(connection, "7b", ["Otter 12"], 0)
        remember_class(connection, "7b")
    return book


def waiting(book: Book, folder: Path, name: str, said: str) -> HandedIn:
    """A clip that waits to be counted; what it says decides what becomes of it."""
    with book.writing() as connection:
        clip = begin(connection, 1, None, StageRecord.of(STAGE), folder, name, 10)
        clip.clip_path.parent.mkdir(parents=True)
        clip.clip_path.write_text(said, encoding="utf-8")
        move(connection, clip, ClipState.WAITING, sha256=clip_sha256(clip.clip_path))
    return clip


def wait_for(ask: Callable[[], T | None]) -> T:
    deadline = time.monotonic() + WITHIN_S
    while time.monotonic() < deadline:
        found = ask()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError("it never came")


def pids(book: Book, kind: str) -> list[int]:
    assert book.file is not None
    log = book.file.with_name(f"{kind}.pids")
    return [int(line) for line in log.read_text().splitlines()] if log.exists() else []


def counted(book: Book) -> bool:
    with book.reading() as connection:
        return all(clip.state is ClipState.COUNTED for clip in clips_of(connection))


@pytest.fixture
def _own_workers(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let the crew start workers that count as the clip says."""

    def command(book: str | None, kind: str, more: object) -> list[str]:
        return [sys.executable, "-c", WORKER, str(book), kind]

    here = str(Path(__file__).parent)
    before = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", f"{here}{os.pathsep}{before}")
    monkeypatch.setattr(crew_room, "command_of", command)
    monkeypatch.setattr(crew_room, "PAUSE_S", 0.1)
    yield


@pytest.mark.usefixtures("_own_workers")
def test_a_worker_that_dies_is_started_again_and_its_clip_counted_once(
    book: Book, tmp_path: Path
) -> None:
    slow = waiting(book, tmp_path, "slow.mp4", "slow: a worker is killed while it counts this")
    plain = waiting(book, tmp_path, "plain.mp4", "pictures")
    with crew(str(book.file), 1):
        log = slow.clip_path.with_name(LOG_NAME)
        wait_for(log.exists)  # it is being counted
        first = pids(book, "counts")[0]
        os.kill(first, signal.SIGKILL)
        wait_for(lambda: counted(book))
    assert len(pids(book, "counts")) == 2 and len(pids(book, "checks")) == 1
    assert len(log.read_text().splitlines()) == 2  # begun twice,
    with book.reading() as connection:
        sets, clips = load_sets(connection), clips_of(connection)
    assert sorted(one.set_id or 0 for one in clips) == [one.set_id for one in sets]  # counted once
    assert len(sets) == 2 and all(len(one.counts) == 1 for one in sets)
    assert [clip.tries for clip in clips if clip.clip_id == slow.clip_id] == [2]
    assert [clip.tries for clip in clips if clip.clip_id == plain.clip_id] == [1]
    verify_book(book)
    for pid in [*pids(book, "counts"), *pids(book, "checks")]:  # none is left behind
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_work_on_a_dask_cluster(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(tasks, "count_clip", made_up_count)
    good = waiting(book, tmp_path, "good.mp4", "pictures")
    waiting(book, tmp_path, "bad.mp4", "no goal")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        address = cluster.scheduler_address
        done = CliRunner().invoke(
            cli, ["work", "--until-empty", "--dask", address, "--book", str(book.file)]
        )
    assert (done.exit_code, done.output) == (0, "")
    with book.reading() as connection:
        (history,) = load_sets(connection)
        states = {clip.clip_path.name: clip.state for clip in clips_of(connection)}
    assert states == {"good.mp4": ClipState.COUNTED, "bad.mp4": ClipState.NOT_COUNTED}
    assert history.clip_sha256 == clip_sha256(good.clip_path)
