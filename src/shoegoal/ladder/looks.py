"""Which shots a person should look at: the fewest that allow a verdict.

A look settles one event as no shot, a miss or a make. The probability that looking at a group of
events settles the verdict is exact: it sums the probabilities of all combinations of answers after
which one outcome is certain enough. The plan is the smallest group for which this sum reaches the
confidence. So, at 0.99, a person who has looked at these is left without a verdict at most once in
a hundred times, and then gets a new plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from shoegoal.ladder.chances import FAILED, MET, CountedSet, Floats, Walk, summed

MAX_LOOKS = 8  # beyond this, watching the whole clip is less work than jumping about in it
MAX_EXACT_LOOKS = 4  # size up to which all groups are tried
POOL_SIZE = 12  # shots that groups are made of

_CELLS_AT_ONCE = 8_000_000  # limits memory
_RARE = 1e-20  # far below what rounding does to a sum over the thousands of states of a set
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class LookPlan:
    """Which shots to look at.

    Attributes
    ----------
    shots : 1-based positions in the set, the most informative one first.
    settles_probability : probability that the verdict is settled once all of them are looked at.
    whole_set : no group of up to ``MAX_LOOKS`` is enough, so every doubtful shot is named.
    """

    shots: tuple[int, ...]
    settles_probability: float
    whole_set: bool


def plan_looks(counted: CountedSet, confidence: float) -> LookPlan:
    """Name the fewest shots to look at, best first.

    All groups of up to ``MAX_EXACT_LOOKS`` of the ``POOL_SIZE`` most informative shots are tried.
    Larger groups grow one shot at a time, from the group that settles most often and the one that
    leaves least uncertainty. Beyond that size the plan is small, but not proven smallest.

    Parameters
    ----------
    counted : the set as its rule counts it.
    confidence : least probability at which an outcome counts as settled.
    """
    story = counted.story().without(_RARE)
    answers = enumerate(zip(story.steps, story.odds, strict=True))
    doubtful = [event for event, (step, odds) in answers if np.ptp(step[odds > 0], axis=0).any()]
    if not doubtful:
        return LookPlan((), 1.0, whole_set=False)
    singles = [(item,) for item in doubtful]
    leftovers = _judge_groups(story, singles, confidence)[1]
    by_information = sorted(range(len(doubtful)), key=lambda k: (round(float(leftovers[k]), 12), k))
    ranked = [doubtful[k] for k in by_information]
    pool = sorted(ranked[:POOL_SIZE])
    grown: set[tuple[int, ...]] = set()
    for size in range(1, min(MAX_LOOKS, len(pool)) + 1):
        if size <= MAX_EXACT_LOOKS:
            groups = list(combinations(pool, size))
        else:
            wider = {tuple(sorted((*group, item))) for group in grown for item in pool}
            groups = sorted(group for group in wider if len(set(group)) == size)
        settled, leftover = _judge_groups(story, groups, confidence)
        # Rounded, so that ties are broken by order and not by float noise.
        settles, leaves = settled.round(12).tolist(), leftover.round(12).tolist()
        by_settled = min(range(len(groups)), key=lambda k: (-settles[k], leaves[k], k))
        if settled[by_settled] >= confidence - _ROUNDING:
            order = _best_first(story, groups[by_settled], confidence)
            return LookPlan(_numbers(order), min(1.0, float(settled[by_settled])), whole_set=False)
        # A group that settles nothing yet may still grow into one that does, so both go on.
        by_leftover = min(range(len(groups)), key=lambda k: (leaves[k], k))
        grown = {groups[by_settled], groups[by_leftover]}
    return LookPlan(_numbers(ranked), 1.0, whole_set=True)


def _numbers(items: Iterable[int]) -> tuple[int, ...]:
    return tuple(item + 1 for item in items)


def _best_first(story: Walk, group: tuple[int, ...], confidence: float) -> tuple[int, ...]:
    """Order a group so that each next look leaves the least uncertainty about the outcome."""
    order: tuple[int, ...] = ()
    while len(order) < len(group):
        options = [(*order, item) for item in sorted(group) if item not in order]
        leftover = _judge_groups(story, options, confidence)[1]
        order = options[min(range(len(options)), key=lambda k: (round(float(leftover[k]), 12), k))]
    return order


def _judge_groups(
    story: Walk, groups: Sequence[tuple[int, ...]], confidence: float
) -> tuple[Floats, Floats]:
    """For groups of equal size: P(settled after looking), and the expected remaining entropy.

    Returns
    -------
    settled, leftover : arrays, shape (len(groups),); the second in nats.
    """
    widest = max(step.shape[1] for step in story.steps)
    at_once = max(1, _CELLS_AT_ONCE // (2 * widest * 3 ** (len(groups[0]) - 1)))
    parts = [
        _judge_some(story, [tuple(sorted(g)) for g in groups[start : start + at_once]], confidence)
        for start in range(0, len(groups), at_once)
    ]
    settled, leftover = zip(*parts, strict=True)
    return np.concatenate(settled), np.concatenate(leftover)


def _judge_some(
    story: Walk, groups: Sequence[tuple[int, ...]], confidence: float
) -> tuple[Floats, Floats]:
    """Walk a set backwards, and split it by the answer at each event that is looked at.

    Groups with the same later looks share the walk up to there. A version of the set is the later
    looks of a group (its tail) with one answer to each of them.
    """
    tails = sorted({group[k:] for group in groups for k in range(len(group) + 1)}, key=len)
    number = {tail: place for place, tail in enumerate(tails)}
    longer = np.full((len(tails), len(story.steps)), -1)  # what a look makes of a tail
    for tail in tails[1:]:
        longer[number[tail[1:]], tail[0]] = number[tail]
    whole = np.full(len(tails) + 1, -1)  # the group that a tail is; last, what is no tail
    whole[[number[group] for group in groups]] = np.arange(len(groups))

    # From each state on, for each version: P(met) and P(failed).
    values = np.stack([story.ends == MET, story.ends == FAILED], axis=1)[:, np.newaxis] * 1.0
    tail_of, weight = np.zeros(1, dtype=np.intp), np.ones(1)
    reached = list(story.reached())
    found = []
    for event in reversed(range(min(group[0] for group in groups), len(story.steps))):
        step, odds = story.steps[event], story.odds[event]
        answers = np.flatnonzero(odds)
        looked = longer[tail_of, event]
        done = np.flatnonzero(whole[looked] >= 0)
        split = np.flatnonzero((looked >= 0) & (whole[looked] < 0))
        tails_of, weights = [tail_of], [weight]
        versions = [_stepped_back(step[answers], odds[answers], values)]
        for answer in answers if done.size else ():
            then = summed(step[answer], reached[event], len(values))
            outcome = np.tensordot(then, values, axes=1)[done]
            found.append((whole[looked[done]], odds[answer] * weight[done], outcome))
        for answer in answers if split.size else ():
            tails_of.append(looked[split])
            weights.append(odds[answer] * weight[split])
            versions.append(values[:, split][step[answer]])
        values = np.concatenate(versions, axis=1)
        tail_of, weight = np.concatenate(tails_of), np.concatenate(weights)

    group_of, chances, decided = (np.concatenate(column) for column in zip(*found, strict=True))
    outcomes = np.column_stack([decided, 1.0 - decided.sum(axis=1)]).clip(0.0, 1.0)
    logs = np.log(outcomes, out=np.zeros_like(outcomes), where=outcomes > 0.0)
    past = outcomes.max(axis=1) >= confidence - _ROUNDING
    entropy = -(outcomes * logs).sum(axis=1)
    return (
        summed(group_of, chances * past, len(groups)),
        summed(group_of, chances * entropy, len(groups)),
    )


def _stepped_back(step: NDArray[np.intp], odds: Floats, values: Floats) -> Floats:
    """Values before an event from those after it: of each answer, weighted by its odds."""
    states = step.shape[1]
    before = csr_array(
        (np.tile(odds, states), step.T.ravel(), len(odds) * np.arange(states + 1)),
        shape=(states, len(values)),
    )
    return (before @ values.reshape(len(values), -1)).reshape(states, *values.shape[1:])
