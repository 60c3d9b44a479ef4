"""The look plan beside a plain search over every group of shots and every truth."""

from __future__ import annotations

import random
from collections import defaultdict
from itertools import combinations, pairwise, product
from math import prod

import pytest
from scipy import stats

from shoegoal.ladder.chances import counted_set
from shoegoal.ladder.looks import LookPlan
from shoegoal.ladder.rules import MakesInARow, MakesInTime, MakesOfShots, StageRule, TouchesInARow
from shoegoal.ladder.verdict import Decision, Verdict, judge_set
from test_ladder_chances import TIME_STEP_S, Story, outcome, standing, stories

CONFIDENCE = 0.99
RULES: list[StageRule] = [
    MakesOfShots(4, 7),
    MakesOfShots(4, 9),
    MakesOfShots(6, 7),
    MakesInARow(2, 7),
    MakesInARow(3),
]


def doubtful_set(rule: StageRule, seed: int, shots: int = 7) -> list[float]:
    draw = random.Random(f"{rule.sentence} {seed}")
    kinds = [lambda: draw.choice([0.9995, 0.0005]), lambda: draw.uniform(0.05, 0.95)]
    return [draw.choices(kinds, weights=[2, 1])[0]() for _ in range(shots)]


def truths(p: list[float]) -> dict[tuple[int, ...], float]:
    return {
        made: prod(q if hit else 1 - q for q, hit in zip(p, made, strict=True))
        for made in product((0, 1), repeat=len(p))
    }


def settled_by_search(rule: StageRule, p: list[float], group: tuple[int, ...]) -> float:
    """P(one outcome is past the confidence after looking at group), truth by truth."""
    by_answer: dict[tuple[int, ...], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for made, weight in truths(p).items():
        by_answer[tuple(made[item] for item in group)][standing(rule, made)] += weight
    settled = 0.0
    for outcomes in by_answer.values():
        total = sum(outcomes.values())
        if total and max(outcomes.values()) / total >= CONFIDENCE:
            settled += total
    return settled


def looked_at(p: list[float], plan: LookPlan, made: tuple[int, ...]) -> list[float]:
    return [float(made[item]) if item + 1 in plan.shots else value for item, value in enumerate(p)]


def test_most_of_the_drawn_sets_need_a_look() -> None:
    # Guards the two tests below against passing because nothing was to be planned.
    sets = [(rule, doubtful_set(rule, seed)) for rule in RULES for seed in range(8)]
    plans = [judge_set(counted_set(rule, p), confidence=CONFIDENCE).looks for rule, p in sets]
    sizes = [len(plan.shots) for plan in plans if plan is not None]
    assert len(sizes) >= len(sets) / 2
    assert {1, 2, 3} <= set(sizes)


def looks_of(verdict: Verdict) -> LookPlan:
    assert verdict.looks is not None
    return verdict.looks


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.sentence)
@pytest.mark.parametrize("seed", range(8))
def test_no_smaller_group_settles_the_verdict(rule: StageRule, seed: int) -> None:
    p = doubtful_set(rule, seed)
    verdict = judge_set(counted_set(rule, p), confidence=CONFIDENCE)
    if verdict.decision is not Decision.LOOK:
        assert settled_by_search(rule, p, ()) == pytest.approx(1.0)
        return
    plan = looks_of(verdict)
    named = tuple(number - 1 for number in plan.shots)
    found = settled_by_search(rule, p, named)
    assert found >= CONFIDENCE - 1e-9
    assert plan.settles_probability == pytest.approx(found, abs=1e-9)
    if len(named) <= 5:  # up to 4 looks are searched exactly, so 5 proves that 4 are too few
        for size in range(len(named)):
            for group in combinations(range(len(p)), size):
                assert settled_by_search(rule, p, group) < CONFIDENCE


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.sentence)
@pytest.mark.parametrize("seed", range(4))
def test_looking_at_exactly_these_leads_to_the_true_verdict(rule: StageRule, seed: int) -> None:
    p = doubtful_set(rule, seed)
    first = judge_set(counted_set(rule, p), confidence=CONFIDENCE)
    if first.decision is not Decision.LOOK:
        return
    plan = looks_of(first)
    says = {
        "met": Decision.ADVANCE,
        "failed": Decision.TRY_AGAIN,
        "open": Decision.NOT_FINISHED,
    }
    right = wrong = look_again = 0.0
    for made, weight in truths(p).items():
        decision = judge_set(
            counted_set(rule, looked_at(p, plan, made)), confidence=CONFIDENCE
        ).decision
        if decision is Decision.LOOK:
            look_again += weight
        elif decision is says[standing(rule, made)]:
            right += weight
        else:
            wrong += weight
    assert right + wrong + look_again == pytest.approx(1.0)
    assert look_again == pytest.approx(1.0 - plan.settles_probability, abs=1e-9)
    assert look_again <= 1 - CONFIDENCE + 1e-9
    assert wrong <= 1 - CONFIDENCE + 1e-9


