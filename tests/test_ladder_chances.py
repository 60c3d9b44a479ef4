"""Exact set chances beside enumeration, reference libraries and published figures."""

from __future__ import annotations

import random
from itertools import product
from math import prod

import numpy as np
import pytest
from scipy import stats

from shoegoal.ladder.chances import counted_set, set_chances
from shoegoal.ladder.rules import (
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    StageRule,
    TouchesInARow,
)


def is_met(rule: StageRule, made: tuple[int, ...]) -> bool:
    """Score known shots straight from the words of the rule (no chain, no states)."""
    if isinstance(rule, FirstMakes):
        return sum(made) >= rule.makes
    if isinstance(rule, MakesOfShots):
        return sum(made[: rule.shots]) >= rule.makes
    assert isinstance(rule, MakesInARow)
    return "1" * rule.makes in "".join(map(str, made[: rule.shots]))


def standing(rule: StageRule, made: tuple[int, ...]) -> str:
    """Met, open (some way to go on reaches it) or failed, by trying every way to go on."""
    if is_met(rule, made):
        return "met"
    if isinstance(rule, FirstMakes) or not made:
        return "open"
    shots = rule.shots if isinstance(rule, (MakesOfShots, MakesInARow)) else None
    left = 0 if shots is None else max(0, shots - len(made))
    more = product((0, 1), repeat=left)
    return "open" if any(is_met(rule, made + rest) for rest in more) else "failed"


Story = tuple[str, ...]  # of each event: "" for no shot, "x" for a miss, "o" for a make
TIME_STEP_S = 8.0


def shots_that_count(rule: StageRule, story: Story) -> list[int]:
    """Take the known shots of a story that its rule counts, straight from the rule's words."""
    kicked = [(TIME_STEP_S * k, int(one == "o")) for k, one in enumerate(story) if one]
    if isinstance(rule, MakesInTime):
        return [made for time_s, made in kicked if time_s <= kicked[0][0] + rule.time_s]
    made = [made for _, made in kicked]
    return made[: rule.shots] if isinstance(rule, (MakesOfShots, MakesInARow)) else made


def outcome(rule: StageRule, story: Story, watched_until_s: float) -> str:
    made = shots_that_count(rule, story)
    if not isinstance(rule, MakesInTime):
        return standing(rule, tuple(made))
    first_s = next((TIME_STEP_S * k for k, one in enumerate(story) if one), watched_until_s)
    not_met = "open" if watched_until_s < first_s + rule.time_s else "failed"
    return "met" if sum(made) >= rule.makes else not_met


def stories(p_shot: list[float], p_make: list[float]) -> dict[Story, float]:
    odds = [{"": 1 - s, "x": s * (1 - p), "o": s * p} for s, p in zip(p_shot, p_make, strict=True)]
    return {
        story: prod(chances[one] for chances, one in zip(odds, story, strict=True))
        for story in product(("", "x", "o"), repeat=len(odds))
    }


def doubtful_events(name: str, events: int) -> tuple[list[float], list[float]]:
    draw = random.Random(name)
    return tuple(
        [draw.choice([0.0, 1.0, draw.random(), draw.random()]) for _ in range(events)]
        for _ in range(2)
    )  # type: ignore[return-value]


RULES: list[StageRule] = [
    FirstMakes(3),
    MakesOfShots(3, 6),
    MakesOfShots(5, 9),
    MakesOfShots(1, 1),
    MakesInARow(2),
    MakesInARow(3, 8),
    MakesInARow(4, 4),
]
TIMED = [MakesInTime(2, 30.0), MakesInTime(3, 16.0)]


@pytest.mark.parametrize("rule", [*RULES, *TIMED], ids=lambda rule: rule.sentence)
@pytest.mark.parametrize("shown", [0, 1, 3, 5, 7, 10])
def test_chances_and_tally_equal_enumeration_of_every_story(rule: StageRule, shown: int) -> None:
    p_shot, p_make = doubtful_events(f"{rule.sentence} {shown}", shown)
    if shown > 7:  # 2 ** 10 stories, in place of 3 ** 10
        p_shot = [1.0] * shown
    watched_until_s = TIME_STEP_S * shown + 3.0
    counted = counted_set(
        rule,
        p_make,
        p_shot=p_shot,
        kick_times_s=[TIME_STEP_S * k for k in range(shown)],
        watched_until_s=watched_until_s,
    )
    want = dict.fromkeys(("met", "failed", "open"), 0.0)
    makes, shots = np.zeros(shown + 1), np.zeros(shown + 1)
    for story, weight in stories(p_shot, p_make).items():
        if weight:
            want[outcome(rule, story, watched_until_s)] += weight
            makes[sum(shots_that_count(rule, story))] += weight
            shots[sum(bool(one) for one in story)] += weight
    assert set_chances(counted) == pytest.approx((*want.values(),), abs=1e-12)
    for told, truth in ((counted.number_of_makes(), makes), (counted.number_of_shots(), shots)):
        assert np.pad(told, (0, len(truth) - len(told))) == pytest.approx(truth, abs=1e-12)


