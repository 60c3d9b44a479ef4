"""Tally and verdict of a set: how many makes, and whether the pupil advances.

The verdict is advance, try again, not finished, or look at these shots first. Its probabilities
come from `shoegoal.ladder.chances`. A clip may have breaks in which shots are hidden. A hidden shot
can be a make or a miss, and there can be any number of them, so a verdict is given only if it holds
whatever was kicked there. Otherwise a person looks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from shoegoal.ladder.chances import (
    NO_SHOT,
    CountedSet,
    Floats,
    SetChances,
    counted_set,
    longest_row_distribution,
    set_chances,
)
from shoegoal.ladder.looks import LookPlan, plan_looks
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesInTime, StageRule, TouchesInARow
from shoegoal.types import Call, EventKind, Shot

DEFAULT_INTERVAL = 0.95  # of the number of makes
# Least probability for a verdict without review. At 0.99 a class of 25 pupils with four sets each
# can expect at most one wrong verdict, and that only if every set were right on the edge. A higher
# value would send sets to review whose shots are all clear: 20 shots at 0.9995 each leave 0.99 when
# every one of them matters.
DEFAULT_CONFIDENCE = 0.99
SHOTS_NAMED_FIRST = 3  # where the whole set has to be watched
DOUBTS_NAMED = 3  # breaks that a sentence names


@dataclass(frozen=True, slots=True)
class RowTally:
    """Touches in a row without losing the ball.

    Attributes
    ----------
    losses : how often the ball was lost, by the calls.
    likely_longest : the most likely length of the longest row.
    low_longest, high_longest : shortest interval around it with at least the required probability.
    exact_probability : probability that ``likely_longest`` is the true length.
    """

    losses: int
    likely_longest: int
    low_longest: int
    high_longest: int
    exact_probability: float


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted. In a set of touches, ``makes`` counts the touches.

    Attributes
    ----------
    makes, misses, unsure : events by call, of those that are more likely shots than not.
    likely_makes : the most likely number of makes among the shots that count. Unsure shots weigh in
        with their probability.
    low_makes, high_makes : shortest interval around it with at least the required probability.
    interval_probability : the probability that this interval really has.
    exact_probability : probability that ``likely_makes`` is the true number.
    all_calls_right_probability : probability that every event is what it most likely is: no shot, a
        miss or a make.
    rows : touches in a row; None for shots.
    maybe_shots : further unsure events that would count as shots, but more likely are none.
    """

    makes: int
    misses: int
    unsure: int
    likely_makes: int
    low_makes: int
    high_makes: int
    interval_probability: float
    exact_probability: float
    all_calls_right_probability: float
    rows: RowTally | None = None
    maybe_shots: int = 0

    @property
    def shots(self) -> int:
        """Number of shots shown."""
        return self.makes + self.misses + self.unsure

    @property
    def sentence(self) -> str:
        """The tally as a person would say it."""
        if self.rows is not None:
            return self._touch_sentence(self.rows)
        make_word = "make" if self.makes == 1 else "makes"
        miss_word = "miss" if self.misses == 1 else "misses"
        parts = [f"{self.makes} {make_word}, {self.misses} {miss_word}"]
        if self.unsure:
            parts.append(f"{self.unsure} unsure")
        if self.maybe_shots:
            parts.append(f"{self.maybe_shots} more may be a shot")
        if self.low_makes != self.high_makes:
            likely = f"{self.likely_makes} {'make' if self.likely_makes == 1 else 'makes'}"
            parts.append(f"most likely {likely} ({self.low_makes} to {self.high_makes})")
        return "; ".join(parts)

    def _touch_sentence(self, rows: RowTally) -> str:
        parts = [f"{self.makes} {'touch' if self.makes == 1 else 'touches'}"]
        if self.unsure:
            parts.append(f"{self.unsure} unsure")
        times = "once" if rows.losses == 1 else f"{rows.losses} times"
        parts.append(f"the ball was lost {times}" if rows.losses else "the ball was not lost")
        longest = f"longest row {rows.likely_longest}"
        if rows.low_longest != rows.high_longest:
            longest += f" ({rows.low_longest} to {rows.high_longest})"
        return "; ".join([*parts, longest])


