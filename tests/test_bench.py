"""The benchmark script runs; no time is asserted here, machines differ."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[1] / "bench" / "bench_count.py"


def test_quick_bench_runs_on_a_tiny_clip(tmp_path: Path) -> None:
    command = [sys.executable, str(SCRIPT), "--quick", "--tiny", "--json", "--cache", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    runs = {run["kind"]: run for run in json.loads(done.stdout)["runs"]}
    assert set(runs) == {"decode", "evidence"}
    assert runs["decode"]["found"] == "300 pictures"  # 10 s at 30 a second
    assert runs["decode"]["wall_ratio"] == runs["decode"]["cpu_ratio"] == 1.0
    for run in runs.values():
        assert run["wall_s"] > 0 and run["cpu_s"] > 0 and run["peak_mb"] > 10


def test_quick_look_bench_runs_on_a_tiny_clip(tmp_path: Path) -> None:
    script = SCRIPT.with_name("bench_fit.py")
    command = [sys.executable, str(script), "--quick", "--tiny", "--json", "--cache", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    kinds = [run["kind"] for run in json.loads(done.stdout)["runs"]]
    assert kinds == ["decode", "fit"]


def test_attacks_run_and_everything_is_withstood() -> None:
    """A few of the many cases that the bench tries; tampering is tested as a whole elsewhere."""
    command = [sys.executable, str(SCRIPT.parent), "attack", "clips", "files", "--cases", "40"]
    done = subprocess.run(
        [*command, "--workers", "1"], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "clips: 40 tried" in done.stdout and "files: 40 tried" in done.stdout
