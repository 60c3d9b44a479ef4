"""The analysis file: round trip, strictness, and never half of one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import poisson_binom

from analysis_examples import START_S, example_analysis, example_shot, old_format
from record_simulation import Ball, record_of, shot_velocity
from shoegoal.analysis.file import (
    analysis_from_json,
    analysis_to_json,
    load_analysis,
    save_analysis,
)
from shoegoal.analysis.model import Evidence, StageRecord
from shoegoal.errors import BadSettingsError, OutputError
from shoegoal.ladder.ladders import load_ladder, stage_from_options
from shoegoal.ladder.verdict import judge_shots
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.lens import Lens
from shoegoal.types import Estimate


def test_round_trip_keeps_everything(tmp_path: Path) -> None:
    analysis = example_analysis()
    save_analysis(tmp_path / "analysis.json", analysis)
    assert load_analysis(tmp_path / "analysis.json") == analysis
    assert load_analysis(tmp_path) == analysis  # the folder will do


def test_the_evidence_survives_to_the_last_bit() -> None:
    record = record_of(Ball().kick(2.0, shot_velocity(0.3)), seconds=6.0, clutter=2)
    lens = Lens(1280, 720, 985.3, 640.1, 361.7, (0.1, -0.02, 0.0, 0.0, 1 / 3), 0.004, "by a board")
    kept = Evidence(record, (3.25, 1 / 3), BallSize.FIVE, lens)
    analysis = replace(example_analysis(), evidence=kept)
    assert len(record.tracks) == 3 and record.resting
    assert analysis_from_json(analysis_to_json(analysis).encode(), "a").evidence == kept


def test_a_file_of_format_3_is_read_without_evidence() -> None:
    """What it lacks has its default: each event was taken for a shot then."""
    analysis = example_analysis()
    assert analysis_from_json(old_format(analysis).encode(), "old") == analysis
    assert analysis.evidence is None
    assert {shot.p_shot for shot in analysis.shots} == {1.0}
    assert {s.ball_score for shot in analysis.shots for s in shot.path} == {1.0}


def test_file_is_json_as_the_standard_has_it() -> None:
    """RFC 8259 section 6: no NaN, no Infinity; section 8.1: UTF-8."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    plain = json.loads(analysis_to_json(example_analysis()).encode(), parse_constant=refuse)
    assert plain["format_version"] == 4
    assert plain["shots"][4]["call"] == "unsure"
    assert plain["shots"][3]["crossing_x_m"] is None
    assert plain["verdict"]["decision"] == "look"


def test_numbers_survive_to_the_last_bit() -> None:
    """Shortest round-trip decimals, as Python's float repr promises."""
    rng = np.random.default_rng(5)
    analysis = example_analysis()
    theta = tuple(float(v) for v in rng.normal(size=40) * 10.0 ** rng.integers(-30, 14, 40))
    analysis = replace(analysis, scene=replace(analysis.goal_scene, theta=theta))
    assert analysis_from_json(analysis_to_json(analysis).encode(), "a").goal_scene.theta == theta


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_no_number_is_never_written(tmp_path: Path, bad: float) -> None:
    analysis = example_analysis()
    shots = (replace(analysis.shots[0], speed_mps=Estimate(bad, 0.1)), *analysis.shots[1:])
    with pytest.raises(OutputError, match=r"shots\[0\]\.speed_mps\.value"):
        save_analysis(tmp_path / "analysis.json", replace(analysis, shots=shots))
    assert list(tmp_path.iterdir()) == []


