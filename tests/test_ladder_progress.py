"""A pupil's way up a ladder: which stage is next, how many tries are left, what is open besides."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from shoegoal.ladder.ladders import Ladder, parse_ladder
from shoegoal.ladder.progress import (
    NextStep,
    Progress,
    RungState,
    SetResult,
    progress_of,
)
from shoegoal.ladder.rules import Advance, FirstMakes, Round, Rung, Stage, second_round
from shoegoal.ladder.verdict import Decision

ENDS = {
    "+": Decision.ADVANCE,
    "-": Decision.TRY_AGAIN,
    "?": Decision.LOOK,
    ".": Decision.NOT_FINISHED,
}


def rung(
    name: str,
    *,
    retries: int | None = None,
    harder: bool = False,
    easier: bool = False,
    advance: Advance = Advance.MET,
) -> Rung:
    stage = Stage(name, f"Stage {name}", FirstMakes(3), 5, 12, retries=retries)
    return Rung(
        stage,
        second_round(stage, Round.HARDER, width_steps=4) if harder else None,
        second_round(stage, Round.EASIER, width_steps=6) if easier else None,
        advance,
    )


def climb(ladder: Ladder, played: str) -> Progress:
    """Play sets written as ``a+ a-harder?``."""
    results = [SetResult(ladder.stage_by_name(one[:-1]), ENDS[one[-1]]) for one in played.split()]
    return progress_of(ladder, results)


PLAIN = Ladder("L", None, (rung("a"), rung("b", retries=1), rung("c")))


@pytest.mark.parametrize(
    ("played", "sentence", "passed"),
    [
        ("", "next: Stage a", 0),
        ("a-", "try again: Stage a", 0),
        ("a- a- a- a-", "try again: Stage a", 0),  # no retries given: as many as wanted
        ("a+", "next: Stage b", 1),
        ("a- a+", "next: Stage b", 1),
        ("a+ a-", "next: Stage b", 1),  # once met, a later set takes nothing away
        ("a+ b-", "try again: Stage b (1 try left)", 1),
        ("a+ b.", "next: Stage b", 1),  # an unfinished set uses up no try
        ("a+ b- b-", "tries used up, the teacher decides: Stage b", 1),
        ("a+ b- b?", "look at the waiting set first: Stage b", 1),
        ("a+ b? b+", "next: Stage c", 2),  # met by another set: the waiting one changes nothing
        ("a+ b+ c+", "the whole ladder is climbed", 3),
        ("b-", "try again: Stage b (1 try left)", 0),  # began further up
        ("b+", "next: Stage c", 1),
        ("a- b+", "next: Stage c", 1),  # a later stage passed: let past the one before
        ("c+", "the whole ladder is climbed", 1),
        ("c? a+", "next: Stage b", 1),
    ],
)
def test_the_way_up(played: str, sentence: str, passed: int) -> None:
    progress = climb(PLAIN, played)
    assert progress.sentence == sentence
    assert progress.passed == passed
    assert (progress.stage is None) == (progress.step is NextStep.FINISHED)


def test_states_of_the_rungs() -> None:
    def states(played: str) -> list[RungState]:
        return [one.state for one in climb(PLAIN, played).rungs]

    passed, past = RungState.PASSED, RungState.LET_PAST
    assert states("") == [RungState.NOT_PLAYED] * 3
    assert states("b-") == [past, RungState.UNDER_WAY, RungState.NOT_PLAYED]
    assert states("a- b+") == [past, passed, RungState.NOT_PLAYED]
    assert states("a+ c?") == [passed, RungState.NOT_PLAYED, RungState.UNDER_WAY]


@pytest.mark.parametrize(
    ("advance", "played", "sentence"),
    [
        (Advance.MET, "a+", "next: Stage z; as an extra: Stage a, harder"),
        (Advance.MET, "a+ a-harder+", "next: Stage z"),
        (Advance.MET, "a+ a-harder-", "next: Stage z; as an extra: Stage a, harder"),
        (Advance.MET, "a+ a-harder- a-harder-", "next: Stage z"),  # its tries are used up
        (Advance.MET, "a- a-", "next: Stage a, easier"),
        (Advance.MET, "a- a- a-easier-", "try again: Stage a, easier (1 try left)"),
        (
            Advance.MET,
            "a- a- a-easier- a-easier-",
            "tries used up, the teacher decides: Stage a, easier",
        ),
        (Advance.MET, "a- a- a-easier+", "next: Stage a"),  # back with fresh tries
        (Advance.MET, "a- a- a-easier+ a-", "try again: Stage a (1 try left)"),
        (
            Advance.MET,
            "a- a- a-easier+ a- a-",
            "tries used up, the teacher decides: Stage a",
        ),
        (Advance.MET, "a- a- a-easier?", "look at the waiting set first: Stage a, easier"),
        (Advance.MET_HARDER, "a+", "next: Stage a, harder"),
        (Advance.MET_HARDER, "a-harder+", "next: Stage a"),
        (Advance.MET_HARDER, "a+ a-harder-", "try again: Stage a, harder (1 try left)"),
        (Advance.MET_HARDER, "a+ a-harder+", "next: Stage z"),
        (Advance.MET_EASIER, "a- a- a-easier+", "next: Stage z"),
        (Advance.MET_EASIER, "a+", "next: Stage z; as an extra: Stage a, harder"),
        (Advance.TRIED, "a-", "try again: Stage a (1 try left)"),
        (Advance.TRIED, "a- a-", "next: Stage z"),
        (Advance.TRIED, "a+", "next: Stage z; as an extra: Stage a, harder"),
    ],
)
def test_second_rounds_and_who_climbs_on(advance: Advance, played: str, sentence: str) -> None:
    first = rung("a", retries=1, harder=True, easier=True, advance=advance)
    ladder = Ladder("L", None, (first, rung("z")))
    assert climb(ladder, played).sentence == sentence


def test_rounds_tell_their_tries() -> None:
    ladder = Ladder("L", None, (rung("a", retries=2, harder=True),))
    stage, harder = climb(ladder, "a- a? a. a-").rungs[0].rounds
    assert (stage.sets, stage.tries, stage.tries_left, stage.waiting) == (4, 2, 1, 1)
    assert not stage.met
    assert (harder.round, harder.sets, harder.tries_left) == (Round.HARDER, 0, 3)
    assert climb(ladder, "a- a- a-").rungs[0].rounds[0].tries_left == 0


def test_sets_for_another_task_are_left_over() -> None:
    """A stage of the same name that asked something else is not this ladder's stage."""
    other = replace(PLAIN.stages[0], width_steps=6.0)
    alien = Stage("own-stage", "Own", FirstMakes(1), 5, 12)
    played = [SetResult(stage, Decision.ADVANCE) for stage in (other, alien)]
    progress = progress_of(PLAIN, played)
    assert progress.left_over == tuple(played)
    assert progress.step is NextStep.PLAY and progress.stage == PLAIN.stages[0]
    # What is printed of a stage, and its retries, may change without making it another task.
    renamed = replace(PLAIN.stages[0], title="Other words", retries=5, ball_size=3)
    assert progress_of(PLAIN, [SetResult(renamed, Decision.ADVANCE)]).passed == 1


