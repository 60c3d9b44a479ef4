"""How likely a set meets its rule: exact, from the probabilities of its events.

An event is no shot, a miss or a make. Only the first shots count, so the effect of an event depends
on those before it. The set is walked event by event, over the few states that matter to its rule
(for instance two makes in three shots); histories that lead to the same state are added up. Touches
and losses of the ball are walked as makes and misses, each of which may be nothing.

Events are assumed to be independent given the clip. An error that shifts all of them together (a
misplaced marker) must already be part of each event's probability.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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
State: TypeAlias = tuple[int, int]

NO_SHOT, MISS, MAKE = range(3)  # what an event may be: the columns of a set's odds
MET, FAILED, OPEN = range(3)  # outcomes of a set: the order of `SetChances`


class SetChances(NamedTuple):
    """Probabilities of the three outcomes of a set; they sum to 1."""

    met: float
    failed: float
    still_open: float


@dataclass(frozen=True, slots=True)
class Walk:
    """The states that a set can be in before each event and after the last.

    Attributes
    ----------
    odds : array, shape (events, 3): probabilities that an event is no shot, a miss, a make.
    steps : per event, array, shape (3, states before): the state that each answer leads to.
    ends : array, shape (states after the last event,): the outcome of a set that ends in each.
    """

    odds: Floats
    steps: tuple[NDArray[np.intp], ...]
    ends: NDArray[np.intp]

    def reached(self) -> Iterator[Floats]:
        """Probability of each state before each event, and at last after all of them."""
        reached: Floats = np.ones(1)
        yield reached
        for odds, step in zip(self.odds, self.steps, strict=True):
            reached = summed(step.ravel(), np.outer(odds, reached).ravel())
            yield reached

    def without(self, rare: float) -> Walk:
        """Leave out the states that are reached with a probability of less than ``rare``."""
        reached = list(self.reached())
        kept = [np.flatnonzero(chance >= rare) for chance in reached]
        steps = []
        for step, chance, (before, after) in zip(
            self.steps, reached[1:], pairwise(kept), strict=True
        ):
            place = np.zeros(len(chance), dtype=np.intp)
            place[after] = np.arange(len(after))
            steps.append(place[step[:, before]])
        return Walk(self.odds, tuple(steps), self.ends[kept[-1]])

    def outcome(self, kinds: int = 0) -> Floats:
        """Probability of each outcome; the array has at least ``kinds`` of them."""
        *_, reached = self.reached()
        return np.clip(summed(self.ends, reached, kinds), 0.0, 1.0)


def walk(
    odds: Floats, after: Callable[[State, int, bool], State], end: Callable[[State], int]
) -> Walk:
    """Lay out the states that a set can be in; it starts in (0, 0).

    Parameters
    ----------
    odds : as `Walk` holds them.
    after : the state after a shot, from the state before it, the number of the event (from 0) and
        whether it was a make. An event that is no shot leaves every state as it is.
    end : the outcome of a set that ends in a state.
    """
    states: list[State] = [(0, 0)]
    steps = []
    for event, chances in enumerate(odds.tolist()):
        places: dict[State, int] = {}
        step = np.zeros((3, len(states)), dtype=np.intp)
        for answer in (answer for answer in range(3) if chances[answer]):
            for place, state in enumerate(states):
                then = state if answer == NO_SHOT else after(state, event, answer == MAKE)
                step[answer, place] = places.setdefault(then, len(places))
        states = list(places)
        steps.append(step)
    return Walk(odds, tuple(steps), np.array([end(state) for state in states], dtype=np.intp))


@dataclass(frozen=True, slots=True)
class CountedSet:
    """A set as its rule counts it.

    Attributes
    ----------
    odds : array, shape (events, 3): probabilities that an event is no shot, a miss, a make.
    rule : what has to be reached.
    p_shot : per event, the probability that it is a shot; 1 for touches and losses.
    is_loss : marks the events that are losses of the ball.
    kick_times_s, watched_until_s : presentation times, for a timed rule.
    """

    odds: Floats
    rule: StageRule
    p_shot: tuple[float, ...]
    is_loss: tuple[bool, ...]
    kick_times_s: tuple[float, ...]
    watched_until_s: float

    @property
    def target(self) -> int:
        """How many makes or touches are needed."""
        return self.rule.touches if isinstance(self.rule, TouchesInARow) else self.rule.makes

    @property
    def shots_asked(self) -> int | None:
        """How many shots the rule asks for; None without such a number."""
        return self.rule.shots if isinstance(self.rule, MakesOfShots | MakesInARow) else None

    @property
    def within_count(self) -> tuple[int, ...]:
        """Events (from 0) that count if they are shots, given what those before most likely are."""
        within, shown = [], 0
        for event, p in enumerate(self.p_shot):
            now = self._shown(shown, event)
            if now is not None:
                within.append(event)
                shown = now if p >= 0.5 else shown
        return tuple(within)

    @property
    def likely_shots(self) -> tuple[int, ...]:
        """Events (from 0) that count and are at least as likely shots as not."""
        return tuple(event for event in self.within_count if self.p_shot[event] >= 0.5)

    @property
    def not_counted(self) -> int:
        """Likely shots beyond what the rule counts."""
        return sum(p >= 0.5 for p in self.p_shot) - len(self.likely_shots)

    def number_of_shots(self) -> Floats:
        """P(the set shows exactly k shots) for k = 0, 1, ..., counted or not."""
        numbers: Floats = np.ones(1)
        for p in self.p_shot:
            numbers = np.convolve(numbers, [1.0 - p, p])
        return numbers

    def number_of_makes(self) -> Floats:
        """P(exactly k makes among the shots that count) for k = 0, 1, ..."""

        def after(state: State, event: int, made: bool) -> State:
            shown = self._shown(state[1], event)
            return state if shown is None else (state[0] + made, shown)

        return walk(self.odds, after, lambda state: state[0]).outcome()

    def story(self) -> Walk:
        """Walk to the three outcomes of the set: `MET`, `FAILED` and `OPEN`.

        A state is the makes so far (in a row: since the last miss) and what was shown so far.
        """
        target, asked = self.target, self.shots_asked
        in_a_row = isinstance(self.rule, MakesInARow | TouchesInARow)

        def after(state: State, event: int, made: bool) -> State:
            makes, shown = state
            if makes < 0:
                return state
            now = self._shown(shown, event)
            makes = makes + 1 if made else 0 if in_a_row else makes
            if now is None or (asked is not None and target - makes > asked - now):
                return -1, FAILED
            return (-1, MET) if makes == target else (makes, now)

        def end(state: State) -> int:
            makes, shown = state
            if makes < 0:
                return shown
            return OPEN if asked is not None or self._goes_on(shown) else FAILED

        return walk(self.odds, after, end)

    def _shown(self, shown: int, event: int) -> int | None:
        """Give what was shown after a shot at ``event``; None if that shot does not count.

        For a rule with a number of shots, these are the shots so far. For a timed rule, it is the
        event of the first shot, counted from 1. Otherwise it is 1 once there was a shot.
        """
        if self.shots_asked is not None:
            return shown + 1 if shown < self.shots_asked else None
        if not isinstance(self.rule, MakesInTime):
            return 1
        # Times are multiples of a clip's time base; a nanosecond absorbs only float rounding.
        late = shown > 0 and self.kick_times_s[event] > self._time_is_up_s(shown) + 1e-9
        return None if late else shown or event + 1

    def _goes_on(self, shown: int) -> bool:
        """Whether a set without a number of shots may go on after its last event."""
        if isinstance(self.rule, TouchesInARow):
            return not self.p_shot
        if isinstance(self.rule, FirstMakes) or not shown:
            return True  # an empty set proves nothing
        # An unfinished row does not carry over to another clip.
        timed = isinstance(self.rule, MakesInTime)
        return timed and self.watched_until_s < self._time_is_up_s(shown)

    def _time_is_up_s(self, first: int) -> float:
        assert isinstance(self.rule, MakesInTime)
        return self.kick_times_s[first - 1] + self.rule.time_s


def summed(places: NDArray[np.intp], values: Floats, size: int = 0) -> Floats:
    """Sum the values of each place; the result has at least ``size`` places."""
    return np.bincount(places, values, minlength=size).astype(np.float64)


def checked_probabilities(p: Sequence[float]) -> tuple[float, ...]:
    """Return ``p`` as floats, and refuse anything that is not a probability.

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
    p_shot: Sequence[float] | None = None,
    kick_times_s: Sequence[float] | None = None,
    watched_until_s: float | None = None,
    is_loss: Sequence[bool] | None = None,
) -> CountedSet:
    """Put a set into the form in which its rule counts it.

    Parameters
    ----------
    rule : the stage's rule.
    p_yes : per event in order of time, P(make) given that it is a shot; for touches, the
        probability that it is real: a touch, or where ``is_loss`` is true a loss of the ball.
    p_shot : per event, the probability that it is a shot at all; 1 by default.
    kick_times_s : presentation time of each kick, s; needed by a timed rule. A shot kicked at
        exactly the last moment counts (common practice, no source).
    watched_until_s : presentation time of the clip's end, s; a timed set that was not watched
        until its time was up stays open. By default, the last kick.
    is_loss : per event, for touches only.

    Raises
    ------
    ValueError
        Lengths differ, a probability is out of range, times are missing or run backwards.
    """
    yes = checked_probabilities(p_yes)
    shot = (1.0,) * len(yes) if p_shot is None else checked_probabilities(p_shot)
    loss = (False,) * len(yes) if is_loss is None else tuple(bool(flag) for flag in is_loss)
    times_s = () if kick_times_s is None else tuple(float(time_s) for time_s in kick_times_s)
    touches = isinstance(rule, TouchesInARow)
    if not len(yes) == len(shot) == len(loss):
        raise ValueError(f"{len(loss)} loss flags and {len(shot)} shots for {len(yes)} events")
    if any(loss) and not touches:
        raise ValueError("only a rule about touches has losses of the ball")
    if isinstance(rule, MakesInTime):
        if len(times_s) != len(yes):
            raise ValueError("a timed rule needs one kick time per shot")
        if any(not later >= earlier for earlier, later in pairwise(times_s)):
            raise ValueError("kick times must be in order")
    odds = np.array(
        [
            # Only a loss breaks a row; an event that is no touch does not.
            ((1.0 - p, p, 0.0) if lost else (1.0 - p, 0.0, p))
            if touches
            else (1.0 - s, s * (1.0 - p), s * p)
            for p, s, lost in zip(yes, shot, loss, strict=True)
        ]
    ).reshape(-1, 3)
    ends_s = [*times_s[-1:], *([] if watched_until_s is None else [watched_until_s])]
    return CountedSet(odds, rule, shot, loss, times_s, max(ends_s, default=0.0))


def set_chances(counted: CountedSet) -> SetChances:
    """Probabilities that the set has met its rule, has failed it, or can still go either way."""
    met, failed, still_open = counted.story().outcome(3).tolist()
    return SetChances(met, failed, still_open)


def longest_row_distribution(p_real: Sequence[float], is_loss: Sequence[bool]) -> Floats:
    """Distribution of the most touches in a row without losing the ball.

    Parameters
    ----------
    p_real, is_loss : per event in order of time: its probability, and whether it is a loss.

    Returns
    -------
    array, shape (touches + 1,)
        P(longest row is exactly k) for k = 0, 1, ...
    """
    touches = sum(not loss for loss in is_loss)
    chance = np.zeros((touches + 1, touches + 1))  # the longest row so far, the row now
    chance[0, 0] = 1.0
    k = np.arange(touches)
    for p, loss in zip(checked_probabilities(p_real), is_loss, strict=True):
        real = p * chance
        chance -= real
        if loss:
            chance[:, 0] += real.sum(axis=1)
        else:
            chance[k + 1, k + 1] += real[k, k]  # the row now is the longest, and grows
            real[k, k] = 0.0
            chance[:, 1:] += real[:, :-1]
    longest: Floats = chance.sum(axis=1)
    return longest
