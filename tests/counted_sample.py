"""A sample clip counted once for all the tests of a run, by the command a teacher would type."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CLIP = Path(__file__).parents[1] / "sample_clips" / "side_view.mp4"
STAGE = ("--make", "2", "--of", "4", "--width-steps", "3", "--back-steps", "10")


def counted_side_view(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that `shoegoal count` wrote; the clip lies beside it. Read only, please.

    Counting costs more than all the rest of most tests, so workers of pytest-xdist share one.
    """
    run_folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        run_folder = run_folder.parent
    yard = run_folder / "counted_side_view"
    with (run_folder / "counted_side_view.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not yard.exists():
            _count_in(run_folder / "side_view_being_counted", yard)
    return yard / CLIP.with_suffix(".shoegoal").name


def _count_in(fresh: Path, yard: Path) -> None:
    """Count, and let the folder appear only when all went well."""
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    clip = shutil.copy(CLIP, fresh)
    done = subprocess.run(
        [sys.executable, "-m", "shoegoal", "count", clip, *STAGE, "--quiet"],
        capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    assert done.returncode in (0, 3), done.stderr
    fresh.rename(yard)
