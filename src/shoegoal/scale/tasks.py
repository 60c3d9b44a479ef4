"""A clip as a task, and the processes on this computer that run tasks; each may die by itself."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.sharedctypes import RawArray
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from shoegoal.errors import ClipUnreadableError, ShoegoalError
from shoegoal.ladder.rules import Stage
from shoegoal.limits import cause_of_end, confine_process, time_bound
from shoegoal.threads import limit_threads, usable_cores
from shoegoal.types import ImagePoint

if TYPE_CHECKING:
    from pebble import ProcessPool

UNEXPECTED = 1
# Called with the share done, 0..1, of the running task.
OnProgress: TypeAlias = Callable[[float], None]
# Called with a task's key and the share done.
OnTaskProgress: TypeAlias = Callable[[str, float], None]
Shares = ctypes.Array[ctypes.c_double]
T = TypeVar("T")
POLL_S = 0.25
AHEAD = 2
MOST_TRIES = 2  # another task may have made the process die
DIED = "the process that counted it was killed, or ran out of memory"
# Set when a worker process starts.
_shares: Shares | None = None


@dataclass(frozen=True, slots=True)
class CountTask:
    """A clip to count.

    Attributes
    ----------
    key : the same for the same work: the clip's SHA-256 and the stage.
    clip, folder : what to count, and the result folder to write.
    stage : what it was filmed for.
    left_px, right_px : markers' feet if a person pointed at them; None to find them.
    with_form : read the kicker's form too, where the stage has a goal.
    """

    key: str
    clip: Path
    folder: Path
    stage: Stage
    left_px: ImagePoint | None = None
    right_px: ImagePoint | None = None
    with_form: bool = False


@dataclass(frozen=True, slots=True)
class TaskDone:
    """The outcome of a task.

    Attributes
    ----------
    key : of the task.
    trouble : why there is no result; None where there is one.
    exit_code : exit code of ``count``; 0 with a result.
    wall_s, cpu_s : time without start-up; CPU time of the whole process.
    """

    key: str
    trouble: str | None = None
    exit_code: int = 0
    wall_s: float = 0.0
    cpu_s: float = 0.0


Work: TypeAlias = Callable[[CountTask, OnProgress], None]


def count_clip(task: CountTask, on_progress: OnProgress) -> None:
    """Count one clip and write its result folder, whole or not at all.

    Raises
    ------
    ShoegoalError
        As for ``shoegoal count``.
    """
    import shoegoal

    shoegoal.count(
        task.clip,
        stage=task.stage,
        left=task.left_px,
        right=task.right_px,
        out=task.folder,
        on_progress=on_progress,
    )
    if task.with_form and task.stage.width_steps is not None:
        with suppress(ShoegoalError):  # a count is complete without form
            shoegoal.form(task.folder, clip=task.clip)


def carry_out(work: Work, task: CountTask, on_progress: OnProgress) -> TaskDone:
    """Run a task; errors are returned as text, so that the other tasks go on."""
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    trouble, exit_code = None, 0
    try:
        work(task, on_progress)
    except ShoegoalError as error:
        trouble, exit_code = " ".join(str(error).split()), error.exit_code
    except Exception as error:
        words = " ".join(f"{type(error).__name__}: {error}".split())
        trouble = f"unexpected error ({words}); this is a fault in shoegoal, please report it"
        exit_code = UNEXPECTED
    return TaskDone(
        task.key, trouble, exit_code, time.perf_counter() - wall_s, time.process_time() - cpu_s
    )


def run_in_processes(
    tasks: Sequence[CountTask], work: Work, workers: int, on_progress: OnTaskProgress
) -> Generator[TaskDone, None, None]:
    """Run tasks in worker processes; yield each outcome as it comes.

    Parameters
    ----------
    tasks : keys unique.
    work : a module's function, because the worker finds it by name.
    workers : processes at a time, at least 1.
    on_progress : called with a key and the share of its task that is done.

    When the iteration is left early or by an exception, the workers are ended.
    """
    if not tasks:
        return
    # Shares done are in memory without a lock, so that a worker killed while it reports does not
    # block the others.
    shares = RawArray(ctypes.c_double, len(tasks))
    workers = min(workers, len(tasks))
    pool = _Processes(workers, shares)
    try:
        yield from _outcomes(pool, tasks, work, workers, shares, on_progress)
    finally:
        pool.end()


class _Processes:
    """Worker processes, one of which may die; all are replaced where its death breaks the pool."""

    def __init__(self, workers: int, shares: Shares | None) -> None:
        self._workers, self._shares = workers, shares
        self._pool = self._fresh()

    def _fresh(self) -> ProcessPool:
        from pebble import ProcessPool

        return ProcessPool(
            max_workers=self._workers,
            initializer=_start_worker,
            initargs=(self._shares, max(1, usable_cores() // self._workers)),
            # A new interpreter: a fork would copy locks held by threads that it does not have.
            context=multiprocessing.get_context("spawn"),
        )

    def schedule(self, function: Callable[..., T], *args: object) -> Future[T]:
        """Have a module's function called.

        The future raises ``BrokenProcessPool`` where a process died between two tasks.
        """
        try:
            return self._pool.schedule(function, args=args)
        except RuntimeError:  # a process died while it waited
            self.end()
            self._pool = self._fresh()
            return self._pool.schedule(function, args=args)

    def end(self) -> None:
        """End the processes."""
        self._pool.stop()
        self._pool.join()


def _outcomes(
    pool: _Processes,
    tasks: Sequence[CountTask],
    work: Work,
    workers: int,
    shares: Shares,
    on_progress: OnTaskProgress,
) -> Generator[TaskDone, None, None]:
    waiting = deque((place, 1) for place in range(len(tasks)))
    running: dict[Future[TaskDone], tuple[int, int]] = {}
    reported = [0.0] * len(tasks)
    while waiting or running:
        # A few more than can run, so that no worker waits; not all, because a class may be large.
        while waiting and len(running) < workers + AHEAD:
            place, tries = waiting.popleft()
            shares[place] = 0.0
            running[pool.schedule(_in_worker, work, tasks[place], place)] = (place, tries)
        finished, _ = wait(running, timeout=POLL_S, return_when=FIRST_COMPLETED)
        for place, _ in running.values():
            if shares[place] != reported[place]:
                reported[place] = shares[place]
                on_progress(tasks[place].key, reported[place])
        for future in finished:
            place, tries = running.pop(future)
            outcome = _outcome_of(future, tasks[place])
            if outcome is None and tries < MOST_TRIES:
                waiting.appendleft((place, tries + 1))
            else:
                yield outcome or TaskDone(tasks[place].key, f"{DIED}, {tries} times", 1)


def _outcome_of(future: Future[TaskDone], task: CountTask) -> TaskDone | None:
    """Return a task's outcome; None where its process died for another reason than the clip."""
    from pebble import ProcessExpired

    try:
        return future.result()
    except ProcessExpired as error:
        cause = cause_of_end(error.exitcode)
        return None if cause is None else TaskDone(task.key, cause, ClipUnreadableError.exit_code)
    except BrokenProcessPool:
        return None
    except Exception as error:  # a result cannot be sent
        return TaskDone(task.key, f"it could not be counted ({error})", 1)


