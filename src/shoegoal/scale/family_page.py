"""A page to print for each pupil's family, with a certificate once the ladder is finished."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shoegoal.cues.reading import Advice as FormAdvice
from shoegoal.ladder.progress import RungState
from shoegoal.record.book import Book
from shoegoal.scale.class_page import page_templates
from shoegoal.scale.results import PupilResults, form_hints, pupil_results, pupils_of

if TYPE_CHECKING:
    from shoegoal.ladder.ladders import Ladder

RUNG_WORDS = {
    RungState.PASSED: ("●", "reached"),
    RungState.UNDER_WAY: ("◐", "under way"),
    RungState.LET_PAST: ("▷", "passed over"),
    RungState.NOT_PLAYED: ("○", "still to come"),
}


@dataclass(frozen=True, slots=True)
class FamilyPage:
    """One pupil's page, with a certificate if the ladder is finished.

    Attributes
    ----------
    rungs : every stage: its mark, title and state, by signed sets only.
    hints : from the form of the newest signed set.
    signed_by, signed_on : of the newest signature; empty without one.
    """

    results: PupilResults
    rungs: tuple[tuple[str, str, str], ...]
    hints: FormAdvice
    signed_by: str
    signed_on: str


def family_pages(
    book: Book, class_name: str, ladder: Ladder, pupil: str | None = None
) -> list[FamilyPage]:
    """Work out the pages of a class, or of one pupil.

    Raises
    ------
    BadSettingsError
        There is no such class.
    """
    with book.reading() as connection:
        names = pupils_of(connection, class_name)
        chosen = names if pupil is None else [name for name in names if name == pupil]
        return [_page(pupil_results(connection, name, ladder)) for name in chosen]


def family_html(pages: Sequence[FamilyPage], class_name: str) -> str:
    """Lay the pages out as one self-contained HTML file."""
    template = page_templates().get_template("family_page.html")
    return template.render(pages=pages, class_name=class_name)


def _page(results: PupilResults) -> FamilyPage:
    rungs = tuple(
        (*RUNG_WORDS[rung.state][:1], rung.rung.stage.title, RUNG_WORDS[rung.state][1])
        for rung in results.verified.rungs
    )
    hints = FormAdvice((), ())
    by, on = "", ""
    if results.signed:
        newest, row = results.signed[-1]
        hints, by, on = form_hints(newest.history), row.signed_by, row.signed_at[:10]
    return FamilyPage(results, rungs, hints, by, on)
