"""Stages, ladder files, names and made-up stages."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from shoegoal.analysis.model import serialise_ladder
from shoegoal.cli.main import cli
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.file import TomlPlaces
from shoegoal.ladder.ladders import load_ladder, parse_ladder, stage_from_options
from shoegoal.ladder.rules import (
    Advance,
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    Round,
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
    assert 'did you mean "five-of-ten"?' in message
    assert all(stage.name in message for stage in ladder.stages)
    with pytest.raises(BadSettingsError) as refusal:
        ladder.stage_by_name("zzz")
    assert "did you mean" not in str(refusal.value)


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


LADDER = """# Übung
title = "Drei Stufen ⚽"

[[stages]]
name = "one"
title = "Größer, ja"
rule = { kind = "makes-of-shots", makes = 5, shots = 10 }
width_steps = 5
back_steps = 12
retries = 1
harder = { width_steps = 4 }
easier = { width_steps = 6, back_steps = 10 }
advance = "met-harder"

[[stages]]
name = "two"
title = "Two"
width_steps = 4
back_steps = 10
[stages.rule]
kind = "makes-in-a-row"
makes = 3
[stages.harder]
back_steps = 15
"""


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert "Traceback" not in result.output
    return result


def test_second_rounds_change_the_goal_and_nothing_else() -> None:
    ladder = parse_ladder(LADDER.encode(), "own.toml")
    first, second = ladder.rungs
    assert first.advance is Advance.MET_HARDER and second.advance is Advance.MET
    assert first.harder is not None and first.easier is not None
    assert (first.harder.name, first.harder.title) == ("one-harder", "Größer, ja, harder")
    assert (first.harder.width_steps, first.harder.back_steps) == (4, 12)
    assert (first.easier.width_steps, first.easier.back_steps) == (6, 10)
    assert first.easier.rule == first.harder.rule == first.stage.rule
    assert first.easier.retries == 1
    assert [which for which, _ in second.rounds] == [Round.STAGE, Round.HARDER]
    assert [stage.name for stage in ladder.all_stages] == [
        "one", "one-harder", "one-easier", "two", "two-harder",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "place", "problem"),
    [
        ("harder = { width_steps = 4 }", "harder = { width_steps = 6 }", (4, 1), "not harder"),
        ("harder = { width_steps = 4 }", "harder = {}", (4, 1), "not harder"),
        ("{ width_steps = 4 }", "{ width_steps = 2 }", (11, 26), "give 3 to 6 steps"),
        ("{ width_steps = 4 }", "4", (11, 10), "give a table"),
        ("{ width_steps = 6, back", "{ width_steps = 4, back", (4, 1), "not easier"),
        ("harder = { width_steps = 4 }\n", "", (4, 1), "needs a harder round"),
        ("retries = 1\n", "", (4, 1), "an easier round opens once the tries are used up"),
        ('"met-harder"', '"all"', (13, 11), "'met', 'met-harder', 'met-easier' or 'tried'"),
        ("back_steps = 15", "back_step = 15", (24, 1), "there is no such key"),
        ("back_steps = 15", "back_steps = 16", (24, 14), "give 10 to 15 steps"),
        ("makes = 3", "makes = 0", (22, 9), "give 1 to 1000"),
        ('kind = "makes-in-a-row"', 'kind = "in a row"', (21, 8), "give one of first-makes"),
        ("makes = 3\n", "", (20, 1), "this key is missing"),
        ('"Größer, ja"\nrule', '"Größer, ja"\nrüle', (7, 2), "correct the TOML there"),
        ('title = "Größer, ja"', 'title = "Größer, ja", x = 1', (6, 21), "correct the TOML there"),
        ('name = "two"', 'name = "one-harder"', (16, 8), 'stages[0] has a stage "one-harder"'),
        ('"Drei Stufen ⚽"', '"⚽"\nball_size = 6', (3, 13), "3, 4 or 5"),
        ('"Two"', '"Two\\u001b[2J"', (17, 9), "cannot be printed"),
        ("makes = 3", 'makes = "' + "9" * 500 + '"', (22, 9), "9..."),
        ('"two"', '"⚽ zwei"', (16, 8), "small letters, digits and dashes"),
    ],
)
def test_mistakes_are_named_with_line_and_column(
    old: str, new: str, place: tuple[int, int], problem: str
) -> None:
    changed = LADDER.replace(old, new)
    assert changed != LADDER
    with pytest.raises(BadSettingsError) as refusal:
        parse_ladder(changed.encode(), "Frühling ⚽.toml")
    message = str(refusal.value)
    assert message.startswith("Frühling ⚽.toml")
    assert f"line {place[0]}, column {place[1]}: " in message
    assert problem in message


def test_a_dribble_stage_has_no_second_round() -> None:
    text = (
        'title = "T"\n[[stages]]\nname = "a"\ntitle = "A"\n'
        'rule = { kind = "touches-in-a-row", touches = 20 }\nharder = { width_steps = 4 }\n'
    )
    with pytest.raises(BadSettingsError, match="a dribble stage has no goal, so it has no harder"):
        parse_ladder(text.encode(), "own.toml")


def test_everyone_climbing_on_needs_an_end_of_the_tries() -> None:
    text = LADDER.replace("retries = 1\n", "").replace("met-harder", "tried")
    text = text.replace("easier = { width_steps = 6, back_steps = 10 }\n", "")
    with pytest.raises(BadSettingsError, match="needs a limit on tries"):
        parse_ladder(text.encode(), "own.toml")
    kept = text.replace('advance = "tried"', 'advance = "tried"\nretries = 0')
    assert parse_ladder(kept.encode(), "own.toml").rungs[0].advance is Advance.TRIED


# The example "TOML" of the TOML 1.0.0 specification's arrays of tables, nested; from memory.
FRUIT = """\
[[fruits]]
name = "apple"

