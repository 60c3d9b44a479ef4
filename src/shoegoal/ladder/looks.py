"""The fewest shots that a person should look at so that a verdict can be given.

A look turns one shot's probability into 0 or 1. Looking at a group of shots settles the verdict
with a probability that is exact: the sum over every combination of answers, each weighted by its
own probability, of those after which one outcome is past the confidence. The plan is the smallest
group for which that sum itself reaches the confidence. So a person who looks at exactly these is
left without a verdict at most once in a hundred times (at 0.99), and then simply gets a new plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from shoegoal.ladder.chances import CountedSet, Floats, outcome_table

MAX_LOOKS = 8  # beyond this, watching the whole clip is less work than jumping about in it
MAX_EXACT_LOOKS = 4
POOL_SIZE = 12
_CELLS_AT_ONCE = 2_000_000
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class LookPlan:
    """Which shots to look at.

    Attributes
    ----------
    shots : 1-based positions in the set, the most telling one first.
    settles_probability : probability that the verdict is settled once all of them are looked at.
    whole_set : no group of up to ``MAX_LOOKS`` is enough; every doubtful shot is named.
    """

    shots: tuple[int, ...]
    settles_probability: float
    whole_set: bool


def plan_looks(counted: CountedSet, confidence: float) -> LookPlan:
    """Name the fewest shots to look at, best first.

    All groups of up to ``MAX_EXACT_LOOKS`` of the ``POOL_SIZE`` most telling shots are tried;
    larger groups grow one shot at a time from the one that settles most often and the one that
    leaves least uncertainty, so beyond that size the group is small, not proven smallest.

    Parameters
    ----------
    counted : the set as its rule counts it.
    confidence : probability past which an outcome counts as settled.
    """
    doubtful = [item for item, p in enumerate(counted.p) if 0.0 < p < 1.0]
    if not doubtful:
        return LookPlan((), 1.0, whole_set=False)
    singles = [(item,) for item in doubtful]
    leftovers = _judge_groups(counted, singles, confidence)[1]
    by_telling = sorted(range(len(doubtful)), key=lambda k: (round(float(leftovers[k]), 12), k))
    ranked = [doubtful[k] for k in by_telling]
    pool = sorted(ranked[:POOL_SIZE])
    grown: set[tuple[int, ...]] = set()
    for size in range(1, min(MAX_LOOKS, len(pool)) + 1):
        if size <= MAX_EXACT_LOOKS:
            groups = list(combinations(pool, size))
        else:
            wider = {tuple(sorted((*group, item))) for group in grown for item in pool}
            groups = sorted(group for group in wider if len(set(group)) == size)
        settled, leftover = _judge_groups(counted, groups, confidence)
        # Rounded, so that equal groups are told apart by their order and not by float dust.
        settles, leaves = settled.round(12).tolist(), leftover.round(12).tolist()
        by_settled = min(range(len(groups)), key=lambda k: (-settles[k], leaves[k], k))
        if settled[by_settled] >= confidence - _ROUNDING:
            order = _best_first(counted, groups[by_settled], confidence)
            return LookPlan(_numbers(order), min(1.0, float(settled[by_settled])), whole_set=False)
        # A group may settle nothing yet and still be the way to one that does, so both grow.
        by_leftover = min(range(len(groups)), key=lambda k: (leaves[k], k))
        grown = {groups[by_settled], groups[by_leftover]}
    return LookPlan(_numbers(ranked), 1.0, whole_set=True)


def settles_probability(counted: CountedSet, shots: Iterable[int], confidence: float) -> float:
    """Probability that the verdict is settled once these shots (1-based) are looked at."""
    group = tuple(number - 1 for number in shots)
    return min(1.0, float(_judge_groups(counted, [group], confidence)[0][0]))


def _numbers(items: Iterable[int]) -> tuple[int, ...]:
    return tuple(item + 1 for item in items)


def _best_first(counted: CountedSet, group: tuple[int, ...], confidence: float) -> tuple[int, ...]:
    """Order a group so that each next look leaves the least uncertainty about the outcome."""
    order: tuple[int, ...] = ()
    while len(order) < len(group):
        options = [(*order, item) for item in sorted(group) if item not in order]
        leftover = _judge_groups(counted, options, confidence)[1]
        order = options[min(range(len(options)), key=lambda k: (round(float(leftover[k]), 12), k))]
    return order


def _judge_groups(
    counted: CountedSet, groups: Sequence[tuple[int, ...]], confidence: float
) -> tuple[Floats, Floats]:
    """For groups of equal size: P(settled after looking), and the entropy expected to be left.

    Returns
    -------
    settled, leftover : arrays, shape (len(groups),); the second in nats.
    """
    size = len(groups[0])
    answers = (np.arange(2**size)[:, np.newaxis] >> np.arange(size)) & 1  # (2**size, size)
    p = np.asarray(counted.p, dtype=np.float64)
    per_group = 2**size * (p.size + counted.target + 1)
    at_once = max(1, _CELLS_AT_ONCE // per_group)
    settled = np.empty(len(groups))
    leftover = np.empty(len(groups))
    for start in range(0, len(groups), at_once):
        part = np.asarray(groups[start : start + at_once], dtype=np.intp).reshape(-1, size)
        looked = p[part]  # (part, size)
        weights = np.where(answers == 1, looked[:, np.newaxis], 1.0 - looked[:, np.newaxis])
        weight = weights.prod(axis=2)  # (part, 2**size)
        versions = np.tile(p, (part.shape[0], 2**size, 1))
        rows = np.arange(part.shape[0])[:, np.newaxis, np.newaxis]
        cases = np.arange(2**size)[np.newaxis, :, np.newaxis]
        versions[rows, cases, part[:, np.newaxis, :]] = answers[np.newaxis]
        outcomes = np.clip(outcome_table(counted, versions.reshape(-1, p.size)), 0.0, 1.0)
        outcomes = outcomes.reshape(part.shape[0], 2**size, 3)
        logs = np.log(outcomes, out=np.zeros_like(outcomes), where=outcomes > 0.0)
        entropy = -(outcomes * logs).sum(axis=2)
        past = outcomes.max(axis=2) >= confidence - _ROUNDING
        stop = start + part.shape[0]
        settled[start:stop] = (weight * past).sum(axis=1)
        leftover[start:stop] = (weight * entropy).sum(axis=1)
    return settled, leftover