def tally_of(
    counted: CountedSet, calls: Sequence[Call], interval: float = DEFAULT_INTERVAL
) -> Tally:
    """Count the calls, and work out what their probabilities mean for the number of makes.

    Parameters
    ----------
    counted : the set as its rule counts it.
    calls : one per event; a loss of the ball that happened has the call make.
    interval : least probability of the interval for the number of makes, above 0 and up to 1.

    Raises
    ------
    ValueError
        Lengths differ, or the interval is out of range.
    """
    if len(calls) != len(counted.odds):
        raise ValueError(f"{len(calls)} calls for {len(counted.odds)} events")
    if not 0.0 < interval <= 1.0:
        raise ValueError(f"interval is {interval}; it must lie above 0 and up to 1")
    makes = counted.number_of_makes()
    likely, low, high, held = shortest_interval(makes, interval)
    within = [event for event in counted.within_count if not counted.is_loss[event]]
    likely_shots = [calls[event] for event in within if counted.p_shot[event] >= 0.5]
    maybe = [calls[event] for event in within if 0.0 < counted.p_shot[event] < 0.5]
    return Tally(
        makes=likely_shots.count(Call.MAKE),
        misses=likely_shots.count(Call.MISS),
        unsure=likely_shots.count(Call.UNSURE),
        likely_makes=likely,
        low_makes=low,
        high_makes=high,
        interval_probability=min(1.0, held),
        exact_probability=float(makes[likely]),
        all_calls_right_probability=float(np.prod(counted.odds[within].max(axis=1))),
        rows=_rows_of(counted, calls, interval),
        maybe_shots=maybe.count(Call.UNSURE),
    )


def _rows_of(counted: CountedSet, calls: Sequence[Call], interval: float) -> RowTally | None:
    if not isinstance(counted.rule, TouchesInARow):
        return None
    lost = [call is Call.MAKE for call, loss in zip(calls, counted.is_loss, strict=True) if loss]
    real = counted.odds[:, NO_SHOT + 1 :].sum(axis=1).tolist()
    longest = longest_row_distribution(real, counted.is_loss)
    likely, low, high, _ = shortest_interval(longest, interval)
    return RowTally(sum(lost), likely, low, high, float(longest[likely]))


def shortest_interval(distribution: Floats, interval: float) -> tuple[int, int, int, float]:
    """Find the most likely number, the ends of the interval around it, and its probability.

    The distribution may have more than one peak, where one doubtful event shifts which shots count.
    """
    likely = int(np.argmax(distribution))
    below = np.concatenate([[0.0], np.cumsum(distribution)])
    low = np.arange(likely + 1)
    beyond = np.maximum(np.searchsorted(below, below[low] + interval - 1e-12), likely + 1)
    width = beyond - low  # one too wide for any number where the interval is not reached
    held = below[np.minimum(beyond, len(distribution))] - below[low]
    width[beyond > len(distribution)] = len(below)
    best = int(np.lexsort((-held, width))[0])
    return likely, best, int(beyond[best]) - 1, float(held[best])


