"""Where every shot is plain, each shipped stage of shots gets its verdict without a look."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shoegoal.ladder.ladders import load_ladder
from shoegoal.ladder.rules import FirstMakes, MakesOfShots, StageRule
from shoegoal.ladder.verdict import Decision, judge_shots_around
from shoegoal.pipeline.judging import doubtful_times
from shoegoal.shots.judge import unseen_shot
from shoegoal.shots.weights import shipped_weights
from shoegoal.types import Shot

RULES = [stage.rule for stage in load_ladder().stages]


def plain_set(makes: int, misses: int) -> list[Shot]:
    """Shots as certain as the counts that come with the tool allow, misses first."""
    chances = shipped_weights()
    p_shot = chances.shot_calibration.of(1.0)
    p_makes = [chances.make_calibration.bound(float(k >= misses)) for k in range(misses + makes)]
    return [
        replace(unseen_shot(k + 1, 5.0 + 10.0 * k, ""), p_shot=p_shot, p_make=p)
        for k, p in enumerate(p_makes)
    ]


def decision_about(rule: StageRule, shots: list[Shot]) -> Decision:
    doubts = doubtful_times(rule, shots, [], 0.0, shots[-1].kick_time_s + 8.0)
    _, verdict = judge_shots_around(rule, shots, doubts)
    return verdict.decision


@pytest.mark.parametrize("rule", [r for r in RULES if isinstance(r, MakesOfShots)], ids=str)
@pytest.mark.parametrize(
    ("more", "decision"), [(0, Decision.ADVANCE), (1, Decision.ADVANCE), (-1, Decision.TRY_AGAIN)]
)
def test_makes_of_shots(rule: MakesOfShots, more: int, decision: Decision) -> None:
    makes = rule.makes + more
    if makes > rule.shots:
        pytest.skip("no set has more makes than shots")
    assert decision_about(rule, plain_set(makes, rule.shots - makes)) is decision


@pytest.mark.parametrize("rule", [r for r in RULES if isinstance(r, FirstMakes)], ids=str)
def test_as_many_shots_as_it_takes(rule: FirstMakes) -> None:
    assert decision_about(rule, plain_set(rule.makes, 6)) is Decision.ADVANCE
