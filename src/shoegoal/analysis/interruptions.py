"""What the breaks of a clip mean for its shots and for its verdict."""

from __future__ import annotations

from collections.abc import Sequence

from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import GAP_S
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.clip.take import Break, BreakKind
from shoegoal.ladder.rules import MakesInTime, StageRule
from shoegoal.ladder.verdict import HiddenTime
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Shot

MARGIN_S = 0.5  # a ball kicked this soon after a break may not lie where it seems to have lain


def doubted_around(shots: Sequence[Shot], breaks: Sequence[Break], start_s: float) -> list[Shot]:
    """Make every shot that a break runs into an unsure one.

    Parameters
    ----------
    shots : in order of time.
    breaks : those that hide time count.
    start_s : presentation time of the clip's first picture.
    """
    judged = []
    for shot in shots:
        hit = next((one for one in breaks if one.hides_time and _runs_into(shot, one)), None)
        judged.append(shot if hit is None else _doubted(shot, hit, start_s))
    return judged


def strayed_times(stillness: StillnessReport, start_s: float, end_s: float) -> list[HiddenTime]:
    """List the whole clip where its camera strayed: what lies still seems to move, and is missed.

    Parameters
    ----------
    stillness : of the camera.
    start_s, end_s : presentation times of the clip's first and last picture.
    """
    if stillness.verdict is not Stillness.NEARLY_STILL:
        return []
    return [HiddenTime(start_s, end_s, f"{stillness.message}: a shot may have been missed")]


def hidden_times(rule: StageRule, breaks: Sequence[Break], start_s: float) -> list[HiddenTime]:
    """List the times from which on shots may be missing, or a timed set's clock not right."""
    hidden = []
    for one in breaks:
        at = clock_text(one.start_s - start_s)
        if one.hides_time:
            hidden.append(HiddenTime(one.start_s, one.end_s, f"a shot may be hidden at {at}"))
        elif one.kind is BreakKind.SLOW_MOTION:
            hidden.append(HiddenTime(one.start_s, one.end_s, "a slow-motion clip may hide kicks"))
        elif isinstance(rule, MakesInTime):
            hidden.append(HiddenTime(one.start_s, one.end_s, f"the clock may run wrong from {at}"))
    return hidden


def break_sentences(breaks: Sequence[Break], start_s: float) -> list[str]:
    """Say each break, save for the long gaps, which the reader of the clip names itself."""
    return [
        one.sentence(start_s)
        for one in breaks
        if one.kind is not BreakKind.GAP or one.end_s - one.start_s <= GAP_S
    ]


def _runs_into(shot: Shot, one: Break) -> bool:
    return one.end_s >= shot.kick_time_s - MARGIN_S and one.start_s <= shot.end_time_s


def _doubted(shot: Shot, one: Break, start_s: float) -> Shot:
    what = "the picture jumps" if one.kind is BreakKind.JUMP else "pictures are missing"
    at = clock_text(one.end_s - start_s)
    return unseen_shot(
        shot.number,
        shot.kick_time_s,
        f"{what} at {at}, near this kick: was it a shot, and a make?",
        end_time_s=shot.end_time_s,
        kick_spot_m=shot.kick_spot_m,
    )
