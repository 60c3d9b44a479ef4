"""The same tasks on a Dask distributed cluster whose workers reach the same files.

Tasks travel pickled and run with the workers' rights: use only a cluster that you trust.
"""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Generator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shoegoal import __version__
from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.scale.tasks import DIED, POLL_S, CountTask, OnTaskProgress, TaskDone, Work, carry_out
from shoegoal.threads import limit_threads, usable_cores

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_S, RESULT_S = 15, 5
ASK_S, ALONE_S = 2.0, 20.0  # restarted workers need some seconds
GONE = (
    "the Dask cluster has no worker left; finished counts are kept: start workers and run it again"
)
TOPIC = "shoegoal-shares"
LEAST_STEP = 0.02  # of a task, between two reports
_INSTALL = "install it with: pip install 'shoegoal[dask]'"


class ClusterError(ShoegoalError):
    """The Dask cluster cannot be used: not installed, out of reach, other files or version."""

    exit_code = BadSettingsError.exit_code


def run_on_cluster(
    tasks: Sequence[CountTask], work: Work, address: str, on_progress: OnTaskProgress
) -> Generator[TaskDone, None, None]:
    """Run tasks on a cluster; yield each outcome as it comes.

    When a worker dies, the scheduler gives its task to another one; a result folder appears whole
    or not at all. A task whose workers die repeatedly is given up.

    Parameters
    ----------
    tasks : keys unique.
    work : a function of a module that the workers have too.
    address : of the scheduler, for instance ``tcp://127.0.0.1:8786``.
    on_progress : called with a key and the share of its task that is done.

    Raises
    ------
    ClusterError
        Dask is not installed, the scheduler does not answer, there is no worker, or workers do not
        reach the clips or have another version.
    """
    if not tasks:
        return
    client = _connect(address)
    try:
        _check_workers(client, address, tasks[0].clip.parent)
        yield from _outcomes(client, tasks, work, on_progress)
    finally:
        client.close()


def _connect(address: str) -> Client:
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError(
            f"Dask is not installed, so --dask cannot be used; {_INSTALL}"
        ) from error
    try:
        return Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError, ImportError) as error:
        raise ClusterError(
            f"no Dask scheduler answers at {address}; check that it runs (dask scheduler prints "
            "its address), or leave --dask out to count on this computer"
        ) from error


def _check_workers(client: Client, address: str, folder: Path) -> None:
    try:
        seen: dict[str, tuple[str, bool]] = client.run(_what_is_seen, str(folder))
    except ModuleNotFoundError as error:
        raise ClusterError(
            f"a worker at {address} has no shoegoal; install version {__version__} there"
        ) from error
    if not seen:
        raise ClusterError(
            f"the Dask scheduler at {address} has no workers; start some: dask worker {address}"
        )
    for worker, (version, sees) in seen.items():
        if version != __version__:
            raise ClusterError(
                f"the worker {worker} has shoegoal {version}, here is {__version__}; install the "
                "same version everywhere"
            )
        if not sees:
            raise ClusterError(
                f"the worker {worker} cannot write in {folder}; put the clips where all workers "
                "reach them by the same name"
            )


def _what_is_seen(folder: str) -> tuple[str, bool]:
    """Return, on a worker, its version and whether it can write beside the clips."""
    return __version__, Path(folder).is_dir() and os.access(folder, os.W_OK)


def _outcomes(
    client: Client, tasks: Sequence[CountTask], work: Work, on_progress: OnTaskProgress
) -> Generator[TaskDone, None, None]:
    done: queue.SimpleQueue[Future[TaskDone]] = queue.SimpleQueue()
    shares: queue.SimpleQueue[tuple[str, float]] = queue.SimpleQueue()
    client.subscribe_topic(TOPIC, lambda event: _store_share(shares, event))
    # The key identifies the work: the same task sent twice at once runs once.
    futures = {
        client.submit(_on_worker, work, task, key=f"shoegoal-{task.key}", pure=False): task
        for task in tasks
    }
    keys = {task.key for task in tasks}
    for future in futures:
        future.add_done_callback(done.put)
    waiting = _Waiting(client)
    while futures:
        with suppress(queue.Empty):
            future = done.get(timeout=POLL_S)
            yield _outcome_of(future, futures.pop(future))
        if waiting.is_in_vain():
            client.cancel(list(futures))
            yield from (
                TaskDone(task.key, GONE, ClusterError.exit_code) for task in futures.values()
            )
            return
        while not shares.empty():
            key, share = shares.get()
            if key in keys:
                on_progress(key, share)


class _Waiting:
    """Notices that no worker is left; Dask itself would wait for new ones."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._asked_at = self._seen_at = time.monotonic()

    def is_in_vain(self) -> bool:
        """Whether there has been no worker or no scheduler for too long."""
        now = time.monotonic()
        if now - self._asked_at >= ASK_S:
            self._asked_at = now
            if self._client.status == "running" and self._client.scheduler_info()["workers"]:
                self._seen_at = now
        return now - self._seen_at > ALONE_S


def _store_share(shares: queue.SimpleQueue[tuple[str, float]], event: Any) -> None:
    _, (key, share) = event
    shares.put((str(key), float(share)))


def _outcome_of(future: Future[TaskDone], task: CountTask) -> TaskDone:
    from distributed import KilledWorker

    try:
        outcome: TaskDone = future.result(timeout=RESULT_S)
    except KilledWorker:
        return TaskDone(task.key, f"{DIED}, on several workers", 1)
    except TimeoutError:  # the result was on a worker that died
        return TaskDone(task.key, GONE, ClusterError.exit_code)
    except Exception as error:  # the cluster went away, or lost the task
        words = " ".join(f"{type(error).__name__}: {error}".split())
        return TaskDone(task.key, f"the cluster did not count it ({words})", 1)
    return outcome


def _on_worker(work: Work, task: CountTask) -> TaskDone:
    from distributed import get_worker

    worker = get_worker()
    limit_threads(max(1, usable_cores() // worker.state.nthreads))
    reported = 0.0

    def on_progress(share: float) -> None:
        nonlocal reported
        if share - reported >= LEAST_STEP:
            reported = share
            worker.log_event(TOPIC, (task.key, share))

    return carry_out(work, task, on_progress)
