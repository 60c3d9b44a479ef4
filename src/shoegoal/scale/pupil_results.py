"""One pupil: what was reached, which goal comes next, what to try in the next kicks."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from sqlalchemy import Connection

from shoegoal.analysis.form_file import load_form
from shoegoal.cues.advice import Advice as FormAdvice
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.next_setup import Advice, NextSetUp
from shoegoal.ladder.progress import NextStep, Progress, progress_of
from shoegoal.ladder.rules import Stage
from shoegoal.record.history import SetHistory, load_sets
from shoegoal.scale.aims import SeenSet, advice_of
from shoegoal.scale.results import SetRow, ladder_results, seen_set, set_row

MOST_HINTS = 2


@dataclass(frozen=True, slots=True)
class PupilResults:
    """A pupil on the class's ladder.

    Attributes
    ----------
    pupil, ladder : whose, and which.
    signed : sets that a teacher has signed, the newest last.
    verified, counted : the way up by these alone, and by every count as it stands.
    advice : goal to try next, by the shots of signed sets.
    """

    pupil: str
    ladder: Ladder
    signed: tuple[tuple[SeenSet, SetRow], ...]
    verified: Progress
    counted: Progress
    advice: Advice

    @property
    def is_finished(self) -> bool:
        """Whether the whole ladder is climbed, and a teacher has signed it."""
        return self.verified.step is NextStep.FINISHED

    @property
    def next_stage(self) -> Stage:
        """Stage to offer; after the last one a harder round, or the last one again."""
        return self.counted.stage or self.counted.also or self.ladder.stages[-1]

    @property
    def next_goal(self) -> str | None:
        """Goal at which most shots should be makes; None while too few tell that."""
        return self.advice.sentence if isinstance(self.advice, NextSetUp) else None


def pupil_results(connection: Connection, pupil: str, ladder: Ladder) -> PupilResults:
    """Read how a pupil stands."""
    seen = [seen_set(history) for history in load_sets(connection, pupil=pupil)]
    own = [(one, set_row(one)) for one in seen]
    signed = [(one, row) for one, row in own if row.verified]
    return PupilResults(
        pupil,
        ladder,
        tuple(signed),
        progress_of(ladder, ladder_results(signed)),
        progress_of(ladder, ladder_results(own)),
        advice_of([one for one, _ in signed]),
    )


def form_hints(history: SetHistory) -> FormAdvice:
    """Two hints from the form of a set: what to try next, and where that is less, what went well.

    None where form was not read.
    """
    form = None
    if history.folder_path is not None:
        with suppress(BadSettingsError):  # another version read it
            form = load_form(history.folder_path)
    if form is None:
        return FormAdvice((), ())
    to_try = form.advice.to_try[:MOST_HINTS]
    return FormAdvice(form.advice.went_well[: MOST_HINTS - len(to_try)], to_try)
