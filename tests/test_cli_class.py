"""``shoegoal class`` as typed."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from class_work import made_up_count
from shoegoal.cli import classes
from shoegoal.cli.main import cli
from shoegoal.scale import class_run
from test_scale_run import STAGE, here, put

LADDER_TEXT = """
title = "Two rungs"
[[stages]]
name = "four-of-six"
title = "Four of six"
rule = { kind = "makes-of-shots", makes = 4, shots = 6 }
width_steps = 4
back_steps = 10
"""


@pytest.fixture(autouse=True)
def _own_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOEGOAL_BOOK", str(tmp_path / "book.sqlite3"))
    monkeypatch.setattr(classes, "runner_of", lambda workers, dask: here)
    monkeypatch.setattr(class_run, "count_clip", made_up_count)


@pytest.fixture
def ladder(tmp_path: Path) -> Path:
    file = tmp_path / "ladder.toml"
    file.write_text(LADDER_TEXT, encoding="utf-8")
    return file


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def test_a_class_from_clips_to_a_table(tmp_path: Path, ladder: Path) -> None:
    clips = tmp_path / "Übung 7b"
    put(clips, Ant="one", Zoë="two unsure", Bee="no goal")
    asked = ("class", "run", clips, "--class", "7b", "--ladder", ladder)
    refused = run(*asked)
    assert refused.exit_code == 6 and refused.stdout == ""
    assert "has no pupil Ant, Bee, Zoë" in refused.stderr
    first = run(*asked, "--enrol")
    assert first.exit_code == 11
    words = " ".join(first.stdout.split())
    assert "2 counted, 1 failed" in words and "1 need a look, 1 can be signed" in words
    assert "3 to count" in first.stderr and "2 of 3: Bee" in first.stderr
    (clips / f"Bee_{STAGE}.mp4").unlink()
    second = run(*asked, "--json", "--quiet")
    assert second.exit_code == 3 and second.stderr == ""
    told = json.loads(second.stdout)
    assert [(one["pupil"], one["news"]) for one in told] == [
        ("Ant", "counted before"), ("Zoë", "counted before"),
    ]  # fmt: skip


def test_a_manifest_is_read_whole_before_anything_is_counted(tmp_path: Path, ladder: Path) -> None:
    clips = tmp_path / "clips"
    put(clips, Ant="one")
    manifest = tmp_path / "class.csv"
    written = io.StringIO()
    rows = [("clip", "pupil", "stage"), (f"Ant_{STAGE}.mp4", "Otter 17", STAGE)]
    csv.writer(written).writerows([*rows, ("b.mp4", "Otter 17", "five-of-ten")])
    manifest.write_text(written.getvalue(), encoding="utf-8")
    asked = ("class", "run", clips, "--class", "7b", "--enrol", "--manifest", manifest)
    refused = run(*asked, "--ladder", ladder)
    assert refused.exit_code == 6 and "line 3, column 16" in refused.stderr
    assert not (clips / "counted.log").exists()
    manifest.write_text(written.getvalue().replace("five-of-ten", STAGE), encoding="utf-8")
    done = run(*asked, "--ladder", ladder, "--json")
    assert done.exit_code == 11
    assert [one["news"] for one in json.loads(done.stdout)] == ["counted", "failed"]
    assert "b.mp4 cannot be read" in done.stdout


def test_what_the_command_line_alone_shows_to_be_wrong(tmp_path: Path) -> None:
    assert run("class", "run", tmp_path).exit_code == 2
    both = run("class", "run", tmp_path, "--class", "7b", "--workers", 2, "--dask", "tcp://x:1")
    assert both.exit_code == 2 and "not both" in both.stderr
    nowhere = run("class", "run", tmp_path / "nowhere", "--class", "7b")
    assert nowhere.exit_code == 6 and "is not a folder" in nowhere.stderr
    assert run("class", "run", tmp_path, "--class", "7b").exit_code == 6
