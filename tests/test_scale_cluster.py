"""The same class run on a Dask cluster: a real scheduler and two real workers on loopback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from pathlib import Path

import pytest

from class_work import begun_names, made_up_count, pid_of
from shoegoal.record.book import Book
from shoegoal.scale import cluster
from shoegoal.scale.cluster import ClusterError, run_on_cluster
from shoegoal.scale.tasks import CountTask, OnTaskProgress, TaskDone, Work
from test_scale_run import LADDER, STAGE, put, run, sets_of, sqlite_book

__all__ = ["sqlite_book"]  # a fixture
PATIENCE_S = 120.0


def until(what: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def start(kind: str, *args: str, said: Path) -> subprocess.Popen[bytes]:
    """Start a scheduler or a worker as anybody would."""
    command = [sys.executable, "-m", "distributed.cli.dask_" + kind, *args, "--no-dashboard"]
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
        # Workers that are killed are not waited for any longer than a test needs.
        "DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": "10s",
    }
    with said.open("wb") as log:
        return subprocess.Popen(command, stdout=log, stderr=log, env=environment)


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """Address of a scheduler that has no workers yet."""
    log = tmp_path / "scheduler.log"
    process = start("scheduler", "--host", "127.0.0.1", "--port", "0", said=log)
    try:
        until(lambda: b"Scheduler at:" in log.read_bytes())
        (line,) = [line for line in log.read_text().splitlines() if "Scheduler at:" in line]
        yield line.split()[-1]
    finally:
        process.kill()
        process.wait()


@pytest.fixture
def workers(scheduler: str, tmp_path: Path) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Two workers of one thread each, without anybody to start them again."""
    alone = ("--nthreads", "1", "--no-nanny", "--host", "127.0.0.1")
    local = ("--local-directory", str(tmp_path / "scratch"))
    logs = [tmp_path / f"worker-{n}.log" for n in range(2)]
    processes = [start("worker", scheduler, *alone, *local, said=log) for log in logs]
    try:
        for log in logs:
            until(lambda log=log: b"Registered to:" in log.read_bytes())  # type: ignore[misc]
        yield processes
    finally:
        for process in processes:
            process.kill()
            process.wait()


def test_a_worker_killed_mid_run_loses_and_doubles_nothing(
    scheduler: str, workers: list[subprocess.Popen[bytes]], sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="slow", Bee="one", Cat="no goal", Dog="two", Emu="three unsure", Zoë="four")
    slow = f"Ant_{STAGE}.mp4"
    killed: list[int | None] = []

    def on_cluster(
        tasks: Sequence[CountTask], work: Work, on_progress: OnTaskProgress
    ) -> Generator[TaskDone, None, None]:
        for done in run_on_cluster(tasks, work, scheduler, on_progress):
            yield done
            # One worker has the slow clip: a minute, when it is begun for the first time.
            if not killed:
                until(lambda: pid_of(folder, slow) is not None)
                pid = pid_of(folder, slow)
                assert pid in [process.pid for process in workers]
                killed.append(pid)
                os.kill(pid or 0, signal.SIGKILL)

    outcomes = run(sqlite_book, folder, runner=on_cluster)
    assert killed
    assert {name: one.news for name, one in outcomes.items()} == {
        "Ant": "counted", "Bee": "counted", "Cat": "failed", "Dog": "counted", "Emu": "counted",
        "Zoë": "counted",
    }  # fmt: skip
    assert outcomes["Cat"].exit_code == 5 and outcomes["Emu"].state == "look"
    assert [name for name, *_ in sets_of(sqlite_book)] == ["Ant", "Bee", "Dog", "Emu", "Zoë"]
    assert all(version == 1 for *_, version in sets_of(sqlite_book))
    assert begun_names(folder).count(slow) == 2
    # A second run finds everything there, and asks the cluster for the failed one alone.
    again = run(sqlite_book, folder, runner=on_cluster)
    assert [n for n, one in again.items() if one.news != "counted before"] == ["Cat"]


def test_a_cluster_that_cannot_be_used(
    scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 2)
    put(tmp_path / "clips", Ant="one")
    clip = tmp_path / "clips" / f"Ant_{STAGE}.mp4"
    task = CountTask("key", clip, clip.with_suffix(".shoegoal"), LADDER.stages[0])

    def count_on(address: str) -> None:
        list(run_on_cluster([task], made_up_count, address, lambda key, share: None))

    with pytest.raises(ClusterError, match="has no workers"):
        count_on(scheduler)
    for address in ("tcp://127.0.0.1:9", "127.0.0.1:99999", "nonsense://here", ""):
        with pytest.raises(ClusterError, match="no Dask scheduler answers"):
            count_on(address)


def test_with_all_workers_dead_it_ends_with_what_is_kept(
    scheduler: str,
    workers: list[subprocess.Popen[bytes]],
    sqlite_book: Book,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cluster, "ASK_S", 0.2)
    monkeypatch.setattr(cluster, "ALONE_S", 2.0)
    folder = tmp_path / "clips"
    put(folder, Ant="slow", Bee="one", Cat="two", Dog="four")

    def on_cluster(
        tasks: Sequence[CountTask], work: Work, on_progress: OnTaskProgress
    ) -> Generator[TaskDone, None, None]:
        for number, done in enumerate(run_on_cluster(tasks, work, scheduler, on_progress)):
            yield done
            if number == 0:
                for process in workers:
                    process.kill()

    began = time.monotonic()
    outcomes = run(sqlite_book, folder, runner=on_cluster)
    assert time.monotonic() - began < PATIENCE_S
    kept = [name for name, one in outcomes.items() if one.news == "counted"]
    lost = [one for one in outcomes.values() if one.news == "failed"]
    assert kept == [name for name, *_ in sets_of(sqlite_book)] and lost
    assert {one.sentence for one in lost} == {cluster.GONE}
