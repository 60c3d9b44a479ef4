"""Results for families: a page to print for each pupil, and a certificate for a finished ladder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from shoegoal.cues.advice import Advice as FormAdvice
from shoegoal.ladder.progress import RungState
from shoegoal.record.book import Book
from shoegoal.scale.pupil_results import PupilResults, form_hints, pupil_results
from shoegoal.scale.results import pupils_of

if TYPE_CHECKING:
    from jinja2 import Environment

    from shoegoal.ladder.ladders import Ladder

TEMPLATE_NAME = "family_page.html"
RUNG_WORDS = {
    RungState.PASSED: ("●", "reached"),
    RungState.UNDER_WAY: ("◐", "under way"),
    RungState.LET_PAST: ("▷", "passed over"),
    RungState.NOT_PLAYED: ("○", "still to come"),
}


@dataclass(frozen=True, slots=True)
class FamilyPage:
    """One pupil's page, and the certificate behind it where the ladder is finished.

    Attributes
    ----------
    rungs : every stage: its mark, its title, and how it stands, by signed sets alone.
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
    """Work the pages of a class out, or of one pupil.

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
    """Lay the pages out as one HTML file that needs nothing else."""
    return _environment().get_template(TEMPLATE_NAME).render(pages=pages, class_name=class_name)


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


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("shoegoal.scale"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
