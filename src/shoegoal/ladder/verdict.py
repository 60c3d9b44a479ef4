"""The verdict on a set: advance, try again, not finished, or look at these shots first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from shoegoal.ladder.chances import CountedSet, SetChances, counted_set, set_chances
from shoegoal.ladder.looks import LookPlan, plan_looks
from shoegoal.ladder.rules import FirstMakes, MakesInTime, StageRule
from shoegoal.ladder.tally import DEFAULT_INTERVAL, Tally, shortest_interval, tally_of
from shoegoal.types import EventKind, Shot

# At 0.99 a class of 25 pupils with four sets each can expect at most one wrong verdict, and that
# only if every set sat right on the edge; it is also the share of exact tallies the project aims
# at. Higher asks a person to look at sets whose shots are all clear: 20 shots at 0.9995 each
# leave 0.99 when every one of them matters.
DEFAULT_CONFIDENCE = 0.99
SHOTS_NAMED_FIRST = 3


class Decision(StrEnum):
    """What happens next."""

    ADVANCE = "advance"
    TRY_AGAIN = "try again"
    NOT_FINISHED = "not finished"
    LOOK = "look"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A decision and what it rests on.

    Attributes
    ----------
    decision : past ``confidence``, or ``LOOK``.
    confidence : the probability that was asked for.
    chances : probabilities that the rule is met, failed, or still open.
    shots_counted : shots (or touch events) that the rule counts, if each event is a shot where
        that is at least as likely.
    shots_not_counted : shown beyond that; a retake among them is for the teacher to correct.
    shots_missing : shots the rule asks for that the set does not show; None without a number.
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
    """Tell what is at least as probable as ``confidence``; where nothing is, look."""
    sure = (Decision.ADVANCE, Decision.TRY_AGAIN, Decision.NOT_FINISHED)
    # The same rounding slack as in the look plan, so that a finished plan always settles.
    told = (one for one, p in zip(sure, chances, strict=True) if p >= confidence - 1e-12)
    return next(told, Decision.LOOK)


def judge_set(counted: CountedSet, confidence: float = DEFAULT_CONFIDENCE) -> Verdict:
    """Judge one set.

    Parameters
    ----------
    counted : the set as its rule counts it. An unsure event keeps its probabilities; one that a
        person has answered has 0 or 1.
    confidence : an outcome must be at least this probable to be told; above 0.5, below 1 or 1.

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


def _sentence(decision: Decision, counted: CountedSet, looks: LookPlan | None) -> str:
    """Decision, then what the set lacks or has too much of."""
    rule = counted.rule
    parts = [f"{decision.value}: {rule.sentence}"]
    if looks is not None:
        named = looks.shots[:SHOTS_NAMED_FIRST] if looks.whole_set else looks.shots
        numbers = ", ".join(str(number) for number in named)
        parts.append(
            f"too many shots are in doubt, please watch the whole clip, first of all {numbers}"
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
    """Say how many shots are missing or too many, from the fewest to the most there may be."""
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
            f"{_span(few, many)} more shown after {limit} not counted; "
            "if one was a retake, correct the shots"
        )


def _span(low: int, high: int) -> str:
    """Write a range of numbers, where one below 0 stands for none."""
    if low == high:
        return str(high)
    return f"{low} to {high}" if low > 0 else f"up to {high}"
