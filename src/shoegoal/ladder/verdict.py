"""The verdict on a set: advance, try again, not finished, or look at these shots first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from shoegoal.ladder.chances import CountedSet, SetChances, counted_set, set_chances
from shoegoal.ladder.looks import LookPlan, plan_looks
from shoegoal.ladder.rules import FirstMakes, MakesInTime, StageRule, TouchesInARow
from shoegoal.ladder.tally import Tally, tally_of, touch_tally_of
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
    shots_counted : shots (or touch events) that the rule counts.
    shots_not_counted : shown beyond that; a retake among them is for the teacher to correct.
    shots_missing : shots the rule asks for that the set does not show; None without a number.
    looks : for ``LOOK`` the shots to look at; None otherwise.
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


def judge_set(
    rule: StageRule,
    p_yes: Sequence[float],
    *,
    kick_times_s: Sequence[float] | None = None,
    watched_until_s: float | None = None,
    is_loss: Sequence[bool] | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> Verdict:
    """Judge one set.

    Parameters
    ----------
    rule : the stage's rule.
    p_yes : P(make) per shot in order of time, 0 or 1 where a person has answered; for touches the
        probability that each event is real. An unsure shot keeps its probability.
    kick_times_s, watched_until_s, is_loss : see `shoegoal.ladder.chances.counted_set`.
    confidence : an outcome must be at least this probable to be told; above 0.5, below 1 or 1.

    Raises
    ------
    ValueError
        A probability or the confidence is out of range, or lengths differ.
    """
    if not 0.5 < confidence <= 1.0:
        raise ValueError(f"confidence is {confidence}; it must lie above 0.5 and up to 1")
    counted = counted_set(
        rule,
        p_yes,
        kick_times_s=kick_times_s,
        watched_until_s=watched_until_s,
        is_loss=is_loss,
    )
    chances = set_chances(counted)
    looks: LookPlan | None = None
    # The same rounding slack as in the look plan, so that a finished plan always settles.
    enough = confidence - 1e-12
    if chances.met >= enough:
        decision = Decision.ADVANCE
    elif chances.failed >= enough:
        decision = Decision.TRY_AGAIN
    elif chances.still_open >= enough:
        decision = Decision.NOT_FINISHED
    else:
        decision = Decision.LOOK
        looks = plan_looks(counted, confidence)
    return Verdict(
        decision=decision,
        confidence=confidence,
        chances=chances,
        shots_counted=len(counted.p),
        shots_not_counted=counted.not_counted,
        shots_missing=counted.missing,
        looks=looks,
        sentence=_sentence(rule, decision, counted, looks),
    )


def judge_shots(
    rule: StageRule,
    shots: Sequence[Shot],
    *,
    watched_until_s: float | None = None,
    confidence: float = DEFAULT_CONFIDENCE,
) -> tuple[Tally, Verdict]:
    """Tally and verdict for the shots of one clip; the tally covers only the shots that count.

    Parameters
    ----------
    rule : the stage's rule.
    shots : in order of time; of a rule about touches, touches and losses.
    watched_until_s : presentation time of the clip's end, s.
    confidence : as for `judge_set`.
    """
    lost = [shot.kind is EventKind.LOSS for shot in shots]
    verdict = judge_set(
        rule,
        [shot.p_make for shot in shots],
        kick_times_s=[shot.kick_time_s for shot in shots],
        watched_until_s=watched_until_s,
        is_loss=lost,
        confidence=confidence,
    )
    counted = shots[: verdict.shots_counted]
    calls, p_make = [shot.call for shot in counted], [shot.p_make for shot in counted]
    if isinstance(rule, TouchesInARow):
        return touch_tally_of(calls, p_make, lost), verdict
    tally = tally_of(calls, p_make)
    return tally, verdict


def _sentence(
    rule: StageRule, decision: Decision, counted: CountedSet, looks: LookPlan | None
) -> str:
    """Decision, then what the set lacks or has too much of."""
    parts = [f"{decision.value}: {rule.sentence}"]
    if looks is not None:
        named = looks.shots[:SHOTS_NAMED_FIRST] if looks.whole_set else looks.shots
        numbers = ", ".join(str(number) for number in named)
        parts.append(
            f"too many shots are in doubt, please watch the whole clip, first of all {numbers}"
            if looks.whole_set
            else f"please look at {numbers}{', in this order' if len(named) > 1 else ''}"
        )
    if counted.missing:
        seen = "shot was" if len(counted.p) == 1 else "shots were"
        parts.append(f"{len(counted.p)} {seen} seen, {counted.missing} still missing")
    if counted.not_counted:
        limit = "the time" if isinstance(rule, MakesInTime) else f"the first {len(counted.p)}"
        parts.append(
            f"{counted.not_counted} more shown after {limit} not counted; "
            "if one was a retake, correct the shots"
        )
    if decision is Decision.NOT_FINISHED:
        if isinstance(rule, FirstMakes):
            parts.append("go on until the makes are reached")
        elif isinstance(rule, MakesInTime):
            parts.append("the clip ends before the time is up")
        elif not counted.p:
            parts.append("nothing to count was seen")
    return "; ".join(parts)
