"""What a process that decodes clips may use, so that a damaged clip costs one clip and no more.

Decoders are C: a damaged clip can crash them, or keep them busy for ever, and nothing in Python
catches that. A process that was confined here is ended by the system when it asks for too much or
decodes nothing for too long; the process that started it reads the cause off the signal.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Generator
from contextlib import contextmanager
from types import FrameType

from shoegoal.threads import usable_cores

MOST_MEMORY_BYTES = 6 * 2**30  # of addresses; a count takes up some 1.6 GB of them
MOST_FILE_BYTES = 2**30  # of one file written; a result folder takes some 10 MB
MOST_OPEN_FILES = 256
# Without a packet or a picture. Between two of them lies at most the judging of a whole set, which
# takes seconds.
STALLED_CPU_S = 120  # of one core
STALLED_WALL_S = 600.0
_RENEW_S = 1.0

_CRASHES = (signal.SIGSEGV, signal.SIGBUS, signal.SIGABRT, signal.SIGILL, signal.SIGFPE)
_WAY_OUT = "the file is damaged. Copy it from the phone again, or export it again as mp4 (H.264)"

_parent: int | None = None  # of this process, once it is confined
_is_bound = False
_renewed_at = 0.0


def confine_process() -> None:
    """Bind this process's memory and files as far as the platform can; see `time_bound`, too."""
    global _parent
    _parent = os.getppid()
    try:
        import resource
    except ImportError:  # no such limits on this platform
        return
    for which, most in (
        (resource.RLIMIT_AS, MOST_MEMORY_BYTES),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, MOST_FILE_BYTES),
        (resource.RLIMIT_NOFILE, MOST_OPEN_FILES),
    ):
        _, allowed = resource.getrlimit(which)
        limit = most if allowed == resource.RLIM_INFINITY else min(most, allowed)
        resource.setrlimit(which, (limit, allowed))
    is_main = threading.current_thread() is threading.main_thread()
    if is_main and signal.getsignal(signal.SIGTSTP) is signal.SIG_DFL:
        signal.signal(signal.SIGTSTP, _pause)


@contextmanager
def time_bound() -> Generator[None, None, None]:
    """Bind the time of a confined process, from one sign of progress (`note_progress`) to the next.

    Not while it waits for work, which may take any time.
    """
    global _is_bound
    _is_bound = _parent is not None
    try:
        if _is_bound:
            _renew()
        yield
    finally:
        if _is_bound:
            _is_bound = False
            _release()


def note_progress() -> None:
    """Say that a packet was read or a picture decoded; costs next to nothing if not confined.

    A process whose parent has gone asks itself to end, as nobody waits for its result.
    """
    if not _is_bound or time.monotonic() - _renewed_at < _RENEW_S:
        return
    if os.getppid() != _parent:
        os.kill(os.getpid(), signal.SIGTERM)
    _renew()


def cause_of_end(exit_code: int | None) -> str | None:
    """Say what a clip did to the process that read it.

    Parameters
    ----------
    exit_code : of the process; below 0 the number of the signal that ended it.

    Returns
    -------
    A sentence about the clip; None where it was not the clip's doing.
    """
    if exit_code is None or exit_code >= 0:
        return None
    number = -exit_code
    if number in _CRASHES:
        return f"reading the clip crashed its decoder ({signal.Signals(number).name}): {_WAY_OUT}"
    if hasattr(signal, "SIGXCPU") and number in (signal.SIGXCPU, signal.SIGALRM):
        return f"reading the clip came to a standstill and was stopped: {_WAY_OUT}"
    return None


def _renew() -> None:
    """Move the ends of the time allowed on from now; whoever passes one is ended by its signal."""
    global _renewed_at
    _renewed_at = time.monotonic()
    if sys.platform == "win32":
        return
    import resource

    used = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s = int(used.ru_utime + used.ru_stime) + STALLED_CPU_S * usable_cores()
    _, allowed = resource.getrlimit(resource.RLIMIT_CPU)
    if allowed == resource.RLIM_INFINITY or cpu_s < allowed:
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, allowed))
    signal.setitimer(signal.ITIMER_REAL, STALLED_WALL_S)


def _release() -> None:
    if sys.platform == "win32":
        return
    import resource

    _, allowed = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (allowed, allowed))
    signal.setitimer(signal.ITIMER_REAL, 0.0)


def _pause(number: int, frame: FrameType | None) -> None:
    """Stop as a terminal asks (Ctrl-Z), with the clock stopped too."""
    signal.setitimer(signal.ITIMER_REAL, 0.0)
    os.kill(os.getpid(), signal.SIGSTOP)
    if _is_bound:
        _renew()