class ClipReader:
    """A process that reads clips for this one and is kept between tasks; a context manager."""

    def __init__(self) -> None:
        self._processes = _Processes(1, None)

    def __enter__(self) -> ClipReader:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._processes.end()

    def do(self, function: Callable[..., T], *args: object) -> T:
        """Call a module's function in the process; its exceptions are raised here.

        Raises
        ------
        ClipUnreadableError
            The process died.
        """
        from pebble import ProcessExpired

        cause: str | None = None
        for _ in range(MOST_TRIES):
            try:
                answer: T = self._processes.schedule(_bound, function, *args).result()
                return answer
            except ProcessExpired as error:
                cause = cause_of_end(error.exitcode)
                if cause is not None:
                    break
            except BrokenProcessPool:
                cause = None
        raise ClipUnreadableError(cause or f"{DIED}, {MOST_TRIES} times")

    def count(self, task: CountTask) -> TaskDone:
        """Count a clip; errors are returned as text."""
        try:
            return self.do(_count, task)
        except ClipUnreadableError as error:
            return TaskDone(task.key, str(error), error.exit_code)


def _bound(function: Callable[..., T], *args: object) -> T:
    with time_bound():
        return function(*args)


def _count(task: CountTask) -> TaskDone:
    return _in_worker(count_clip, task, None)


def _start_worker(shares: Shares | None, threads: int) -> None:
    global _shares
    _shares = shares
    limit_threads(threads)
    confine_process()
    # The pool ends its workers with SIGTERM, and an ended count removes its unfinished result.
    signal.signal(signal.SIGTERM, _end)


def _end(number: int, frame: FrameType | None) -> None:
    raise SystemExit


def _in_worker(work: Work, task: CountTask, place: int | None) -> TaskDone:
    def on_progress(share: float) -> None:
        if _shares is not None and place is not None:
            _shares[place] = min(1.0, max(0.0, share))

    try:
        with time_bound():
            return carry_out(work, task, on_progress)
    except SystemExit:  # ended by SIGTERM, after clearing up; the pool would reuse this process
        os._exit(1)
