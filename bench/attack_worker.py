"""A process that meets hostile files one after another and says what became of each.

    python attack_worker.py KIND SEED FIRST LAST FOLDER

writes a line of JSON for every case: what was done, how it ended, how long it took, how much memory
the process held at its fullest, and how many bytes were written past Python to standard error. When
it dies, the parent starts another one behind the case that killed it.
"""

from __future__ import annotations

import json
import os
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from attack_clips import meet_clip, prepare_clips
from attack_files import meet_file
from shoegoal.errors import ShoegoalError
from shoegoal.limits import confine_process, time_bound

KINDS: dict[str, Callable[[int, int, Path], str]] = {"clips": meet_clip, "files": meet_file}


def main() -> None:
    kind, seed, first, last, folder = sys.argv[1:]
    told = os.fdopen(os.dup(1), "w", buffering=1)  # the parent reads it line by line
    past_python = Path(folder) / "stderr"
    handle = os.open(past_python, os.O_CREAT | os.O_WRONLY | os.O_APPEND | os.O_TRUNC)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    warnings.simplefilter("error")
    prepare_clips()  # now, for encoders print what they like
    confine_process()  # as the processes are that read clips for a user
    for case in range(int(first), int(last)):
        print(json.dumps({"begun": case}), file=told)
        before = past_python.stat().st_size
        _forget_peak()
        began = time.monotonic()
        try:
            with time_bound():
                what, end = KINDS[kind](int(seed), case, Path(folder)), "read"
        except ShoegoalError as error:
            what, end = f"{type(error).__name__}: {error}"[:300], "refused"
        except BaseException as error:
            where = traceback.extract_tb(error.__traceback__)[-1]
            what, end = f"{error!r} at {where.filename}:{where.lineno}"[:300], "traceback"
        sys.stdout.flush()
        sys.stderr.flush()
        line = {
            "case": case,
            "end": end,
            "what": what,
            "wall_s": time.monotonic() - began,
            "peak_mb": _peak_mb(),
            "printed": past_python.stat().st_size - before,
        }
        print(json.dumps(line), file=told)
    told.close()


def _forget_peak() -> None:
    """Let the kernel start the count of the most memory held anew (proc(5), clear_refs)."""
    Path("/proc/self/clear_refs").write_text("5")


def _peak_mb() -> float:
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


if __name__ == "__main__":
    main()
