"""Second rounds and who climbs on; where in a ladder file a mistake stands."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from shoegoal.analysis.model import plain_ladder
from shoegoal.cli.main import cli
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import load_ladder, parse_ladder
from shoegoal.ladder.rungs import Advance, Round
from shoegoal.ladder.toml_places import TomlPlaces

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
    with pytest.raises(BadSettingsError, match="needs an end of the tries"):
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
    assert listed == json.loads(json.dumps(plain_ladder(ladder)))
    by_name = {stage["name"]: stage for stage in listed["stages"]}
    assert by_name["five-of-ten"]["easier"]["width_steps"] == 6
    assert by_name["touches"]["harder"] is None
    shown = run("stages").stdout
    assert all(stage.name in shown for stage in ladder.all_stages)
