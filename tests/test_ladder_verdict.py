"""Tally and verdict on whole sets."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy import stats

from shoegoal.ladder.chances import counted_set
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesInTime, MakesOfShots, StageRule
from shoegoal.ladder.verdict import (
    Decision,
    HiddenTime,
    Tally,
    judge_set,
    judge_shots,
    judge_shots_around,
    tally_of,
)
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, Outcome, Shot

FIVE_OF_TEN = MakesOfShots(5, 10)


def tally_for(calls: list[Call], p: list[float], interval: float = 0.95) -> Tally:
    return tally_of(counted_set(FirstMakes(1), p), calls, interval)


def shot(number: int, p_make: float, call: Call, p_shot: float = 1.0) -> Shot:
    return Shot(
        number=number,
        kick_time_s=10.0 * number,
        end_time_s=10.0 * number + 1,
        call=call,
        outcome=Outcome.INSIDE if p_make > 0.5 else Outcome.WIDE_LEFT,
        p_make=p_make,
        reason="",
        crossing_time_s=None,
        crossing_x_m=None,
        crossing_z_m=None,
        speed_mps=None,
        kick_spot_m=None,
        path=(),
        fitted_path_px=(),
        p_shot=p_shot,
    )


@pytest.mark.parametrize(
    ("rule", "p", "decision"),
    [
        (FIVE_OF_TEN, [1.0] * 5 + [0.0] * 5, Decision.ADVANCE),
        (FIVE_OF_TEN, [1.0] * 4 + [0.0] * 6, Decision.TRY_AGAIN),
        # Decided early: met by shot 5, impossible after six misses, undecided otherwise.
        (FIVE_OF_TEN, [1.0] * 5, Decision.ADVANCE),
        (FIVE_OF_TEN, [0.0] * 6, Decision.TRY_AGAIN),
        (FIVE_OF_TEN, [0.0] * 5, Decision.NOT_FINISHED),
        (FIVE_OF_TEN, [], Decision.NOT_FINISHED),
        (FIVE_OF_TEN, [1.0] * 4 + [0.5] + [0.0] * 5, Decision.LOOK),
        # The eleventh shot would make it, but ten count.
        (FIVE_OF_TEN, [1.0] * 4 + [0.0] * 6 + [1.0], Decision.TRY_AGAIN),
        (FirstMakes(5), [0.0] * 20 + [1.0] * 5, Decision.ADVANCE),
        (FirstMakes(5), [0.0] * 20 + [1.0] * 4, Decision.NOT_FINISHED),
        (MakesInARow(3), [1.0, 1.0, 0.0, 1.0, 1.0], Decision.TRY_AGAIN),
        (MakesInARow(3, 6), [1.0, 1.0, 0.0, 1.0, 1.0], Decision.NOT_FINISHED),
        (MakesInARow(3, 6), [1.0, 1.0, 0.0, 1.0, 0.0], Decision.TRY_AGAIN),
        (MakesInARow(3), [], Decision.NOT_FINISHED),
    ],
)
def test_decision(rule: StageRule, p: list[float], decision: Decision) -> None:
    verdict = judge_set(counted_set(rule, p))
    assert verdict.decision is decision
    assert (verdict.looks is not None) == (decision is Decision.LOOK)
    assert verdict.sentence.startswith(decision.value)
    assert sum(verdict.chances) == pytest.approx(1.0)


def test_confidence_is_the_line_between_verdict_and_look() -> None:
    p = [0.985]
    assert judge_set(counted_set(MakesOfShots(1, 1), p)).decision is Decision.LOOK
    assert (
        judge_set(counted_set(MakesOfShots(1, 1), p), confidence=0.98).decision is Decision.ADVANCE
    )
    assert judge_set(counted_set(MakesOfShots(1, 1), [0.99])).decision is Decision.ADVANCE
    assert judge_set(counted_set(MakesOfShots(1, 1), [0.01])).decision is Decision.TRY_AGAIN


@pytest.mark.parametrize("bad", [0.5, 0.0, 1.1, float("nan")])
def test_useless_confidence_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        judge_set(counted_set(FIVE_OF_TEN, [0.5]), confidence=bad)


def test_small_doubts_add_up() -> None:
    # Ten shots of 0.995 that all matter: 0.995^10 = 0.951, so no verdict though each call is clear.
    verdict = judge_set(counted_set(MakesOfShots(10, 10), [0.995] * 10))
    assert verdict.chances.met == pytest.approx(0.995**10)
    assert verdict.decision is Decision.LOOK


def test_missing_and_surplus_shots_are_said() -> None:
    short = judge_set(counted_set(FIVE_OF_TEN, [1.0, 0.0, 1.0]))
    assert (short.shots_counted, short.shots_missing, short.shots_not_counted) == (3, 7, 0)
    assert "3 shots were seen, 7 still missing" in short.sentence
    long = judge_set(counted_set(FIVE_OF_TEN, [1.0] * 12))
    assert (long.shots_counted, long.shots_missing, long.shots_not_counted) == (10, 0, 2)
    assert "2 more after the first 10, not counted" in long.sentence
    assert "retake" in long.sentence
    assert judge_set(counted_set(FirstMakes(2), [1.0])).shots_missing is None


def test_shots_are_judged_with_their_kick_times() -> None:
    shots = [shot(1, 1.0, Call.MAKE), shot(2, 0.0, Call.MISS), shot(3, 1.0, Call.MAKE)]
    tally, verdict = judge_shots(MakesInTime(2, 15.0), shots)
    assert verdict.decision is Decision.TRY_AGAIN  # kicks at 10, 20 and 30 s: the third is late
    assert (tally.makes, tally.misses, tally.shots) == (1, 1, 2)
    _, longer = judge_shots(MakesInTime(2, 20.0), shots)
    assert longer.decision is Decision.ADVANCE


def test_unsure_shots_keep_their_probability() -> None:
    shots = [shot(n, 1.0, Call.MAKE) for n in range(1, 5)] + [shot(5, 0.4, Call.UNSURE)]
    tally, verdict = judge_shots(MakesOfShots(5, 5), shots)
    assert (tally.makes, tally.misses, tally.unsure) == (4, 0, 1)
    assert verdict.chances.met == pytest.approx(0.4)
    assert tally.sentence == "4 makes, 0 misses; 1 unsure; most likely 4 makes (4 to 5)"


@pytest.mark.parametrize("seed", range(5))
def test_tally_numbers_beside_scipy(seed: int) -> None:
    # Reference library: scipy.stats.poisson_binom; the shortest interval by trying them all.
    p = np.random.default_rng(seed).beta(0.4, 0.4, 12)
    tally = tally_for([Call.UNSURE] * 12, p.tolist(), interval=0.9)
    pmf = stats.poisson_binom(p).pmf(np.arange(13))
    assert tally.likely_makes == int(np.argmax(pmf))
    assert tally.exact_probability == pytest.approx(pmf.max(), abs=1e-12)
    wide_enough = [
        high - low
        for low in range(13)
        for high in range(low, 13)
        if pmf[low : high + 1].sum() >= 0.9
    ]
    assert tally.high_makes - tally.low_makes == min(wide_enough)
    held = pmf[tally.low_makes : tally.high_makes + 1].sum()
    assert tally.interval_probability == pytest.approx(held, abs=1e-12)
    assert tally.all_calls_right_probability == pytest.approx(np.prod(np.maximum(p, 1 - p)))


def test_clear_set_has_an_exact_tally() -> None:
    tally = tally_for([Call.MAKE, Call.MISS, Call.MAKE], [1.0, 0.0, 1.0])
    assert (tally.likely_makes, tally.low_makes, tally.high_makes) == (2, 2, 2)
    assert tally.exact_probability == tally.all_calls_right_probability == 1.0
    assert tally.sentence == "2 makes, 1 miss"
    empty = tally_for([], [])
    assert (empty.shots, empty.likely_makes, empty.exact_probability) == (0, 0, 1.0)


def test_two_errors_can_cancel_in_the_tally() -> None:
    # By hand: 0.9*0.9 + 0.1*0.1 for one make of a 0.9 and a 0.1 shot.
    tally = tally_for([Call.MAKE, Call.MISS], [0.9, 0.1])
    assert tally.exact_probability == pytest.approx(0.82)
    assert tally.all_calls_right_probability == pytest.approx(0.81)


def test_an_event_that_may_be_no_shot_lets_a_later_shot_count() -> None:
    # By hand: 2 of the first 3. With event 2 no shot (0.4), the make at the end is the third.
    shots = [
        shot(1, 1.0, Call.MAKE),
        shot(2, 0.0, Call.UNSURE, p_shot=0.6),
        shot(3, 0.0, Call.MISS),
        shot(4, 1.0, Call.MAKE),
    ]
    tally, verdict = judge_shots(MakesOfShots(2, 3), shots)
    assert verdict.chances == pytest.approx((0.4, 0.6, 0.0))
    assert verdict.looks is not None and verdict.looks.shots == (2,)
    assert (tally.makes, tally.misses, tally.unsure) == (1, 1, 1)
    assert (tally.likely_makes, tally.low_makes, tally.high_makes) == (1, 1, 2)
    assert tally.exact_probability == tally.all_calls_right_probability == pytest.approx(0.6)
    assert (verdict.shots_counted, verdict.shots_not_counted, verdict.shots_missing) == (3, 1, 0)
    assert "up to 1 more after the first 3, not counted" in verdict.sentence
    for p_shot, makes, decision in ((0.0, 2, Decision.ADVANCE), (1.0, 1, Decision.TRY_AGAIN)):
        shots[1] = shot(2, 0.0, Call.MISS, p_shot)
        tally, verdict = judge_shots(MakesOfShots(2, 3), shots)
        assert (tally.makes, tally.likely_makes, tally.shots) == (makes, makes, 3)
        assert verdict.decision is decision


def test_an_unsure_event_that_is_more_likely_no_shot_is_told_beside_the_tally() -> None:
    shots = [
        shot(1, 1.0, Call.MAKE),
        shot(2, 0.5, Call.UNSURE, p_shot=0.2),
        shot(3, 0.0, Call.MISS),
        shot(4, 0.5, Call.UNSURE, p_shot=0.2),  # if so, the third or fourth: mostly too late
    ]
    tally, verdict = judge_shots(MakesOfShots(1, 2), shots)
    assert verdict.decision is Decision.ADVANCE
    assert (tally.makes, tally.misses, tally.unsure, tally.maybe_shots) == (1, 1, 0, 1)
    # By hand: two makes only where event 2 is one; else one.
    assert tally.exact_probability == pytest.approx(0.9)
    assert tally.all_calls_right_probability == pytest.approx(0.8)
    assert tally.sentence == "1 make, 1 miss; 1 more may be a shot; most likely 1 make (1 to 2)"


def test_a_shot_that_may_be_none_may_leave_one_missing() -> None:
    likely = judge_set(counted_set(MakesOfShots(2, 3), [1.0, 0.0, 0.0], p_shot=[1.0, 1.0, 0.7]))
    assert (likely.shots_counted, likely.shots_missing) == (3, 0)
    assert likely.chances == pytest.approx((0.0, 0.7, 0.3))
    assert "2 to 3 shots were seen, up to 1 still missing" in likely.sentence
    doubtful = judge_set(counted_set(MakesOfShots(2, 3), [0.0], p_shot=[0.4]))
    assert (doubtful.shots_counted, doubtful.shots_missing) == (0, 3)
    assert "up to 1 shot was seen, 2 to 3 still missing" in doubtful.sentence


def test_interval_of_two_peaks_is_the_shortest_round_the_higher_one() -> None:
    # Against the clock, a first event that may be no shot moves the time of all the others.
    times_s = [0.0, *(40.0 + np.arange(6.0))]
    counted = counted_set(
        MakesInTime(3, 30.0), [0.0, *[1.0] * 6], p_shot=[0.6, *[1.0] * 6], kick_times_s=times_s
    )
    tally = tally_of(counted, [Call.UNSURE, *[Call.MAKE] * 6], interval=0.9)
    assert tally.likely_makes == 0 and tally.exact_probability == pytest.approx(0.6)
    assert (tally.low_makes, tally.high_makes, tally.interval_probability) == (0, 6, 1.0)
    assert (tally.makes, tally.misses, tally.unsure) == (0, 0, 1)


def test_tally_refuses_mismatched_input() -> None:
    with pytest.raises(ValueError, match="1 calls for 2"):
        tally_for([Call.MAKE], [0.5, 0.5])
    with pytest.raises(ValueError, match="interval"):
        tally_for([Call.MAKE], [0.5], interval=0.0)


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
        "look: a shot may be hidden at 0:05.0, please look there first; going by the shots shown: "
        "advance: make 2 of 3 shots"
    )
