"""A rung of a ladder: a stage, its harder and easier second rounds, and who climbs on from it.

Cheap to import (standard library only).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import Stage


class Round(StrEnum):
    """Which round of a rung: the stage itself, or a second one with another goal."""

    STAGE = "stage"
    HARDER = "harder"
    EASIER = "easier"


class Advance(StrEnum):
    """Who climbs on from a rung."""

    MET = "met"
    MET_HARDER = "met-harder"
    MET_EASIER = "met-easier"
    TRIED = "tried"

    @property
    def sentence(self) -> str:
        """Who climbs on, as a person would say it."""
        return _WHO_ADVANCES[self]


_WHO_ADVANCES = {
    Advance.MET: "who has met the stage",
    Advance.MET_HARDER: "who has met the stage and its harder round",
    Advance.MET_EASIER: "who has met the stage or its easier round",
    Advance.TRIED: "everyone, once the stage is met or the tries are used up",
}


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung.

    Attributes
    ----------
    stage : what has to be reached, and from where.
    harder, easier : the same task for a second round, with a narrower goal or from further back,
        or the reverse (`second_round` makes them); None where there is no such round. The harder
        one is open once the stage is met, the easier one once its tries are used up.
    advance : who climbs on.

    Raises
    ------
    BadSettingsError
        A round that is not harder (or easier) than the stage, or an `advance` that needs a round
        or a number of retries that is not given.
    """

    stage: Stage
    harder: Stage | None = None
    easier: Stage | None = None
    advance: Advance = Advance.MET

    def __post_init__(self) -> None:
        if self.harder is not None:
            _require_harder(self.stage, self.harder, "harder", "narrower or further back")
        if self.easier is not None:
            _require_harder(self.easier, self.stage, "easier", "wider or nearer")
            if self.stage.retries is None:
                raise BadSettingsError(
                    "an easier round opens once the tries are used up: give retries "
                    "(0 for one try only)."
                )
        if self.advance is Advance.MET_HARDER and self.harder is None:
            raise BadSettingsError('advance = "met-harder" needs a harder round: give harder.')
        if self.advance is Advance.MET_EASIER and self.easier is None:
            raise BadSettingsError('advance = "met-easier" needs an easier round: give easier.')
        if self.advance is Advance.TRIED and self.stage.retries is None:
            raise BadSettingsError(
                'advance = "tried" needs an end of the tries: give retries (0 for one try only).'
            )

    @property
    def rounds(self) -> Iterator[tuple[Round, Stage]]:
        """The stage itself, then its second rounds."""
        yield Round.STAGE, self.stage
        if self.harder is not None:
            yield Round.HARDER, self.harder
        if self.easier is not None:
            yield Round.EASIER, self.easier


def second_round(
    stage: Stage,
    which: Round,
    *,
    width_steps: float | None = None,
    back_steps: float | None = None,
) -> Stage:
    """Make a stage to be played again with another goal or from another distance.

    Parameters
    ----------
    stage : as played first.
    which : `Round.HARDER` or `Round.EASIER`; the stage made is called ``NAME-harder`` and so on.
    width_steps, back_steps : what changes; the rest stays.

    Raises
    ------
    BadSettingsError
        A number outside its range, or a dribble stage, which has no goal to change.
    """
    if stage.width_steps is None:
        raise BadSettingsError(
            f"a dribble stage has no goal, so it has no {which} round: leave out {which}."
        )
    return replace(
        stage,
        name=f"{stage.name}-{which}",
        title=f"{stage.title}, {which}",
        width_steps=stage.width_steps if width_steps is None else width_steps,
        back_steps=stage.back_steps if back_steps is None else back_steps,
    )


def _require_harder(easy: Stage, hard: Stage, which: str, wanted: str) -> None:
    # The goal as seen from the kick spot is what a shot has to hit: neither way may it grow.
    easy_w, hard_w = easy.width_steps or 0.0, hard.width_steps or 0.0
    easy_b, hard_b = easy.back_steps or 0.0, hard.back_steps or 0.0
    same = (easy_w, easy_b) == (hard_w, hard_b)
    if same or hard_w > easy_w or hard_b < easy_b:
        raise BadSettingsError(
            f"the {which} round is not {which} than the stage: give width_steps or back_steps "
            f"({wanted}, and neither the other way)."
        )