def test_met_sets_never_throw_a_pupil_back() -> None:
    """Whatever was played, one more set that met its stage leaves nobody further down."""
    chance = random.Random(3)
    ladder = Ladder(
        "L",
        None,
        tuple(
            rung(name, retries=chance.randint(0, 2), harder=True, easier=True, advance=advance)
            for name, advance in zip("abcd", Advance, strict=True)
        ),
    )
    names = [stage.name for stage in ladder.all_stages]
    order = [one.stage.name for one in ladder.rungs]

    def height(progress: Progress) -> int:
        if progress.stage is None:
            return len(order)
        return order.index(progress.stage.name.split("-")[0])

    for _ in range(300):
        played = [f"{chance.choice(names)}{chance.choice('+-?.')}" for _ in range(6)]
        before = climb(ladder, " ".join(played))
        if before.stage is None:
            continue
        after = climb(ladder, " ".join([*played, f"{chance.choice(names)}+"]))
        if any(one.state is RungState.PASSED for one in before.rungs):
            assert height(after) >= height(before)


def test_a_ladder_file_climbs_as_documented() -> None:
    text = """
title = "T"
[[stages]]
name = "one"
title = "One"
rule = { kind = "first-makes", makes = 3 }
width_steps = 5
back_steps = 10
retries = 0
easier = { width_steps = 6 }
advance = "met-easier"
"""
    ladder = parse_ladder(text.encode(), "own.toml")
    assert climb(ladder, "one- one-easier+").step is NextStep.FINISHED
