"""Verdicts on sets with hidden time: told only where no hidden shot could change them.

The oracle is enumeration: every way of putting up to three makes or misses into the break.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from shoegoal.ladder.hidden import HiddenTime, judge_shots_around
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesInTime, MakesOfShots, StageRule
from shoegoal.ladder.verdict import Decision, judge_shots
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, Shot

SURE = (Decision.ADVANCE, Decision.TRY_AGAIN)
RULES = (FirstMakes(2), MakesOfShots(2, 3), MakesInARow(2), MakesInARow(2, 4), MakesInTime(2, 35.0))


def shots_of(calls: str, start_s: float = 10.0) -> list[Shot]:
    """``o`` a make, ``x`` a miss, ten seconds apart."""
    return [
        replace(
            unseen_shot(k + 1, start_s + 10.0 * k, "drawn"),
            call=Call.MAKE if c == "o" else Call.MISS,
            p_make=1.0 if c == "o" else 0.0,
        )
        for k, c in enumerate(calls)
    ]


def with_hidden(shots: list[Shot], at_s: float, hidden: str) -> list[Shot]:
    before = [s for s in shots if s.kick_time_s < at_s]
    between = [
        replace(s, kick_time_s=at_s + 0.1 * k) for k, s in enumerate(shots_of(hidden), start=1)
    ]
    return [*before, *between, *(s for s in shots if s.kick_time_s >= at_s)]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.sentence)
@pytest.mark.parametrize("calls", ["", "oo", "oxo", "xxo", "xoo", "xxxx", "ooxx", "oxoxoo"])
@pytest.mark.parametrize("after", [0, 1, 2, 3, 4])
def test_no_verdict_is_told_that_a_hidden_shot_could_change(
    rule: StageRule, calls: str, after: int
) -> None:
    shots, at_s = shots_of(calls), 15.0 + 10.0 * (after - 1)
    told = judge_shots_around(
        rule,
        shots,
        [HiddenTime(at_s, at_s, "a shot may be hidden at 0:20.0")],
        watched_until_s=100.0,
    )[1]
    possible = {
        judge_shots(rule, with_hidden(shots, at_s, "".join(h)), watched_until_s=100.0)[1].decision
        for length in range(4)
        for h in product("ox", repeat=length)
    }
    if told.decision in SURE:
        assert possible == {told.decision}
    else:
        assert told.decision is Decision.LOOK
        assert "0:20.0" in told.sentence and "hidden" in told.sentence


def test_what_stands_is_told() -> None:
    late = [HiddenTime(35.0, 35.0, "a shot may be hidden at 0:35.0")]
    for rule in RULES:
        assert judge_shots_around(rule, shots_of("oox"), late)[1].decision is Decision.ADVANCE
    rule = MakesOfShots(2, 3)
    assert judge_shots_around(rule, shots_of("xxo"), late)[1].decision is Decision.TRY_AGAIN
    assert judge_shots_around(rule, shots_of("xoo"), []) == judge_shots(rule, shots_of("xoo"))


def test_the_tally_shows_what_was_seen_and_the_sentence_says_why() -> None:
    hidden = [HiddenTime(15.0, 15.0, "a shot may be hidden at 0:05.0")]
    tally, verdict = judge_shots_around(MakesOfShots(2, 3), shots_of("ooo"), hidden)
    assert (tally.makes, tally.misses) == (3, 0)
    assert verdict.decision is Decision.LOOK
    assert verdict.looks is not None and verdict.looks.shots == ()
    assert verdict.sentence == (
        "look: a shot may be hidden at 0:05.0, please look there first; by the shots shown it is "
        "advance: make 2 of 3 shots"
    )