def maybe_shots(rule: StageRule, seed: int) -> tuple[list[float], list[float]]:
    """Six events of which some may be no shot."""
    draw = random.Random(f"maybe {rule.sentence} {seed}")
    p_shot = [draw.choice([1.0, 0.9998, 0.9998, draw.uniform(0.05, 0.95)]) for _ in range(6)]
    return p_shot, doubtful_set(rule, seed, 6)


def judged(rule: StageRule, p_shot: list[float], p_make: list[float]) -> Verdict:
    times_s = [TIME_STEP_S * k for k in range(len(p_shot))]
    counted = counted_set(
        rule, p_make, p_shot=p_shot, kick_times_s=times_s, watched_until_s=UNTIL_S
    )
    return judge_set(counted, confidence=CONFIDENCE)


def outcomes_by_answer(
    rule: StageRule, told: dict[Story, float], group: tuple[int, ...]
) -> dict[Story, dict[str, float]]:
    by_answer: dict[Story, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for story, weight in told.items():
        answers = tuple(story[event] for event in group)
        by_answer[answers][outcome(rule, story, UNTIL_S)] += weight
    return by_answer


def settled_share(by_answer: dict[Story, dict[str, float]]) -> float:
    totals = [(sum(found.values()), max(found.values())) for found in by_answer.values()]
    return sum(total for total, most in totals if total and most / total >= CONFIDENCE)


UNTIL_S = 100.0
MAYBE_RULES: list[StageRule] = [
    MakesOfShots(2, 4),
    MakesOfShots(3, 5),
    MakesInARow(2, 5),
    MakesInTime(2, 26.0),
]


@pytest.mark.parametrize("rule", MAYBE_RULES, ids=lambda rule: rule.sentence)
@pytest.mark.parametrize("seed", range(4))
def test_a_look_settles_an_event_as_no_shot_miss_or_make(rule: StageRule, seed: int) -> None:
    p_shot, p_make = maybe_shots(rule, seed)
    told = {story: weight for story, weight in stories(p_shot, p_make).items() if weight}
    verdict = judged(rule, p_shot, p_make)
    if verdict.decision is not Decision.LOOK:
        assert settled_share(outcomes_by_answer(rule, told, ())) == pytest.approx(1.0)
        return
    plan = looks_of(verdict)
    named = tuple(number - 1 for number in plan.shots)
    by_answer = outcomes_by_answer(rule, told, named)
    assert plan.settles_probability == pytest.approx(settled_share(by_answer), abs=1e-9)
    assert plan.settles_probability >= CONFIDENCE
    for size in range(min(len(named), 5)):
        for group in combinations(range(6), size):
            assert settled_share(outcomes_by_answer(rule, told, group)) < CONFIDENCE
    says = {Decision.ADVANCE: "met", Decision.TRY_AGAIN: "failed", Decision.NOT_FINISHED: "open"}
    for answers, outcomes in by_answer.items():
        s, p = p_shot.copy(), p_make.copy()
        for event, answer in zip(named, answers, strict=True):
            s[event], p[event] = float(answer != ""), float(answer == "o")
        after = judged(rule, s, p).decision
        most = max(outcomes, key=outcomes.__getitem__)
        sure = outcomes[most] / sum(outcomes.values()) >= CONFIDENCE
        assert says.get(after) == (most if sure else None)


def test_most_sets_that_may_hold_no_shot_need_looks_of_all_sizes() -> None:
    # Guards the test above against passing because nothing was to be planned.
    plans = [
        judged(rule, *maybe_shots(rule, seed)).looks for rule in MAYBE_RULES for seed in range(4)
    ]
    sizes = [len(plan.shots) for plan in plans if plan is not None]
    assert len(sizes) >= len(plans) / 2
    assert {1, 2, 3} <= set(sizes)


@pytest.mark.parametrize("seed", range(6))
def test_looking_until_no_plan_is_left_always_ends_in_a_verdict(seed: int) -> None:
    draw = random.Random(seed)
    rule = MakesOfShots(15, 20)
    p = [draw.choice([0.97, 0.6, 0.99]) for _ in range(20)]
    made = tuple(int(draw.random() < value) for value in p)
    for _ in range(len(p) + 1):
        verdict = judge_set(counted_set(rule, p), confidence=CONFIDENCE)
        if verdict.decision is not Decision.LOOK:
            break
        plan = looks_of(verdict)
        best = LookPlan(plan.shots[:1], 0.0, whole_set=False)
        p = looked_at(p, best, made)
    assert verdict.decision is not Decision.LOOK


def test_only_the_shots_that_matter_are_named() -> None:
    # Four clear makes; shot 6 alone decides "5 of 10".
    p = [1.0, 1.0, 1.0, 1.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0]
    verdict = judge_set(counted_set(MakesOfShots(5, 10), p))
    assert looks_of(verdict) == LookPlan((6,), 1.0, whole_set=False)
    assert verdict.sentence.endswith("please look at 6")


def test_doubtful_shot_that_cannot_break_the_row_is_not_named() -> None:
    # 3 in a row: shots 1-2 can reach nothing whatever they are; 5 completes 4-6.
    p = [0.5, 0.5, 0.0, 1.0, 0.4, 1.0]
    assert looks_of(judge_set(counted_set(MakesInARow(3), p))).shots == (5,)


def test_shots_after_the_last_that_can_count_are_not_named() -> None:
    verdict = judge_set(counted_set(MakesOfShots(5, 10), [0.5] * 12))
    assert looks_of(verdict).whole_set
    assert sorted(looks_of(verdict).shots) == list(range(1, 11))


def test_best_shot_comes_first() -> None:
    # Two of the three are needed; the middle one is nearly known, so it tells least.
    p = [0.5, 0.95, 0.5]
    plan = looks_of(judge_set(counted_set(MakesOfShots(2, 3), p)))
    assert plan.shots[-1] == 2
    assert set(plan.shots) == {1, 2, 3}


def test_loss_of_the_ball_is_what_to_look_at() -> None:
    p = [1.0, 1.0, 0.5, 1.0, 1.0]
    verdict = judge_set(
        counted_set(TouchesInARow(4), p, is_loss=[False, False, True, False, False])
    )
    assert verdict.chances.met == pytest.approx(0.5)
    assert looks_of(verdict).shots == (3,)


def test_many_doubtful_shots_send_a_person_to_the_whole_clip() -> None:
    p = [0.9] * 3 + [0.6] * 10 + [0.3] * 6 + [0.5]
    verdict = judge_set(counted_set(MakesOfShots(10, 20), p))
    plan = looks_of(verdict)
    assert plan.whole_set
    assert sorted(plan.shots) == list(range(1, 21))
    # Reference library: scipy gives the entropy that is expected to be left after each look.
    leftover = {}
    for number in plan.shots:
        chance = p[number - 1]
        others = stats.poisson_binom(p[: number - 1] + p[number:])
        after_make, after_miss = others.sf(8), others.sf(9)
        leftover[number] = chance * stats.bernoulli(after_make).entropy()
        leftover[number] += (1 - chance) * stats.bernoulli(after_miss).entropy()
    in_order = [leftover[number] for number in plan.shots]
    assert all(later > sooner - 1e-9 for sooner, later in pairwise(in_order))
    assert set(plan.shots[-3:]) == {1, 2, 3}
    assert verdict.sentence.endswith(
        "watch the whole clip, starting with " + ", ".join(map(str, plan.shots[:3]))
    )
