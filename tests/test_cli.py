"""The command line: what it prints, what it exits with, and what it leaves behind."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from analysis_examples import SIZE_PX, START_S, example_analysis, still_at
from clip_writer import ramp_pictures, write_clip
from counted_cli import pipeline
from shoegoal.analysis.file import load_analysis, save_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.cli.main import EXIT_CODES, cli
from shoegoal.cli.report import interval_text, where_text
from shoegoal.cli.terminal import plain_progress, shown_progress
from shoegoal.errors import BadSettingsError, ClipNotJudgeableError, ClipUnreadableError
from shoegoal.ladder.ladders import load_ladder
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesInTime, MakesOfShots
from shoegoal.pipeline.settings import CountSettings
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.calibration import matches
from shoegoal.types import Estimate, ImagePoint

OWN = ("--make", "4", "--of", "6", "--width-steps", "4", "--back-steps", "10")


@pytest.fixture(scope="module")
def small_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_clip(tmp_path_factory.mktemp("clip") / "yard.mp4", ramp_pictures(12))


@pytest.fixture
def clip(small_clip: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(small_clip, tmp_path / "yard.mp4"))


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert "Traceback" not in result.output
    return result


def count_as(
    monkeypatch: pytest.MonkeyPatch,
    *args: str | Path,
    analysis: Analysis | None = None,
    error: BaseException | None = None,
    seen: list[CountSettings] | None = None,
) -> Result:
    monkeypatch.setitem(sys.modules, "shoegoal.pipeline.count", pipeline(analysis, error, seen))
    return run("count", *args)


def one_line(result: Result) -> str:
    """The refusal: one line on standard error, nothing on standard output."""
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, lines
    assert lines[0].startswith("shoegoal: ")
    return lines[0]


def test_count_prints_the_tally_and_writes_the_result(
    clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = count_as(monkeypatch, clip, *OWN, analysis=example_analysis(unsure=False))
    assert result.exit_code == 0
    assert result.stderr == ""
    for words in (
        "make 4 of 6 shots", "4 makes, 2 misses", "advance", "0:20.0", "30 ± 5 cm right",
        "2.20 m (1.98 to 2.42) wide", "the clip breaks off at 0:29.1", "Warm up",
    ):  # fmt: skip
        assert words in result.stdout
    folder = clip.with_name("yard.shoegoal")
    assert load_analysis(folder) == example_analysis(unsure=False)
    assert (folder / "evidence" / "shot-06.jpg").stat().st_size > 10_000
    assert sorted(p.name for p in clip.parent.iterdir()) == ["yard.mp4", "yard.shoegoal"]


def test_an_open_verdict_has_an_exit_code_of_its_own(
    clip: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    out = tmp_path / "result"
    result = count_as(monkeypatch, clip, *OWN, "--out", out)
    assert result.exit_code == 3
    assert "Look at" in result.stdout and "shot 5 at 0:20.0" in result.stdout
    shown = run("show", out)
    assert shown.exit_code == 3
    assert shown.stdout == result.stdout
    assert run("show", out / "analysis.json").stdout == result.stdout
    assert "no picture shows" not in shown.stdout
    (out / "evidence" / "shot-02.jpg").unlink()
    assert "no picture shows shot 2: see the clip at 0:08.0" in run("show", out).stdout


def test_json_is_the_analysis_file(
    clip: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    out = tmp_path / "result"
    result = count_as(monkeypatch, clip, *OWN, "--out", out, "--json")
    assert result.exit_code == 3
    assert result.stdout == (out / "analysis.json").read_text(encoding="utf-8")
    assert run("show", out, "--json").stdout == result.stdout
    plain = json.loads(result.stdout)
    assert set(plain) == {
        "format_version", "tool_version", "clip", "stage", "scene", "shots", "left_out", "tally",
        "doubts", "evidence",
        "verdict", "problems", "take",
    }  # fmt: skip
    assert set(plain["shots"][0]) == {
        "number", "kind", "kick_time_s", "end_time_s", "call", "outcome", "p_make", "reason",
        "crossing_time_s", "crossing_x_m", "crossing_z_m", "speed_mps", "kick_spot_m", "path",
        "fitted_path_px", "p_shot",
    }  # fmt: skip
    assert plain["verdict"]["looks"]["shots"] == [5]


def test_options_reach_the_count(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[CountSettings] = []

    def settings(*args: str) -> CountSettings:
        # Refused once the settings have arrived: no pictures are drawn for nothing.
        stop = ClipNotJudgeableError("seen enough")
        result = count_as(monkeypatch, clip, *args, error=stop, seen=seen)
        assert result.exit_code == 5, result.stderr
        return seen[-1]

    plain = settings(*OWN)
    assert plain.stage.rule == MakesOfShots(4, 6)
    assert (plain.stage.width_steps, plain.stage.back_steps) == (4, 10)
    assert (plain.left_px, plain.right_px) == (None, None)
    assert plain.ball is BallSize.UNKNOWN
    assert plain.confidence == 0.99  # as --help says
    given = settings(*OWN, "--left", "-20.5,400", "--right", "1300, 410", "--ball", "4")
    assert (given.left_px, given.right_px) == (ImagePoint(-20.5, 400), ImagePoint(1300, 410))
    assert (given.ball, given.stage.ball_size) == (BallSize.FOUR, 4)
    named = settings("--stage", "Five-of-ten", "--confidence", "0.9")
    assert named.stage == load_ladder().stage_by_name("five-of-ten")
    assert (named.ball, named.confidence) == (BallSize.FOUR, 0.9)
    assert settings("--stage", "five-of-ten", "--ball", "unknown").ball is BallSize.UNKNOWN
    steps = ("--width-steps", "3", "--back-steps", "15")
    assert settings("--make", "5", *steps).stage.rule == FirstMakes(5)
    assert settings("--make", "3", "--in-a-row", *steps).stage.rule == MakesInARow(3)
    assert settings("--make", "3", "--within-s", "90", *steps).stage.rule == MakesInTime(3, 90)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "say which stage: --stage NAME"),
        (("--stage", "five-of-ten", "--make", "5"), "either --stage or --make"),
        (("--stage", "five-of-ten", "--in-a-row"), "either --stage or --in-a-row"),
        (("--ladder", "x.toml", *OWN), "--ladder needs --stage"),
        (("--make", "5"), "--make needs --width-steps"),
        (("--make", "5", "--width-steps", "5"), "--make needs --back-steps"),
        (("--make", "5", "--width-steps", "9", "--back-steps", "10"), "9.0 is not in the range"),
        (("--make", "0", "--width-steps", "5", "--back-steps", "10"), "0 is not in the range"),
        ((*OWN, "--of", "3"), "4 makes cannot be reached with 3 shots"),
        ((*OWN, "--within-s", "60"), "timed stage has no number of shots"),
        ((*OWN, "--left", "1,2"), "both --left and --right"),
        ((*OWN, "--left", "12", "--right", "3,4"), "give X,Y such as"),
        ((*OWN, "--left", "nan,2", "--right", "3,4"), "far outside any picture"),
        ((*OWN, "--left", "1,2", "--right", "3,4", "--calibration", "c.toml"), "--calibration or"),
        ((*OWN, "--ball", "6"), "'6' is not one of"),
        ((*OWN, "--confidence", "0.5"), "0.5 is not in the range"),
        ((*OWN, "--out", ""), "give a file or folder"),
        (("--nonsense",), "No such option '--nonsense'"),
    ],
)
def test_a_wrong_command_line_is_one_line_and_2(clip: Path, args: Sequence[str], says: str) -> None:
    result = run("count", clip, *args)
    assert result.exit_code == 2
    assert says in one_line(result)
    assert [p.name for p in clip.parent.iterdir()] == ["yard.mp4"]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("missing.mp4", "does not exist"),
        ("empty.mp4", "is empty"),
        ("text.mp4", "not a video"),
    ],
)
def test_an_unreadable_clip_is_one_line_and_4(clip: Path, name: str, says: str) -> None:
    bad = clip.with_name(name)
    if name != "missing.mp4":
        bad.write_text("Shot 1: in. Shot 2: wide. " * 50 if name == "text.mp4" else "")
    before = sorted(p.name for p in clip.parent.iterdir())
    result = run("count", bad, *OWN)
    assert result.exit_code == 4
    assert says in one_line(result)
    assert sorted(p.name for p in clip.parent.iterdir()) == before


def test_bad_ladders_and_stages_are_6(clip: Path, tmp_path: Path) -> None:
    ladder = tmp_path / "own.toml"
    result = run("count", clip, "--stage", "five-of-tne")
    assert result.exit_code == 6
    assert 'did you mean "five-of-ten"?' in one_line(result)
    assert run("stages", "--ladder", ladder).exit_code == 6
    ladder.write_text("title = 'Own'\n[[stages]\n")
    result = run("stages", "--ladder", ladder)
    assert result.exit_code == 6
    assert "own.toml, line 2, column" in one_line(result)


def test_a_dribble_stage_has_no_goal_and_needs_a_ball(clip: Path) -> None:
    result = run("count", clip, "--stage", "touches", "--left", "1,2", "--right", "3,4")
    assert result.exit_code == 2
    assert "has no goal: leave out --left" in one_line(result)
    result = run("count", clip, "--stage", "touches", "--trace", clip.with_name("why.json"))
    assert "has no goal: leave out --trace" in one_line(result)
    result = run("count", clip, "--stage", "touches", "--form")
    assert result.exit_code == 2
    assert "form needs shots" in one_line(result)
    result = run("count", clip, "--stage", "touches", "--quiet")
    assert result.exit_code == 5
    assert "No ball was found that is dribbled" in one_line(result)


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (ClipUnreadableError("yard.mp4 holds no picture"), 4, "holds no picture"),
        (ClipNotJudgeableError("No ball was found; film it"), 5, "No ball was found"),
        (BadSettingsError("The lens file is for another phone"), 6, "lens file"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (ZeroDivisionError("float division\nby zero"), 1, "SHOEGOAL_TRACEBACK=1"),
        (MemoryError(), 4, "memory"),
    ],
)
def test_trouble_midway_is_one_line_and_leaves_nothing(
    clip: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, says: str
) -> None:
    result = count_as(monkeypatch, clip, *OWN, error=error)
    assert result.exit_code == code
    assert result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if line]
    assert len(lines) == 1 and says in lines[0]
    assert [p.name for p in clip.parent.iterdir()] == ["yard.mp4"]


def test_traceback_on_request(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOEGOAL_TRACEBACK", "1")
    monkeypatch.setitem(
        sys.modules, "shoegoal.pipeline.count", pipeline(error=ZeroDivisionError("midway"))
    )
    result = CliRunner().invoke(cli, ["count", str(clip), *OWN])
    assert result.exit_code == 1
    assert "Traceback" in result.stderr and "ZeroDivisionError: midway" in result.stderr


def test_an_output_that_cannot_be_written_is_7(
    clip: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    foreign = tmp_path / "holiday"
    foreign.mkdir()
    (foreign / "beach.txt").write_text("mine")
    seen: list[CountSettings] = []
    result = count_as(monkeypatch, clip, *OWN, "--out", foreign, seen=seen)
    assert result.exit_code == 7
    assert "was not written by shoegoal" in one_line(result)
    assert seen == []  # said before the long work, not after it
    result = count_as(monkeypatch, clip, *OWN, "--save-calibration", tmp_path, seen=seen)
    assert (result.exit_code, seen) == (7, [])
    analysis = example_analysis()
    shots = (replace(analysis.shots[0], speed_mps=Estimate(float("nan"), 1)), *analysis.shots[1:])
    result = count_as(monkeypatch, clip, *OWN, analysis=replace(analysis, shots=shots))
    assert result.exit_code == 7
    assert "shots[0].speed_mps.value" in one_line(result)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["holiday", "yard.mp4"]


def test_a_calibration_is_saved_and_used_again(
    clip: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    saved, seen = tmp_path / "yard.toml", list[CountSettings]()
    result = count_as(monkeypatch, clip, *OWN, "--save-calibration", saved, "--quiet")
    assert result.exit_code == 3, result.stderr
    stop = ClipNotJudgeableError("seen enough")
    count_as(monkeypatch, clip, *OWN, "--calibration", saved, error=stop, seen=seen)
    scene, again = example_analysis().goal_scene, seen[0].calibration
    assert again is not None and again.image_size_px == SIZE_PX
    assert (again.left_px, again.right_px) == (scene.left_px, scene.right_px)
    assert again.camera == scene.camera
    still = still_at(example_analysis().shots[0], START_S)
    luma = np.asarray(cv2.cvtColor(still.bgr, cv2.COLOR_BGR2GRAY), np.uint8)
    assert matches(again, luma)
    assert not matches(again, np.asarray(luma[::-1], np.uint8))


@pytest.mark.parametrize("command", ["show", "form"])
def test_a_mistyped_result_folder_is_said_not_to_exist(tmp_path: Path, command: str) -> None:
    result = run(command, tmp_path / "none.shoegoal")
    assert result.exit_code == 6
    assert "does not exist" in one_line(result)


def test_stages_lists_every_stage() -> None:
    result = run("stages")
    listed = json.loads(run("stages", "--json").stdout)
    ladder = load_ladder()
    assert [stage["name"] for stage in listed["stages"]] == [stage.name for stage in ladder.stages]
    for stage in ladder.stages:
        assert stage.name in result.stdout and stage.sentence in result.stdout


def test_intervals_and_places_read_as_they_should() -> None:
    """95 % of a normal distribution lies within 1.96 sigma (standard normal table)."""
    assert interval_text(Estimate(2.0, 0.1), "m", 2) == "2.00 m (1.80 to 2.20)"
    assert interval_text(Estimate(0.1, 0.1), "m", 1) == "0.1 m (0.0 to 0.3)"
    shots = example_analysis().shots
    assert [where_text(shot) for shot in shots[1:4]] == [
        "170 ± 5 cm left", "55 ± 5 cm left", "short",
    ]  # fmt: skip


def test_balls_left_out_for_one_reason_share_a_line(tmp_path: Path) -> None:
    analysis = example_analysis()
    (first,) = analysis.left_out
    again = replace(first, time_s=first.time_s + 1.5)
    save_analysis(tmp_path / "analysis.json", replace(analysis, left_out=(first, again)))
    assert "0:10.0, 0:11.5: it did not head for the goal" in run("show", tmp_path).stdout


def test_cautions_and_version() -> None:
    text = " ".join(run("cautions").stdout.split())
    for words in ("Warm up", "Clear the space", "sports shoes", "light markers", "consent"):
        assert words in text
    assert run("--version").stdout.startswith("shoegoal 0.")


def test_plain_progress_tells_every_tenth_once() -> None:
    told: list[str] = []
    update = plain_progress("counting", told.append)
    for thousandth in range(0, 1001, 4):
        update(thousandth / 1000)
    assert told == [f"counting: {percent} %" for percent in range(10, 101, 10)]
    update(0.2)  # never backwards
    assert len(told) == 10


def test_progress_is_for_terminals_only(capsys: pytest.CaptureFixture[str]) -> None:
    for quiet in (True, False):
        with shown_progress("counting", quiet=quiet) as on_progress:
            assert on_progress is None
    assert capsys.readouterr() == ("", "")


def test_help_names_every_exit_code() -> None:
    text = run("--help").stdout
    for code, what in EXIT_CODES:
        assert f"{code}" in text and what in text
