"""The command line as a process: signals, pipes, a full disk, and a fast start."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from clip_writer import ramp_pictures, write_clip

OWN = ("--make", "4", "--of", "6", "--width-steps", "4", "--back-steps", "10")


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    return write_clip(tmp_path / "yard.mp4", ramp_pictures(12))


def start(*args: str | Path, **environment: str) -> subprocess.Popen[str]:
    here = Path(__file__).parent
    return subprocess.Popen(
        [sys.executable, str(here / "counted_cli.py"), *map(str, args)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(here), **environment},
    )


def test_interrupted_and_ended_politely_leave_nothing(clip: Path) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        with start("count", clip, *OWN, HOLD_S="60") as process:
            assert process.stderr is not None
            assert process.stderr.readline() == "half done\n"
            assert len(list(clip.parent.iterdir())) == 2  # the folder aside is being written
            process.send_signal(number)
            out, err = process.communicate(timeout=30)
        assert process.returncode == 130
        assert out == ""
        assert err.split("\n") == ["shoegoal: interrupted; no partial file is left", ""]
        assert [p.name for p in clip.parent.iterdir()] == ["yard.mp4"]


def test_killed_outright_leaves_the_earlier_result(clip: Path) -> None:
    with start("count", clip, *OWN) as process:
        process.communicate(timeout=60)
    assert process.returncode == 3
    folder = clip.with_name("yard.shoegoal")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    with start("count", clip, *OWN, HOLD_S="60") as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "half done\n"
        process.kill()
        process.communicate(timeout=30)
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before


def test_a_reader_that_goes_away_is_no_trouble() -> None:
    with start("stages") as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 141


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full here")
def test_a_full_disk_behind_standard_output_is_7() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "shoegoal", "stages"], stdout=full, stderr=subprocess.PIPE,
            text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 7
    assert done.stderr.startswith("shoegoal: the output cannot be written")
    assert len(done.stderr.splitlines()) == 1


def test_help_loads_nothing_heavy() -> None:
    """Start-up stays fast because these stay out; a time would only measure this machine."""
    script = (
        "import sys; from shoegoal.cli.main import cli\n"
        "try: cli(['count', '--help'])\n"
        "except SystemExit as end: assert end.code == 0\n"
        "heavy = {'numpy', 'cv2', 'av', 'scipy', 'mediapipe', 'pydantic', 'rich', 'matplotlib'}\n"
        "sys.exit(' '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.stderr.strip() == ""
    assert done.returncode == 0
    assert "--stage" in done.stdout


@pytest.mark.parametrize(
    ("limits", "trouble", "said"),
    [
        ("", "os.kill(os.getpid(), signal.SIGSEGV)", "crashed its decoder (SIGSEGV)"),
        ("", "bytearray(1 << 36)", "not enough memory"),
        ("STALLED_WALL_S = 0.5", "time.sleep(60)", "came to a standstill"),
        ("STALLED_CPU_S = 1", "all(itertools.repeat(True))", "came to a standstill"),
    ],
)
def test_a_decoder_that_crashes_or_hangs_is_a_clip_that_is_refused(
    clip: Path, limits: str, trouble: str, said: str
) -> None:
    """The last is a loop in C that no signal handler of Python would ever see."""
    script = (
        "import itertools, os, signal, sys, time\n"
        "import shoegoal.clip.reader as reader\n"
        "import shoegoal.limits\n"
        "from shoegoal.cli.main import cli\n"
        f"reader.open_clip = lambda path: {trouble}\n"
        f"sys.argv = ['shoegoal', 'fit', {str(clip)!r}]\n"
    )
    script += f"shoegoal.limits.{limits}\ncli()\n" if limits else "cli()\n"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=120
    )
    assert (done.returncode, done.stdout) == (4, "")
    (line,) = done.stderr.splitlines()
    assert line.startswith("shoegoal: ") and said in line


def test_a_clip_that_comes_on_slowly_is_not_stopped(clip: Path) -> None:
    """Every packet read starts the time allowed anew; only a standstill counts."""
    script = (
        "import sys, time\n"
        "import shoegoal.clip.container as container\n"
        "import shoegoal.limits as limits\n"
        "from shoegoal.clip.reader import open_clip\n"
        "limits.STALLED_WALL_S, limits._RENEW_S = 0.6, 0.0\n"
        "limits.confine_process()\n"
        "bound = limits.time_bound()\n"
        "bound.__enter__()\n"
        "note = container.note_progress\n"
        "container.note_progress = lambda: (time.sleep(0.1), note())\n"
        "with open_clip(sys.argv[1]) as clip: print(sum(1 for _ in clip.frames()))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(clip)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (0, "12\n")


def test_a_file_larger_than_any_result_is_not_written(tmp_path: Path) -> None:
    script = (
        "import sys\nfrom pathlib import Path\nimport shoegoal.limits as limits\n"
        "limits.MOST_FILE_BYTES = 1000\nlimits.confine_process()\n"
        "Path(sys.argv[1]).write_bytes(bytes(1001))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "large")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1 and "File too large" in done.stderr