[fruits.physical]  # subtable
color = "red"
shape = "round"

[[fruits.varieties]]  # nested array of tables
name = "red delicious"

[[fruits.varieties]]
name = "granny smith"

[[fruits]]
name = "banana"

[[fruits.varieties]]
"na me"."in.side" = [ 1, { "é" = 'x' }, # one
  3 ]
"""


def test_places_in_the_specifications_example() -> None:
    """TOML 1.0.0, array of tables: the example with fruits and varieties (from memory)."""
    places = TomlPlaces(FRUIT)
    fruits = tomllib.loads(FRUIT)["fruits"]
    assert fruits[0]["varieties"][1]["name"] == "granny smith"
    assert places.of_value(("fruits", 0, "varieties", 1, "name")) == (12, 8)
    assert places.of_key(("fruits", 0, "varieties", 1, "name")) == (12, 1)
    assert places.of_value(("fruits", 0, "physical", "color")) == (5, 9)
    assert places.of_value(("fruits", 1)) == (14, 1)
    assert fruits[1]["varieties"][0]["na me"]["in.side"][1]["é"] == "x"
    inside = ("fruits", 1, "varieties", 0, "na me", "in.side")
    assert places.of_value(inside) == (18, 21)
    assert places.of_value((*inside, 1, "é")) == (18, 34)
    assert places.of_value((*inside, 2)) == (19, 3)
    assert places.of_value(("fruits", 1, "colour")) == (14, 1)  # missing: the table that lacks it
    assert places.of_value(("nothing",)) == (1, 1)


def test_check_says_what_the_ladder_asks(tmp_path: Path) -> None:
    file = tmp_path / "Frühling  1 ⚽.toml"
    file.write_text(LADDER, encoding="utf-8")
    result = run("ladder", "check", file)
    assert result.exit_code == 0
    assert "one-easier    easier round: goal 6 steps wide, kick from 10 steps back" in result.stdout
    assert "2 tries" in result.stdout
    assert "climbs on: who has met the stage and its harder round" in result.stdout
    assert result.stdout.splitlines()[-1] == ("this ladder can be used: 2 stages, 3 second rounds")


def test_check_refuses_in_words(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(LADDER.replace("makes = 5", "makes = 5.5"), encoding="utf-8")
    result = run("ladder", "check", file)
    assert result.exit_code == 6 and not result.stdout
    assert "line 7, column 43: stages[0].rule.makes: give a whole number" in result.stderr
    file.write_bytes(b'title = "\xff\xfe"')
    assert "line 1, column 10: this is not UTF-8" in run("ladder", "check", file).stderr
    assert "no such ladder file" in run("ladder", "check", tmp_path / "none").stderr
    assert run("ladder", "check", tmp_path).exit_code == 6


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a = " + b"[" * 20_000, "nested too deeply"),
        (b"a = " + b"9" * 6_000, "correct the TOML there"),
        (b"# " + b"x" * 1_000_000, "longer than 1000 kB"),
        (b"", "title: this key is missing"),
        (b"\0\0", "line 1, column 1"),
        (b"title = 'x'\nstages = 3", "stages: give [[stages]] tables"),
    ],
)
def test_what_is_no_ladder_at_all_is_refused_in_a_few_lines(
    tmp_path: Path, content: bytes, words: str
) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes(content)
    result = run("ladder", "check", file)
    assert result.exit_code == 6 and words in result.stderr
    assert len(result.stderr) < 600


def test_the_shipped_ladder_shows_second_rounds_and_tells_them_in_json() -> None:
    ladder = load_ladder()
    assert {rung.advance for rung in ladder.rungs} >= {Advance.MET, Advance.MET_EASIER}
    listed = json.loads(run("stages", "--json").stdout)
    assert listed == json.loads(json.dumps(serialise_ladder(ladder)))
    by_name = {stage["name"]: stage for stage in listed["stages"]}
    assert by_name["five-of-ten"]["easier"]["width_steps"] == 6
    assert by_name["touches"]["harder"] is None
    shown = run("stages").stdout
    assert all(stage.name in shown for stage in ladder.all_stages)