class Decision(StrEnum):
    """What happens next."""

    ADVANCE = "advance"
    TRY_AGAIN = "try again"
    NOT_FINISHED = "not finished"
    LOOK = "look"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A decision and its grounds.

    Attributes
    ----------
    decision : at least as probable as ``confidence``, or ``LOOK``.
    confidence : the least probability for a verdict without review.
    chances : probabilities that the rule is met, failed, or still open.
    shots_counted : shots (or touch events) that the rule counts, of those that are at least as
        likely shots as not.
    shots_not_counted : shots after these. If one of them is a retake, the teacher corrects it.
    shots_missing : shots that the rule asks for and the set does not show; None if it asks for no
        number of shots.
    looks : for ``LOOK`` the events to look at; None otherwise.
    sentence : the verdict as a person would say it.
    """

    decision: Decision
    confidence: float
    chances: SetChances
    shots_counted: int
    shots_not_counted: int
    shots_missing: int | None
    looks: LookPlan | None
    sentence: str


def decide(chances: SetChances, confidence: float) -> Decision:
    """Give the outcome that is at least as probable as ``confidence``; without one, look."""
    sure = (Decision.ADVANCE, Decision.TRY_AGAIN, Decision.NOT_FINISHED)
    # The same rounding slack as in the look plan, so that a finished plan always settles.
    certain = (one for one, p in zip(sure, chances, strict=True) if p >= confidence - 1e-12)
    return next(certain, Decision.LOOK)


def judge_set(counted: CountedSet, confidence: float = DEFAULT_CONFIDENCE) -> Verdict:
    """Judge one set.

    Parameters
    ----------
    counted : the set as its rule counts it. An unsure event keeps its probabilities; one that a
        person has answered has probability 0 or 1.
    confidence : least probability for a verdict without review; above 0.5 and up to 1.

    Raises
    ------
    ValueError
        The confidence is out of range.
    """
    if not 0.5 < confidence <= 1.0:
        raise ValueError(f"confidence is {confidence}; it must lie above 0.5 and up to 1")
    chances = set_chances(counted)
    decision = decide(chances, confidence)
    looks = plan_looks(counted, confidence) if decision is Decision.LOOK else None
    shots, asked = len(counted.likely_shots), counted.shots_asked
    return Verdict(
        decision=decision,
        confidence=confidence,
        chances=chances,
        shots_counted=shots,
        shots_not_counted=counted.not_counted,
        shots_missing=None if asked is None else asked - shots,
        looks=looks,
        sentence=_sentence(decision, counted, looks),
    )


def counted_shots(
    rule: StageRule, shots: Sequence[Shot], watched_until_s: float | None = None
) -> CountedSet:
    """Put the shots of one clip into the form in which a rule counts them.

    Parameters
    ----------
    rule : the stage's rule.
    shots : in order of time; of a rule about touches, touches and losses.
    watched_until_s : presentation time of the clip's end, s.
    """
    return counted_set(
        rule,
        [shot.p_make for shot in shots],
        p_shot=[shot.p_shot for shot in shots],
        kick_times_s=[shot.kick_time_s for shot in shots],
        watched_until_s=watched_until_s,
        is_loss=[shot.kind is EventKind.LOSS for shot in shots],
    )


def judge_shots(
    rule: StageRule,
    shots: Sequence[Shot],
    *,
    watched_until_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> tuple[Tally, Verdict]:
    """Tally and verdict for the shots of one clip; the tally covers only the shots that count.

    Parameters are as for `counted_shots` and `judge_set`.
    """
    counted = counted_shots(rule, shots, watched_until_s)
    return tally_of(counted, [shot.call for shot in shots]), judge_set(counted, confidence)


def decision_of(
    rule: StageRule, shots: Sequence[Shot], watched_until_s: float | None, confidence: float
) -> Decision:
    """Decide about the shots of one clip, without looks; parameters are as for `judge_shots`."""
    return decide(set_chances(counted_shots(rule, shots, watched_until_s)), confidence)


def _sentence(decision: Decision, counted: CountedSet, looks: LookPlan | None) -> str:
    """Say the decision, then which shots are missing or too many."""
    rule = counted.rule
    parts = [f"{decision.value}: {rule.sentence}"]
    if looks is not None:
        named = looks.shots[:SHOTS_NAMED_FIRST] if looks.whole_set else looks.shots
        numbers = ", ".join(str(number) for number in named)
        parts.append(
            "the result is too close to the limit, please watch the whole clip, "
            f"starting with {numbers}"
            if looks.whole_set
            else f"please look at {numbers}{', in this order' if len(named) > 1 else ''}"
        )
    parts += _shots_shown(counted)
    if decision is Decision.NOT_FINISHED:
        if isinstance(rule, FirstMakes):
            parts.append("go on until the makes are reached")
        elif isinstance(rule, MakesInTime):
            parts.append("the clip ends before the time is up")
        elif not counted.likely_shots:
            parts.append("nothing to count was seen")
    return "; ".join(parts)


def _shots_shown(counted: CountedSet) -> Iterator[str]:
    """Say how many shots are missing or too many: the fewest and the most there may be."""
    few = many = counted.not_counted
    asked, limit = counted.shots_asked, "the time"
    if asked is not None:
        likely = few + len(counted.likely_shots)
        _, low, high, _ = shortest_interval(counted.number_of_shots(), DEFAULT_INTERVAL)
        low, high = min(low, likely), max(high, likely)
        few, many, limit = low - asked, high - asked, f"the first {asked}"
        if low < asked:
            seen = "shot was" if high == 1 else "shots were"
            yield f"{_span(low, high)} {seen} seen, {_span(-many, -few)} still missing"
    if many > 0:
        yield (
            f"{_span(few, many)} more after {limit}, not counted; "
            "if one of them is a retake, correct the shots"
        )


def _span(low: int, high: int) -> str:
    """Write a range of numbers; a negative one means none."""
    if low == high:
        return str(high)
    return f"{low} to {high}" if low > 0 else f"up to {high}"


@dataclass(frozen=True, slots=True)
class HiddenTime:
    """A time in which a shot may be hidden, or after which the clock may be wrong.

    Attributes
    ----------
    time_s, until_s : presentation times between which a person has to look.
    doubt : what may be wrong there, as a person would say it.
    """

    time_s: float
    until_s: float
    doubt: str


def judge_shots_around(
    rule: StageRule,
    shots: Sequence[Shot],
    hidden: Sequence[HiddenTime],
    *,
    watched_until_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> tuple[Tally, Verdict]:
    """Tally and verdict for the shots of a clip with breaks in it.

    Parameters
    ----------
    rule, shots, watched_until_s, confidence : as for `judge_shots`.
    hidden : in order of time; empty for a clip without a break.
    """
    tally, verdict = judge_shots(
        rule, shots, watched_until_s=watched_until_s, confidence=confidence
    )
    if not hidden or _holds(rule, shots, hidden, verdict):
        return tally, verdict
    doubts = ", ".join(one.doubt for one in hidden[:DOUBTS_NAMED])
    if verdict.decision is Decision.LOOK:
        sentence = f"{verdict.sentence}; {doubts}"
    else:
        sentence = (
            f"{Decision.LOOK.value}: {doubts}, please look there first; "
            f"going by the shots shown: {verdict.sentence}"
        )
    # Looking at the shots that are shown cannot settle what is hidden.
    looks = verdict.looks or LookPlan((), 0.0, whole_set=False)
    return tally, replace(verdict, decision=Decision.LOOK, looks=looks, sentence=sentence)


def _holds(
    rule: StageRule, shots: Sequence[Shot], hidden: Sequence[HiddenTime], verdict: Verdict
) -> bool:
    """Whether a verdict holds, whatever was kicked in the hidden times."""
    confidence, decision = verdict.confidence, verdict.decision
    if isinstance(rule, FirstMakes):
        return decision is Decision.ADVANCE  # no hidden shot takes a make away
    ends_s = [*(one.time_s for one in hidden), float("inf")]
    if isinstance(rule, TouchesInARow) or (isinstance(rule, MakesInARow) and rule.shots is None):
        # A row between two breaks counts. A set without one may have it hidden in a break.
        start_s = float("-inf")
        for end_s in ends_s:
            part = [shot for shot in shots if start_s <= shot.kick_time_s < end_s]
            if decision_of(rule, part, end_s, confidence) is Decision.ADVANCE:
                return True
            start_s = end_s
        return False
    first_s = ends_s[0]
    shown = [shot for shot in shots if shot.kick_time_s < first_s]
    before = decision_of(rule, shown, first_s, confidence)
    return before is decision and before in (Decision.ADVANCE, Decision.TRY_AGAIN)
