"""Run a command in its own process: if a decoder crashes or hangs, only the clip is refused.

A command that reads clips runs in a child with limits (`shoegoal.limits`), while this process waits
and passes signals on. It costs a fork before anything is loaded, a few milliseconds. Counts of a
class and of clips that were handed in have their own processes (`shoegoal.scale.tasks`).
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable

from shoegoal.errors import ClipUnreadableError

COMMANDS = ("fit", "count", "form", "lens")
_PASSED_ON = (signal.SIGINT, signal.SIGTERM)
_FROM_A_TERMINAL = 0x80  # si_code SI_KERNEL: the child, of the same group, has it already
_DIE_WITH_PARENT = 1  # prctl(2), PR_SET_PDEATHSIG


def can_run_apart() -> bool:
    """Whether this platform can do it, and no thread was started that a fork would break."""
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
        Reading the clip crashed the process, or hung.
    """
    waited_for = {*_PASSED_ON, signal.SIGCHLD}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, waited_for)
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        _die_with(parent)
        from shoegoal.limits import confine_process, time_bound

        confine_process()
        with time_bound():
            code = work()
        sys.exit(code)
    try:
        status = _wait(child, waited_for)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    if os.WIFEXITED(status):
        return os.WEXITSTATUS(status)
    from shoegoal.limits import cause_of_end

    number = os.WTERMSIG(status)
    cause = cause_of_end(-number)
    if cause is not None:
        raise ClipUnreadableError(cause)
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


def _die_with(parent: int) -> None:
    """End this process when its parent ends, in whatever way."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
        if os.getppid() != parent:  # it died before the call
            os._exit(128 + signal.SIGKILL)