def _changed(change: Callable[[Any], object]) -> bytes:
    plain = json.loads(analysis_to_json(example_analysis()))
    change(plain)
    return json.dumps(plain).encode()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda a: a["shots"][1].pop("call"), r"shots\[1\]\.call"),
        (lambda a: a["shots"][1].update(call="goal"), r"shots\[1\]\.call"),
        (lambda a: a["shots"][1].update(p_make="0.5"), r"shots\[1\]\.p_make"),
        (lambda a: a["shots"][1].update(p_make=1.5), r"shots\[1\]\.p_make.*0 to 1"),
        (lambda a: a["shots"][1].update(number=7), r"shots\[1\]\.number.*must be 2"),
        (lambda a: a["shots"][1].update(kick_time_s=0.0), r"shots\[1\]\.kick_time_s.*before"),
        (lambda a: a["shots"].pop(), "tally|shots"),
        (lambda a: a.update(extra=1), "extra"),
        (lambda a: a["clip"].update(frames=1.5), r"clip\.frames"),
        (lambda a: a["stage"].update(rule_kind="golden-goal"), "stage.*golden-goal"),
        (lambda a: a["stage"].update(makes=None), "stage.*lacks its numbers"),
        (lambda a: a["stage"].update(width_steps=40.0), "stage.*width_steps is 40"),
        (lambda a: a["scene"]["camera"].update(height_m=-1.0), r"scene\.camera.*height_m"),
        (lambda a: a["verdict"]["looks"].update(shots=[9]), r"verdict\.looks"),
        (lambda a: a.update(format_version=5), "newer shoegoal.*update"),
        (lambda a: a.update(format_version=2), "old format 2.*count the clip again"),
        (lambda a: a.update(format_version="1"), "not an analysis file"),
        (lambda a: a.pop("format_version"), "not an analysis file"),
    ],
)
def test_damage_is_named_with_its_place(change: Callable[[Any], object], says: str) -> None:
    with pytest.raises(BadSettingsError, match=f"(?s)^yard.json.*({says})"):
        analysis_from_json(_changed(change), "yard.json")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "line 1, column 1"),
        (analysis_to_json(example_analysis()).encode()[:900], r"line \d+, column \d+"),
        (b"[1, 2]", "not an analysis file"),
        (b"\xff\xd8\xff\xe0 a picture", "not an analysis file"),
        (b"[" * 100_000, "not an analysis file"),
        (b'{"format_version": NaN}', "NaN is not a number"),
    ],
)
def test_what_is_no_analysis_is_refused(content: bytes, says: str) -> None:
    with pytest.raises(BadSettingsError, match=f"^yard.json.*{says}"):
        analysis_from_json(content, "yard.json")


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(BadSettingsError, match="does not exist"):
        load_analysis(tmp_path / "none.json")
    (tmp_path / "analysis.json").mkdir()
    with pytest.raises(BadSettingsError, match="cannot be read"):
        load_analysis(tmp_path)


def test_a_failed_write_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "analysis.json"
    save_analysis(file, example_analysis())
    before = file.read_bytes()

    def full_disk(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full_disk)
    with pytest.raises(OutputError, match="No space left"):
        save_analysis(file, example_analysis(unsure=False))
    assert file.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["analysis.json"]


def test_every_shipped_stage_survives_being_written_down() -> None:
    for stage in load_ladder().stages:
        assert StageRecord.of(stage).to_stage() == stage
        assert StageRecord.of(stage).heading == f"{stage.title}: {stage.sentence}"
    own = stage_from_options(make=4, of=6, width_steps=4, back_steps=10)
    assert StageRecord.of(own).heading == own.sentence


def test_stored_shots_give_the_verdict_again() -> None:
    """Tally and verdict can be worked out anew from the file; checked against scipy's own pmf."""
    analysis = analysis_from_json(analysis_to_json(example_analysis()).encode(), "a")
    stage = analysis.stage.to_stage()
    tally, verdict = judge_shots(stage.rule, analysis.shots, confidence=0.95)
    assert (tally, verdict) == (analysis.tally, analysis.verdict)
    p_makes = [shot.p_make for shot in analysis.shots]
    at_least_four = float(poisson_binom.sf(3, p_makes))
    assert verdict.chances.met == pytest.approx(at_least_four, abs=1e-12)


def test_clock_counts_from_the_first_picture() -> None:
    analysis = example_analysis()
    assert analysis.clock(START_S + 72.34) == "1:12.3"
    assert [shot.number for shot in analysis.shots_to_look_at] == [5]
    assert analysis.needs_a_look
    assert not example_analysis(unsure=False).needs_a_look
    assert example_shot(5).reason in analysis_to_json(analysis)
