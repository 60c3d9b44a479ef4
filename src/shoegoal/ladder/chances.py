"""Exact probabilities that a set meets its rule, from one probability per shot or touch.

Shots are taken as independent given the clip. Where one fault shifts all of them together (a
misplaced marker), the floor that makes the probabilities has to have widened each of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from shoegoal.ladder.rules import (
    FirstMakes,
    MakesInARow,
    MakesInTime,
    MakesOfShots,
    StageRule,
    TouchesInARow,
)

Floats: TypeAlias = NDArray[np.float64]


class SetChances(NamedTuple):
    """Probabilities of the three ways a set can stand; they sum to 1."""

    met: float
    failed: float
    still_open: float


@dataclass(frozen=True, slots=True)
class CountedSet:
    """The part of a set that its rule counts, in the form the arithmetic needs.

    Attributes
    ----------
    p : probability of "yes" for each counted item: a make, a touch, or a loss of the ball.
    is_loss : marks the items that are losses of the ball.
    target : how many makes or touches are needed.
    in_a_row : a miss starts the count afresh (a loss always does).
    left : how many more items could still be shown and counted.
    not_counted : items shown beyond what the rule counts.
    missing : shots that the rule asks for and the set does not show; None without such a number.
    """

    p: tuple[float, ...]
    is_loss: tuple[bool, ...]
    target: int
    in_a_row: bool
    left: int
    not_counted: int
    missing: int | None


def checked_probabilities(p: Sequence[float]) -> tuple[float, ...]:
    """Return ``p`` as floats, refusing anything that is no probability.

    Raises
    ------
    ValueError
        A value is below 0, above 1 or not a number.
    """
    values = tuple(float(value) for value in p)
    for position, value in enumerate(values, start=1):
        if not 0.0 <= value <= 1.0:
            raise ValueError(f"probability {position} is {value}; it must lie from 0 to 1")
    return values


def counted_set(
    rule: StageRule,
    p_yes: Sequence[float],
    *,
    kick_times_s: Sequence[float] | None = None,
    watched_until_s: float | None = None,
    is_loss: Sequence[bool] | None = None,
) -> CountedSet:
    """Take from a set the items that its rule counts.

    Parameters
    ----------
    rule : the stage's rule.
    p_yes : P(make) per shot in order of time; for touches, the probability that each event is
        real: a touch, or where ``is_loss`` is true a loss of the ball.
    kick_times_s : presentation time of each kick, s; needed by a timed rule. A shot kicked at
        exactly the last moment counts (common practice, no source).
    watched_until_s : presentation time of the clip's end, s; a timed set that was not watched
        until its time was up stays open. Without it, the last kick is taken as the end.
    is_loss : per event, for touches only.

    Raises
    ------
    ValueError
        Lengths differ, a probability is out of range, times are missing or run backwards.
    """
    p = checked_probabilities(p_yes)
    loss = tuple(bool(flag) for flag in is_loss) if is_loss is not None else (False,) * len(p)
    if len(loss) != len(p):
        raise ValueError(f"{len(loss)} loss flags for {len(p)} events")
    if any(loss) and not isinstance(rule, TouchesInARow):
        raise ValueError("only a rule about touches knows losses of the ball")
    limit = len(p)
    missing: int | None = None
    match rule:
        case FirstMakes(makes=target):
            in_a_row, left = False, target
        case MakesOfShots(makes=target, shots=shots):
            limit = min(limit, shots)
            in_a_row, left = False, shots - limit
            missing = left
        case MakesInARow(makes=target, shots=None):
            # Nothing of an unfinished row carries over to another clip, so none is left open.
            in_a_row, left = True, 0
        case MakesInARow(makes=target, shots=int(shots)):
            limit = min(limit, shots)
            in_a_row, left = True, shots - limit
            missing = left
        case TouchesInARow(touches=target):
            # Not in_a_row: an event that is no touch breaks nothing; only a loss does.
            in_a_row, left = False, 0
        case MakesInTime(makes=target, time_s=time_s):
            limit, time_is_up = _kicked_in_time(len(p), time_s, kick_times_s, watched_until_s)
            in_a_row, left = False, 0 if time_is_up else target
    if not p:
        left = max(left, target)  # an empty set proves nothing
    return CountedSet(
        p=p[:limit],
        is_loss=loss[:limit],
        target=target,
        in_a_row=in_a_row,
        left=left,
        not_counted=len(p) - limit,
        missing=missing,
    )


def _kicked_in_time(
    shots: int,
    time_s: float,
    kick_times_s: Sequence[float] | None,
    watched_until_s: float | None,
) -> tuple[int, bool]:
    """How many shots were kicked in time, and whether the clip shows the time running out."""
    if kick_times_s is None or len(kick_times_s) != shots:
        raise ValueError("a timed rule needs one kick time per shot")
    times = [float(value) for value in kick_times_s]
    if any(not later >= earlier for earlier, later in pairwise(times)):
        raise ValueError("kick times must be in order")
    if not times:
        return 0, False
    end_s = times[0] + time_s
    # Times are multiples of a clip's time base; a nanosecond absorbs the float sum only.
    in_time = sum(value <= end_s + 1e-9 for value in times)
    watched_s = times[-1] if watched_until_s is None else max(watched_until_s, times[-1])
    return in_time, watched_s >= end_s


def makes_distribution(p_make: Sequence[float]) -> Floats:
    """Poisson-binomial distribution of the number of makes.

    Parameters
    ----------
    p_make : P(make) per shot.

    Returns
    -------
    array, shape (len(p_make) + 1,)
        P(exactly k makes) for k = 0, 1, ...; by convolving one shot after the other, which adds
        only non-negative terms and so loses no digits.
    """
    distribution = np.ones(1)
    for p in checked_probabilities(p_make):
        longer = np.zeros(distribution.size + 1)
        longer[:-1] = distribution * (1.0 - p)
        longer[1:] += distribution * p
        distribution = longer
    return distribution


def longest_row_distribution(p_real: Sequence[float], is_loss: Sequence[bool]) -> Floats:
    """Distribution of the most touches in a row without losing the ball.

    Parameters
    ----------
    p_real, is_loss : per event in order of time: its probability, and whether it is a loss.

    Returns
    -------
    array, shape (touches + 1,)
        P(longest row is exactly k) for k = 0, 1, ...: what reaches k less what reaches k + 1.
    """
    touches = sum(not loss for loss in is_loss)
    reached = [1.0]
    for target in range(1, touches + 1):
        counted = counted_set(TouchesInARow(target), p_real, is_loss=is_loss)
        reached.append(set_chances(counted).met)
    steps: Floats = np.array(reached) - np.array([*reached[1:], 0.0])
    return np.clip(steps, 0.0, 1.0)


def outcome_table(counted: CountedSet, p: Floats) -> Floats:
    """Probabilities of met, failed and still open, for many versions of a set at once.

    A Markov chain over the count reached so far (the row, where misses or losses break it); the
    last state, the target, is never left again.

    Parameters
    ----------
    counted : the set; its own ``p`` is not used here.
    p : array, shape (versions, len(counted.p)).

    Returns
    -------
    array, shape (versions, 3)
        Columns met, failed, still open.
    """
    versions = p.shape[0]
    states = np.zeros((versions, counted.target + 1))
    states[:, 0] = 1.0
    for item, loss in enumerate(counted.is_loss):
        yes = p[:, item, np.newaxis]
        live = states[:, :-1]
        after = np.zeros_like(states)
        after[:, -1] = states[:, -1]
        if loss:
            after[:, :-1] = live * (1.0 - yes)
            after[:, 0] += live.sum(axis=1) * yes[:, 0]
        else:
            after[:, 1:] += live * yes
            if counted.in_a_row:
                after[:, 0] += live.sum(axis=1) * (1.0 - yes[:, 0])
            else:
                after[:, :-1] += live * (1.0 - yes)
        states = after
    # A count is still open when the items left could lift it to the target.
    reachable = max(0, counted.target - counted.left)
    met = states[:, -1]
    failed = states[:, :-1][:, :reachable].sum(axis=1)
    still_open = states[:, :-1][:, reachable:].sum(axis=1)
    return np.stack([met, failed, still_open], axis=1)


def set_chances(counted: CountedSet) -> SetChances:
    """Probabilities that the set has met its rule, has failed it, or can still go either way."""
    p = np.asarray(counted.p, dtype=np.float64).reshape(1, -1)
    met, failed, still_open = np.clip(outcome_table(counted, p)[0], 0.0, 1.0)
    return SetChances(float(met), float(failed), float(still_open))
