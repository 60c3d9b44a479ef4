"""The text of the cards; `printing` lays it out.

Numbers of steps come from the stage and from `plan`; the rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shoegoal.card.cautions import CAUTIONS
from shoegoal.card.plan import (
    DRIBBLE_STEPS,
    STEP_M,
    Drawing,
    height_text,
    phone_place,
    plan_of,
    side_of,
)
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.rules import Advance, FirstMakes, Round, Rung, Stage, TouchesInARow

_SHORT_CAUTIONS = (
    "Warm up first; the card “Before and after” says how.",
    "Clear the space: nobody and nothing breakable beside or behind the goal, no road, dry and "
    "even ground, the phone out of the ball's way.",
    "Closed sports shoes, tied. Markers that give way: shoes, cones, empty bottles.",
    "Film only people who have agreed, a child only with a parent's or guardian's consent; no "
    "neighbours, street signs or house numbers in the picture.",
    "Stop when something hurts. Your school's rules and your teacher come first.",
)


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its lines; ``numbered`` for steps in order."""

    heading: str
    lines: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class StageCard:
    """One page: how a stage is set up, filmed and played.

    Attributes
    ----------
    above : ladder and school.
    title, task : what has to be reached.
    drawings : from above and from the side.
    drawing_note : their scale.
    sections : beside them. cautions : below.
    """

    above: str
    title: str
    task: str
    drawings: tuple[Drawing, ...]
    drawing_note: str
    sections: tuple[Section, ...]
    cautions: Section


@dataclass(frozen=True, slots=True)
class Timed:
    """One line of a timed card: what to do, how, and for how many seconds."""

    what: str
    how: str
    time_s: int


@dataclass(frozen=True, slots=True)
class TimedCard:
    """The page with warm-up and cool-down.

    Attributes
    ----------
    parts : title and lines of each; the clock starts at zero in each part.
    cautions : below.
    """

    above: str
    title: str
    parts: tuple[tuple[str, tuple[Timed, ...]], ...]
    cautions: Section


WARM_UP = (
    Timed("March, then jog on the spot", "arms swing along; breathe easily", 30),
    Timed("Side steps", "four to the left, four to the right, knees soft", 30),
    Timed("Leg swings", "hold on to something; each leg forwards and back, like a pendulum", 30),
    Timed("Heels and knees", "jog on the spot: heels up behind, then knees up in front", 30),
    Timed(
        "Toe taps on the ball",
        "soles lightly on the ball in turn; slow, then quicker",
        30,
    ),
)
SOFT_PASSES = Timed(
    "Soft passes", "ten passes with the inside of the foot, half as hard as a shot", 60
)
COOL_DOWN = (
    Timed("Walk slowly", "once round the yard; fetch the markers", 60),
    Timed(
        "Six slow breaths", "in through the nose while you count to 4, out while you count to 6", 60
    ),
    Timed("What went well", "say or write down one thing that went well today", 30),
    Timed("Next time", "and one thing that you will try next time", 30),
)


def cards_of(ladder: Ladder, stages: Sequence[Stage]) -> tuple[StageCard, ...]:
    """Write the cards of some stages of a ladder.

    Parameters
    ----------
    stages : of `ladder.all_stages`.
    """
    rungs = {stage.name: (rung, which) for rung in ladder.rungs for which, stage in rung.rounds}
    return tuple(_card(ladder, stage, *rungs[stage.name]) for stage in stages)


def timed_card(ladder: Ladder) -> TimedCard:
    """Write the page with warm-up and cool-down."""
    return TimedCard(
        _above(ladder),
        "Before and after",
        (
            ("Warm-up", (*WARM_UP, SOFT_PASSES)),
            ("Cool-down", COOL_DOWN),
        ),
        Section("Mind", CAUTIONS),
    )


def _above(ladder: Ladder) -> str:
    return ladder.title + (f" · {ladder.school}" if ladder.school else "")


