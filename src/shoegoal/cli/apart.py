"""A command in a process of its own: a decoder that crashes is then a clip that is refused.

Decoders are C, and a damaged clip can crash them; nothing in Python catches that. So a command that
reads clips runs in a child with a limit on its memory, while this process waits and passes signals
on. It costs a fork before anything is loaded, a few milliseconds. Counting a class has processes of
its own (`shoegoal.scale.tasks`).
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable

from shoegoal.errors import ClipUnreadableError

COMMANDS = ("fit", "count", "form", "lens")
MOST_MEMORY_BYTES = 6 * 2**30  # of addresses; a count takes up some 1.6 GB of them
_CRASHES = (signal.SIGSEGV, signal.SIGBUS, signal.SIGABRT, signal.SIGILL, signal.SIGFPE)
_PASSED_ON = (signal.SIGINT, signal.SIGTERM)
_FROM_A_TERMINAL = 0x80  # si_code SI_KERNEL: the child, of the same group, has it already
_DIE_WITH_PARENT = 1  # prctl(2), PR_SET_PDEATHSIG


def can_run_apart() -> bool:
    """Whether this platform has what it takes, and nothing was begun that a fork would break."""
    return (
        hasattr(os, "fork")
        and hasattr(signal, "sigwaitinfo")
        and threading.active_count() == 1
        and threading.current_thread() is threading.main_thread()
    )


def run_apart(work: Callable[[], int]) -> int:
    """Run in a child process; return its exit code.

    Raises
    ------
    ClipUnreadableError
        It crashed.
    """
    waited_for = {*_PASSED_ON, signal.SIGCHLD}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, waited_for)
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        _limit(parent)
        sys.exit(work())
    try:
        status = _wait(child, waited_for)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    if os.WIFEXITED(status):
        return os.WEXITSTATUS(status)
    number = os.WTERMSIG(status)
    if number in _CRASHES:
        raise ClipUnreadableError(
            f"reading the clip crashed its decoder ({signal.Signals(number).name}): the file is "
            "damaged. Copy it from the phone again, or export it again as mp4 (H.264)"
        )
    return 128 + number


def _wait(child: int, waited_for: set[signal.Signals]) -> int:
    while True:
        came = signal.sigwaitinfo(waited_for)
        if came.si_signo in _PASSED_ON:
            if came.si_code != _FROM_A_TERMINAL:
                os.kill(child, came.si_signo)
            continue
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return status


def _limit(parent: int) -> None:
    """Bind the child's memory, its core file and its life."""
    import resource

    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = MOST_MEMORY_BYTES
    limit = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
    resource.setrlimit(resource.RLIMIT_AS, (limit, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
        if os.getppid() != parent:  # it died before that was said
            os._exit(128 + signal.SIGKILL)
