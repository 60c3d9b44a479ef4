"""``shoegoal fit``: what it prints, writes and exits with, on made clips and on a sample clip."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from clip_writer import ramp_pictures, write_clip
from shoegoal.cli.main import cli

SAMPLES = Path(__file__).parents[1] / "sample_clips"


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, ["fit", *(str(arg) for arg in args)])
    assert "Traceback" not in result.output
    return result


def test_help_says_what_it_is_for() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert "can be counted" in result.output and "--json" in result.output


def test_what_cannot_be_read_is_one_line(tmp_path: Path) -> None:
    clip = tmp_path / "text.mp4"
    clip.write_text("no pictures at all")
    result = run(clip)
    assert result.exit_code == 4
    assert result.stdout == "" and result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == [clip]


def test_one_marker_alone_is_a_usage_error(tmp_path: Path) -> None:
    result = run(tmp_path / "a.mp4", "--left", "10,10")
    assert result.exit_code == 2 and "--right" in result.stderr


def test_a_still_that_cannot_be_written_is_said_first(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", ramp_pictures(12))
    result = run(clip, "--out", tmp_path / "nowhere" / "a.jpg")
    assert result.exit_code == 7 and "nowhere" in result.stderr


def test_a_clip_of_nothing_is_refused_with_reasons(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", ramp_pictures(4))
    result = run(clip)
    assert result.exit_code == 5
    assert result.stdout.startswith("This clip cannot be counted")
    assert "Why: it holds only 4 picture(s)." in result.stdout
    picture = cv2.imread(str(tmp_path / "a.fit.jpg"))
    assert picture is not None and picture.shape[1] == 1280


def test_a_shaking_picture_is_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    yard = rng.integers(0, 2, (30, 40)).repeat(12, 0).repeat(12, 1) * 120 + 60
    ways = rng.integers(0, 100, (60, 2))
    pictures = [yard[y : y + 240, x : x + 320].astype(np.uint8) for x, y in ways]
    result = run(write_clip(tmp_path / "a.mp4", pictures, pts=[200 * i for i in range(60)]))
    assert result.exit_code == 5 and "something firm" in result.stdout


def test_a_sample_clip_can_be_counted(tmp_path: Path) -> None:
    clip = Path(shutil.copy(SAMPLES / "side_view.mp4", tmp_path))
    result = run(clip, "--json", "--ball", "5", "--width-steps", "3")
    assert result.exit_code == 0
    said = json.loads(result.stdout)
    truth = json.loads((SAMPLES / "side_view.truth.json").read_text(encoding="utf-8"))
    assert said["countable"] == "yes" and all(f["level"] != "refuse" for f in said["findings"])
    assert said["clip"]["watched"] < said["clip"]["pictures"]
    assert said["clip"]["rate_hz"] == pytest.approx(30, rel=0.01)
    resting = truth["frames"][0]
    x_px, y_px, diameter_px = said["measured"]["ball_px"]
    assert [x_px, y_px] == pytest.approx(resting["centre_px"], abs=0.3 * resting["diameter_px"])
    assert diameter_px == pytest.approx(resting["diameter_px"], rel=0.15)
    assert Path(said["still"]) == tmp_path / "side_view.fit.jpg"
    assert cv2.imread(said["still"]) is not None