@pytest.mark.parametrize(
    "rule", [MakesOfShots(12, 20), MakesInARow(4, 20), MakesInARow(6), MakesInTime(5, 90.0)],
    ids=lambda rule: rule.sentence,
)  # fmt: skip
def test_a_long_set_agrees_with_simulation(rule: StageRule) -> None:
    events, runs = 40, 20_000
    rng = np.random.default_rng(5)
    p_shot, p_make = rng.beta(1.0, 0.7, events), rng.beta(2.0, 1.0, events)
    times_s = [TIME_STEP_S * k for k in range(events)]
    until_s = TIME_STEP_S * events + 3.0
    counted = counted_set(
        rule, p_make.tolist(), p_shot=p_shot.tolist(), kick_times_s=times_s,
        watched_until_s=until_s,
    )  # fmt: skip
    signs = np.array(["", "x", "o"])
    drawn = signs[
        (rng.random((runs, events)) < p_shot) * (1 + (rng.random((runs, events)) < p_make))
    ]
    found = [outcome(rule, tuple(story), until_s) for story in drawn.tolist()]
    for p, name in zip(set_chances(counted), ("met", "failed", "open"), strict=True):
        sigma = np.sqrt(p * (1 - p) / runs)
        assert abs(found.count(name) / runs - p) <= 4 * sigma + 1e-9
    assert 0.05 < set_chances(counted).met < 0.95


@pytest.mark.parametrize("seed", range(5))
def test_number_of_makes_is_scipys_poisson_binomial(seed: int) -> None:
    # Reference library: scipy.stats.poisson_binom (scipy >= 1.15).
    p, p_shot = np.random.default_rng(seed).uniform(0, 1, (2, 20))
    counted = counted_set(FirstMakes(1), p.tolist(), p_shot=p_shot.tolist())
    for told, chances in (
        (counted.number_of_makes(), p * p_shot),
        (counted.number_of_shots(), p_shot),
    ):
        reference = stats.poisson_binom(chances).pmf(np.arange(21))
        np.testing.assert_allclose(told, reference, atol=1e-13)
    met = set_chances(counted_set(MakesOfShots(15, 20), p.tolist())).met
    assert met == pytest.approx(stats.poisson_binom(p).sf(14), abs=1e-12)


@pytest.mark.parametrize(("makes", "shots"), [(5, 10), (15, 20), (17, 20)])
@pytest.mark.parametrize("p", [0.05, 0.5, 0.85, 0.999])
def test_equal_shots_are_binomial(makes: int, shots: int, p: float) -> None:
    # Reference library: scipy.stats.binom, survival function.
    met = set_chances(counted_set(MakesOfShots(makes, shots), [p] * shots)).met
    assert met == pytest.approx(stats.binom(shots, p).sf(makes - 1), rel=1e-12)


@pytest.mark.parametrize(
    ("sixes", "dice", "published"), [(1, 6, 0.6651), (2, 12, 0.6187), (3, 18, 0.5973)]
)
def test_newton_pepys_problem(sixes: int, dice: int, published: float) -> None:
    # The Newton-Pepys problem of 1693: at least n sixes with 6n dice. Figures from memory
    # (Stigler 2006, Statistical Science 21, "Isaac Newton as a probabilist", treats it).
    met = set_chances(counted_set(MakesOfShots(sixes, dice), [1 / 6] * dice)).met
    assert met == pytest.approx(published, abs=5e-5)


# OEIS A050227: number of n-toss sequences of a fair coin with a run of r or more heads, rows
# n = 1..8; it cites Feller, An Introduction to Probability Theory and Its Applications, vol. 1.
RUNS_OF_HEADS = [
    (1,),
    (3, 1),
    (7, 3, 1),
    (15, 8, 3, 1),
    (31, 19, 8, 3, 1),
    (63, 43, 20, 8, 3, 1),
    (127, 94, 47, 20, 8, 3, 1),
    (255, 201, 107, 48, 20, 8, 3, 1),
]


