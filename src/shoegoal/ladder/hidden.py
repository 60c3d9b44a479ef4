"""The verdict on a set of which part may not be shown: a shot may be hidden in a break.

A hidden shot can be a make or a miss, and there can be any number of them. So only what holds
whatever was kicked there is told; otherwise a person looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shoegoal.ladder.chances import set_chances
from shoegoal.ladder.looks import LookPlan
from shoegoal.ladder.rules import FirstMakes, MakesInARow, StageRule, TouchesInARow
from shoegoal.ladder.tally import Tally
from shoegoal.ladder.verdict import (
    DEFAULT_CONFIDENCE,
    Decision,
    Verdict,
    counted_shots,
    decide,
    judge_shots,
)
from shoegoal.types import Shot

DOUBTS_NAMED = 3


@dataclass(frozen=True, slots=True)
class HiddenTime:
    """A time at which a shot may be hidden, or from which on the clock may run wrong.

    Attributes
    ----------
    time_s, until_s : presentation times between which a person has to look.
    doubt : what may be wrong there, said to a person.
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
    rule, shots, watched_until_s, confidence : as for `shoegoal.ladder.verdict.judge_shots`.
    hidden : in order of time; none for a clip that runs on.
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
            f"{Decision.LOOK.value}: {doubts}, please look there first; by the shots shown it is "
            f"{verdict.sentence}"
        )
    # No shot that is shown settles what is not shown.
    looks = verdict.looks or LookPlan((), 0.0, whole_set=False)
    return tally, replace(verdict, decision=Decision.LOOK, looks=looks, sentence=sentence)


def _holds(
    rule: StageRule, shots: Sequence[Shot], hidden: Sequence[HiddenTime], verdict: Verdict
) -> bool:
    """Whether a verdict holds whatever was kicked in the hidden times."""
    confidence, decision = verdict.confidence, verdict.decision
    if isinstance(rule, FirstMakes):
        return decision is Decision.ADVANCE  # no hidden shot takes a make away
    ends_s = [*(one.time_s for one in hidden), float("inf")]
    if isinstance(rule, TouchesInARow) or (isinstance(rule, MakesInARow) and rule.shots is None):
        # A row within one stretch without a break stands; a failure may have its row hidden.
        start_s = float("-inf")
        for end_s in ends_s:
            part = [shot for shot in shots if start_s <= shot.kick_time_s < end_s]
            if _decision(rule, part, end_s, confidence) is Decision.ADVANCE:
                return True
            start_s = end_s
        return False
    first_s = ends_s[0]
    shown = [shot for shot in shots if shot.kick_time_s < first_s]
    before = _decision(rule, shown, first_s, confidence)
    return before is decision and before in (Decision.ADVANCE, Decision.TRY_AGAIN)


def _decision(
    rule: StageRule, shots: Sequence[Shot], until_s: float, confidence: float
) -> Decision:
    return decide(set_chances(counted_shots(rule, shots, until_s)), confidence)