def _card(ladder: Ladder, stage: Stage, rung: Rung, which: Round) -> StageCard:
    dribble = isinstance(stage.rule, TouchesInARow)
    setting = _room(stage) if dribble else _goal(stage)
    return StageCard(
        above=_above(ladder),
        title=stage.title,
        task=stage.rule.sentence,
        drawings=(plan_of(stage), side_of(stage)),
        drawing_note=f"Drawn to scale for steps of {100 * STEP_M:.0f} cm; pace it in your own.",
        sections=(setting, _phone(stage), _filming(stage), _after(stage, rung, which)),
        cautions=Section("Before you begin", _SHORT_CAUTIONS),
    )


def _goal(stage: Stage) -> Section:
    width, back = f"{stage.width_steps:g}", f"{stage.back_steps:g}"
    return Section(
        "Pace the goal",
        (
            "Put down one marker.",
            f"From its inner edge walk {width} steps in a straight line, as you always walk. Put "
            "the other marker so that its inner edge is at your toes.",
            "Stand in the middle between them with your heels on the line.",
            f"Walk {back} steps straight back from the goal. There is the kick spot: mark it with "
            "a leaf or a bit of tape.",
            f"Ball: size {stage.ball_size}, in a colour unlike the ground's.",
        ),
        numbered=True,
    )


def _room(stage: Stage) -> Section:
    return Section(
        "Make room",
        (
            f"Find even ground with about {DRIBBLE_STEPS} by {DRIBBLE_STEPS} steps of space. No "
            "goal is needed.",
            f"Ball: size {stage.ball_size}, in a colour unlike the ground's.",
            "Stand in the middle, the ball between your feet.",
        ),
        numbered=True,
    )


def _phone(stage: Stage) -> Section:
    place = phone_place(stage)
    if stage.back_steps is None:
        where = f"{place.behind_steps} steps in front of you, {height_text(place)}, level."
        seen = "In the picture: you from the hips down, and the whole space for the ball."
    else:
        where = (
            f"From the kick spot {place.behind_steps} more steps back, then {place.aside_steps} to "
            f"the side of your kicking foot (drawn for the right), {height_text(place)}."
        )
        seen = (
            "Turn and tilt it until the picture shows, from first shot to last, the ball on "
            "the kick spot, both markers, and a metre beside each."
        )
    return Section(
        "Place the phone",
        (
            where,
            "Lean it on something that does not move: a box, a wall, a chair. Long side level; "
            "nobody holds it.",
            seen,
        ),
    )


def _filming(stage: Stage) -> Section:
    if stage.back_steps is None:
        begin = "Start filming, stand still for a moment, then begin."
    else:
        begin = "Start filming before the first kick; stop when the last ball lies still."
    lines = [begin, "One clip for the whole set. Do not pause, zoom or move the phone."]
    if stage.back_steps is not None:
        lines.append("One ball in play at a time. Fetch it, put it on the kick spot, kick.")
    lines.append(f"Name the clip: your made-up name, then the stage: Otter 17_{stage.name}.mp4")
    return Section("Film", tuple(lines))


def _after(stage: Stage, rung: Rung, which: Round) -> Section:
    lines = [f"Your task: {stage.rule.sentence}."]
    if isinstance(stage.rule, FirstMakes):
        lines.append("Take as many shots as you like, all in one clip.")
    if stage.retries is not None:
        tries = 1 + stage.retries
        lines.append(f"You have {tries} {'try' if tries == 1 else 'tries'}; a try is a whole set.")
    if which is Round.STAGE:
        if rung.harder is not None:
            must = " (you need it to climb on)" if rung.advance is Advance.MET_HARDER else ""
            lines.append(f"Met? Play it harder{must}: {rung.harder.goal_sentence}.")
        if rung.easier is not None:
            enough = " (that is enough to climb on)" if rung.advance is Advance.MET_EASIER else ""
            lines.append(f"Tries used up? Play it easier{enough}: {rung.easier.goal_sentence}.")
    return Section("Play", tuple(lines))
