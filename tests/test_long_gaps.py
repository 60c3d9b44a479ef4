"""Gaps in a set's rhythm in which a shot may have been missed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import betabinom

from shoegoal.clip.take import Break, BreakKind
from shoegoal.ladder.rules import FirstMakes, MakesOfShots, StageRule
from shoegoal.ladder.verdict import Decision, judge_shots_around
from shoegoal.pipeline.judging import doubtful_times, long_gap_times
from shoegoal.shots.judge import unseen_shot
from shoegoal.shots.weights import shipped_weights
from shoegoal.types import Shot


def kicked(*times_s: float) -> list[Shot]:
    return [unseen_shot(k, t, "") for k, t in enumerate(times_s, start=1)]


@pytest.mark.parametrize(
    ("rule", "times_s", "found"),
    [
        (MakesOfShots(3, 6), (5, 20, 35, 50), []),  # an even rhythm, a set broken off
        (MakesOfShots(3, 6), (5, 20, 35, 65), [35]),  # one left out in the middle
        (MakesOfShots(3, 4), (5, 20, 35, 65), []),  # but nothing is missing
        (FirstMakes(5), (5, 20, 35, 65), [35]),
        (MakesOfShots(3, 4), (2, 56), [2]),  # two shots tell no rhythm: a plain limit
        (MakesOfShots(3, 4), (), [0.0]),
    ],
)
def test_oddly_long_gaps(rule: StageRule, times_s: tuple[float, ...], found: list[float]) -> None:
    gaps = long_gap_times(rule, kicked(*times_s), 0.0, 70.0)
    assert [one.time_s for one in gaps if one.time_s < 60] == found


@pytest.mark.parametrize(("p_shot", "found"), [(0.45, [35]), (0.55, [])])
def test_what_is_more_likely_a_shot_than_not_fills_a_gap(p_shot: float, found: list[float]) -> None:
    shots = kicked(5, 20, 35, 50, 65)
    shots[3] = replace(shots[3], p_shot=p_shot)
    gaps = long_gap_times(MakesOfShots(3, 6), shots, 0.0, 70.0)
    assert [one.time_s for one in gaps if one.time_s < 60] == found


def test_a_set_with_a_gap_is_not_told_to_be_unfinished() -> None:
    rule = MakesOfShots(3, 4)
    shots = [replace(shot, p_make=0.003) for shot in kicked(2)]
    shots += [replace(shot, p_make=0.997, number=2) for shot in kicked(56)]
    _, plain = judge_shots_around(rule, shots, [])
    _, doubted = judge_shots_around(rule, shots, long_gap_times(rule, shots, 0.0, 60.0))
    assert plain.decision is Decision.NOT_FINISHED
    assert doubted.decision is Decision.LOOK
    assert "from 0:02.0 to 0:56.0" in doubted.sentence


def test_gaps_and_breaks_are_one_list_until_somebody_looked() -> None:
    rule, shots = MakesOfShots(3, 6), kicked(5, 20, 35, 65)
    jump = Break(BreakKind.JUMP, 50.0, 50.03)

    def left(*looked_s: tuple[float, float]) -> list[float]:
        doubts = doubtful_times(rule, shots, [jump], 0.0, 70.0, looked_s=looked_s)
        return [one.time_s for one in doubts]

    assert left() == [35.0, 50.0]
    assert left((35.0, 65.0)) == []
    assert left((49.9, 50.1)) == [35.0]
    assert left((35.28, 64.72)) == []  # kick times wander by three tenths in a recount
    assert left((35.35, 65.0)) == [35.0]
    assert left((35.2, 48.0)) == [35.0, 50.0]
    assert left((52.0, 64.8), (35.2, 52.5)) == []


def sure(*made: bool) -> list[Shot]:
    """Shots ten seconds apart, each as good as certain."""
    shots = kicked(*(5.0 + 10.0 * k for k in range(len(made))))
    return [replace(s, p_make=0.9999 * m + 0.00005) for s, m in zip(shots, made, strict=True)]


@pytest.mark.parametrize(
    ("rule", "made", "decision"),
    [
        (MakesOfShots(3, 5), (True, False, True, False), Decision.LOOK),  # a fifth may settle it
        (MakesOfShots(3, 5), (True, False, True), Decision.LOOK),  # a third make may
        (MakesOfShots(6, 10), (True, False, True), Decision.NOT_FINISHED),  # four are too many
        (MakesOfShots(3, 5), (True, True, True, False), Decision.ADVANCE),  # whatever is missing
        (MakesOfShots(3, 5), (True, False, False, False), Decision.TRY_AGAIN),
        (MakesOfShots(5, 10), (), Decision.NOT_FINISHED),  # nobody shoots
        (FirstMakes(3), (True, False, True), Decision.LOOK),
        (FirstMakes(2), (True, True, True), Decision.ADVANCE),
        (FirstMakes(6), (True, False, True), Decision.NOT_FINISHED),
    ],
)
def test_one_shot_short_is_looked_for_where_it_would_settle_the_set(
    rule: StageRule, made: tuple[bool, ...], decision: Decision
) -> None:
    shots, end_s = sure(*made), 10.0 * len(made) + 8.0
    doubts = doubtful_times(rule, shots, [], 0.0, end_s)
    _, verdict = judge_shots_around(rule, shots, doubts)
    assert verdict.decision is decision
    if decision is Decision.LOOK:
        (longest,) = doubts
        assert (longest.time_s, longest.until_s) == (10.0 * len(made) - 5.0, end_s)
        looked = [(longest.time_s, longest.until_s)]
        assert doubtful_times(rule, shots, [], 0.0, end_s, looked_s=looked) == []


@pytest.mark.parametrize(("shown", "missed"), [(0, 1), (4, 1), (8, 2), (19, 3)])
def test_odds_of_missed_shots_are_those_of_the_beta_binomial(shown: int, missed: int) -> None:
    """Reference: scipy.stats.betabinom, so many of all missed against none of those shown."""
    weights = shipped_weights()
    some = betabinom.pmf(missed, shown + missed, *weights.missed)
    none = betabinom.pmf(0, shown, *weights.missed)
    assert weights.odds_missed(shown, missed) == pytest.approx(some / none)