@pytest.mark.parametrize("row", RUNS_OF_HEADS, ids=len)
def test_row_of_makes_with_fair_tosses(row: tuple[int, ...]) -> None:
    tosses = len(row)
    for length, sequences in enumerate(row, start=1):
        met = set_chances(counted_set(MakesInARow(length), [0.5] * tosses)).met
        assert met == sequences / 2**tosses


def test_row_of_three_in_ten_fair_tosses() -> None:
    # De Moivre's example, The Doctrine of Chances: 65/128 (from memory; 520 of 1024 sequences).
    assert set_chances(counted_set(MakesInARow(3, 10), [0.5] * 10)).met == 65 / 128


def test_small_chances_keep_their_digits() -> None:
    # 17 makes needed, every shot nearly a miss: the first term of the binomial sum rules.
    met = set_chances(counted_set(MakesOfShots(17, 20), [1e-3] * 20)).met
    assert met == pytest.approx(stats.binom(20, 1e-3).sf(16), rel=1e-9)


def touches_met(touches: int, events: list[tuple[float, bool]]) -> float:
    """Enumerate which touch and loss events are real, and count the longest unbroken row."""
    met = 0.0
    for real in product((0, 1), repeat=len(events)):
        weight, row, longest = 1.0, 0, 0
        for (p, loss), happened in zip(events, real, strict=True):
            weight *= p if happened else 1 - p
            if happened:
                row = 0 if loss else row + 1
                longest = max(longest, row)
        met += weight * (longest >= touches)
    return met


@pytest.mark.parametrize("seed", range(6))
def test_touches_with_losses_equal_enumeration(seed: int) -> None:
    draw = random.Random(seed)
    events = [(draw.random(), draw.random() < 0.25) for _ in range(10)]
    counted = counted_set(
        TouchesInARow(4), [p for p, _ in events], is_loss=[loss for _, loss in events]
    )
    got = set_chances(counted)
    assert got.met == pytest.approx(touches_met(4, events), abs=1e-12)
    assert got.still_open == 0.0


def test_false_touch_breaks_no_row_but_missed_shot_does() -> None:
    events = [1.0, 0.0, 1.0]
    assert set_chances(counted_set(TouchesInARow(2), events)).met == 1.0
    assert set_chances(counted_set(MakesInARow(2), events)).met == 0.0


def test_shots_after_the_time_do_not_count() -> None:
    rule = MakesInTime(2, 30.0)
    times = [100.0, 115.0, 130.0, 130.1]
    counted = counted_set(rule, [1.0, 0.0, 0.3, 1.0], kick_times_s=times)
    assert (len(counted.likely_shots), counted.not_counted) == (3, 1)
    assert set_chances(counted) == pytest.approx((0.3, 0.7, 0.0))


@pytest.mark.parametrize(
    ("watched_until_s", "chances"),
    [(None, (0.0, 0.0, 1.0)), (33.9, (0.0, 0.0, 1.0)), (34.0, (0.0, 1.0, 0.0))],
)
def test_timed_set_stays_open_until_its_time_was_watched(
    watched_until_s: float | None, chances: tuple[float, float, float]
) -> None:
    counted = counted_set(
        MakesInTime(2, 30.0),
        [1.0, 0.0],
        kick_times_s=[4.0, 9.0],
        watched_until_s=watched_until_s,
    )
    assert set_chances(counted) == chances


@pytest.mark.parametrize("bad", [-0.001, 1.001, float("nan"), float("inf")])
def test_what_is_no_probability_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="probability 2"):
        counted_set(FirstMakes(1), [0.5, bad])
    with pytest.raises(ValueError, match="probability 2"):
        counted_set(FirstMakes(1), [0.5, 0.5], p_shot=[0.5, bad])


def test_mismatched_inputs_are_refused() -> None:
    with pytest.raises(ValueError, match="loss flags"):
        counted_set(TouchesInARow(2), [0.5, 0.5], is_loss=[True])
    with pytest.raises(ValueError, match="only a rule about touches"):
        counted_set(FirstMakes(2), [0.5], is_loss=[True])
    with pytest.raises(ValueError, match="one kick time per shot"):
        counted_set(MakesInTime(2, 30.0), [0.5, 0.5])
    with pytest.raises(ValueError, match="in order"):
        counted_set(MakesInTime(2, 30.0), [0.5, 0.5], kick_times_s=[2.0, 1.0])
