"""Stages, ladder files, names and made-up stages."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import load_ladder, parse_ladder, stage_from_options
from shoegoal.ladder.rules import (
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Stage,
    StageRule,
    TouchesInARow,
)

GOOD_STAGE = """
[[stages]]
name = "one"
title = "One"
rule = { kind = "makes-of-shots", makes = 5, shots = 10 }
width_steps = 5
back_steps = 10
"""


@pytest.mark.parametrize(
    ("rule", "sentence"),
    [
        (FirstMakes(5), "make 5, as many shots as it takes"),
        (MakesOfShots(5, 10), "make 5 of 10 shots"),
        (MakesInARow(3), "make 3 in a row"),
        (MakesInARow(3, 10), "make 3 in a row, within 10 shots"),
        (TouchesInARow(20), "20 touches in a row without losing the ball"),
        (MakesInTime(5, 90.0), "make 5 within 90 s of the first kick"),
    ],
)
def test_rules_say_themselves(rule: StageRule, sentence: str) -> None:
    assert rule.sentence == sentence


def test_shipped_ladder_holds_every_kind_and_asks_what_practice_asks() -> None:
    # Common practice, no source: 20 touches; make 5; 5 of 10; 15 and 17 of 20; 3-6 steps wide,
    # 10 or 15 back.
    ladder = load_ladder()
    rules = {stage.name: stage.rule for stage in ladder.stages}
    assert rules["touches"] == TouchesInARow(20)
    assert rules["first-five"] == FirstMakes(5)
    assert rules["five-of-ten"] == MakesOfShots(5, 10)
    assert rules["fifteen-of-twenty"] == MakesOfShots(15, 20)
    assert rules["seventeen-of-twenty"] == MakesOfShots(17, 20)
    kinds = {rule.kind for rule in rules.values()}
    assert {"makes-in-a-row", "makes-in-time"} <= kinds
    goals = [stage for stage in ladder.stages if stage.width_steps is not None]
    assert {stage.width_steps for stage in goals} == {3, 4, 5, 6}
    assert {stage.back_steps for stage in goals} == {10, 15}
    assert all(stage.ball_size == 4 for stage in ladder.stages)
    assert all(stage.sentence.startswith(stage.rule.sentence) for stage in ladder.stages)


def test_stages_are_found_by_name() -> None:
    ladder = load_ladder()
    stage = ladder.stage_by_name("  Five-Of-Ten ")
    assert stage.sentence == "make 5 of 10 shots; goal 5 steps wide, kick from 10 steps back"
    harder = ladder.stage_by_name("five-of-ten-harder")
    assert harder.sentence == "make 5 of 10 shots; goal 4 steps wide, kick from 10 steps back"
    assert harder not in ladder.stages and harder in ladder.all_stages


def test_unknown_stage_lists_the_names_and_the_closest() -> None:
    ladder = load_ladder()
    with pytest.raises(BadSettingsError) as refusal:
        ladder.stage_by_name("five of tin")
    message = str(refusal.value)
    assert 'Did you mean "five-of-ten"?' in message
    assert all(stage.name in message for stage in ladder.stages)
    with pytest.raises(BadSettingsError) as refusal:
        ladder.stage_by_name("zzz")
    assert "Did you mean" not in str(refusal.value)


def test_stage_overrides_the_ladders_ball_size() -> None:
    text = 'title = "T"\nball_size = 3\n' + GOOD_STAGE + "ball_size = 5\nretries = 0\n"
    stage = parse_ladder(text.encode(), "own.toml").stages[0]
    assert (stage.ball_size, stage.retries) == (5, 0)
    plain = parse_ladder(('title = "T"\nball_size = 3\n' + GOOD_STAGE).encode(), "own.toml")
    assert (plain.stages[0].ball_size, plain.stages[0].retries) == (3, None)


@pytest.mark.parametrize(
    ("content", "place"),
    [
        (b'title = "T"\n[[stages]\n', "line 2, column 9"),
        (b'title = "T"\nstages = [\n', "line 3, column 1"),
        (b'title = "T"\ntitle = "U"\n', "line 2"),
        (b"title = 'T'\nschool = \"caf\xe9\"\n", "line 2, column 14"),
        (b'title = "T', "line 1, column 11"),
    ],
)
def test_broken_toml_names_file_line_and_column(content: bytes, place: str) -> None:
    with pytest.raises(BadSettingsError) as refusal:
        parse_ladder(content, "autumn ladder.toml")
    assert f"autumn ladder.toml, {place}" in str(refusal.value)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("width_steps = 5", "width_steps = 9", "stages[1].width_steps: give 3 to 6 steps"),
        ("width_steps = 5", "width_steps = nan", "stages[1].width_steps: give 3 to 6 steps"),
        ("width_steps = 5", "width_steps = true", "stages[1].width_steps: give a number"),
        ("width_steps = 5", "", "stages[1]: width_steps is missing: give 3 to 6 steps"),
        ("back_steps = 10", 'back_steps = "10"', "stages[1].back_steps: give a number"),
        ("back_steps = 10", "back_steps = 16", "stages[1].back_steps: give 10 to 15 steps"),
        ("width_steps", "width_stpes", "stages[1].width_stpes: there is no such key"),
        ("makes = 5", "makes = 11", "stages[1].rule: 11 makes cannot be reached with 10 shots"),
        ("makes = 5", "makes = 5.5", "stages[1].rule.makes: give a whole number"),
        ("makes = 5", "makes = true", "stages[1].rule.makes: give a whole number"),
        ("makes = 5, ", "", "stages[1].rule.makes: this key is missing"),
        ("makes-of-shots", "goals", "stages[1].rule.kind: give one of first-makes,"),
        ('kind = "makes-of-shots", ', "", "stages[1].rule.kind: give one of first-makes,"),
        ('"one"', '"One!"', "stages[1].name: give small letters, digits and dashes"),
        ('"one"', '"first"', 'stages[1].name: stages[0] has a stage "first" too'),
        ('title = "One"', 'title = ""', "stages[1].title: give at least one letter"),
        ("back_steps = 10", "back_steps = 10\nball_size = 6", "stages[1].ball_size: "),
        ("back_steps = 10", "back_steps = 10\nretries = -1", "stages[1].retries: give 0 to"),
        (
            'kind = "makes-of-shots", makes = 5, shots = 10',
            'kind = "touches-in-a-row", touches = 20',
            "stages[1]: a dribble stage has no goal",
        ),
        (
            'kind = "makes-of-shots", makes = 5, shots = 10',
            'kind = "makes-in-time", makes = 5, time_s = 0',
            "stages[1].rule.time_s: give 1 to 3600 s",
        ),
    ],
)
def test_bad_value_names_its_key_and_what_is_allowed(old: str, new: str, problem: str) -> None:
    first = GOOD_STAGE.replace('"one"', '"first"')
    changed = GOOD_STAGE.replace(old, new)
    assert changed != GOOD_STAGE
    with pytest.raises(BadSettingsError) as refusal:
        parse_ladder(('title = "T"\n' + first + changed).encode(), "own.toml")
    message = str(refusal.value)
    assert message.startswith("own.toml: please correct")
    assert problem in message
    assert "makes-of-shots." not in message  # no inner name of the checking library in a path


def test_ladder_without_stages_and_many_problems() -> None:
    with pytest.raises(BadSettingsError, match="the ladder has no stage"):
        parse_ladder(b'title = "T"\nstages = []\n', "own.toml")
    bad = GOOD_STAGE.replace("width_steps = 5", "width_steps = 1")
    with pytest.raises(BadSettingsError, match="and 2 more"):
        parse_ladder(("title = 'T'\n" + bad * 7).encode(), "own.toml")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(BadSettingsError, match="no such ladder file"):
        load_ladder(tmp_path / "none.toml")
    with pytest.raises(BadSettingsError, match="cannot be read"):
        load_ladder(tmp_path)
    with_mark = tmp_path / "Übung 1.toml"
    with_mark.write_text('\ufefftitle = "Übung"\n' + GOOD_STAGE, encoding="utf-8")
    assert load_ladder(with_mark).title == "Übung"


@pytest.mark.parametrize(
    ("options", "rule"),
    [
        ({"make": 5, "of": 10}, MakesOfShots(5, 10)),
        ({"make": 5}, FirstMakes(5)),
        ({"make": 3, "in_a_row": True}, MakesInARow(3)),
        ({"make": 3, "of": 10, "in_a_row": True}, MakesInARow(3, 10)),
        ({"make": 3, "within_s": 60.0}, MakesInTime(3, 60.0)),
    ],
)
def test_made_up_stage(options: dict[str, int], rule: StageRule) -> None:
    stage = stage_from_options(**options, width_steps=5, back_steps=10)  # type: ignore[arg-type]
    assert stage == Stage("own-stage", rule.sentence, rule, 5, 10)
    assert stage_from_options(touches=20).rule == TouchesInARow(20)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "give make"),
        ({"make": 11, "of": 10}, "11 makes cannot be reached with 10 shots"),
        ({"make": 0}, "makes is 0"),
        ({"make": 5, "within_s": 30, "of": 10}, "timed stage"),
        ({"make": 5, "within_s": 0.2}, "time_s is 0.2"),
        ({"make": 5, "touches": 20}, "cannot be mixed"),
        ({"make": 5, "width_steps": 2}, "width_steps is 2: give 3 to 6"),
        ({"make": 5, "back_steps": None}, "back_steps is missing"),
        ({"make": 5, "ball_size": 6}, "ball_size is 6"),
        ({"touches": 20}, "a dribble stage has no goal"),
    ],
)
def test_impossible_options_are_refused(options: dict[str, int], message: str) -> None:
    with pytest.raises(BadSettingsError, match=message):
        stage_from_options(**({"width_steps": 5, "back_steps": 10} | options))  # type: ignore[arg-type]


def test_rules_and_shipped_names_load_no_heavy_library() -> None:
    code = (
        "import sys, shoegoal.ladder.rules, shoegoal.ladder.ladders;"
        "print([m for m in ('pydantic', 'numpy', 'scipy', 'cv2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
