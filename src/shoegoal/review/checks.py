"""The coach's pages: a round of spot checks, blind to the count, and their results.

They show no pupil's name and no tally. A shot is shown as it was filmed: its part of the clip and
its stills, with nothing drawn on them.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.record.accuracy import Accuracy, accuracy_of
from shoegoal.record.book import Book
from shoegoal.record.coaching import (
    HIGHEST_SEED,
    SHOT,
    Check,
    answer_check,
    checks_of,
    class_names,
    class_of_round,
    cue_words,
    draw_round,
    report_of,
    rounds_of,
)
from shoegoal.record.history import SetHistory, load_set
from shoegoal.review.media import Clips, Pictures
from shoegoal.review.routes import CHECKERS, TEACHERS, Asked, PageRoute
from shoegoal.review.showing import Showing, status_of
from shoegoal.review.views import check_view_of

DEFAULT_SIZE, LARGEST_SIZE = 20, 500
WIDTHS = (0.1, 0.2, 0.3)
SIDE = 300.0  # of the plot, in its own units


class CheckPages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, clips: Clips) -> None:
        self._book = book
        self._showing = showing
        self._clips = clips
        self._pictures = Pictures()

    def routes(self) -> list[PageRoute]:
        """List the addresses."""
        one = "/checks/{round:int}/{place:int}"
        return [
            PageRoute("GET", "/checks", CHECKERS, self._overview),
            PageRoute("POST", "/checks/draw", CHECKERS, self._draw),
            PageRoute("GET", "/checks/{round:int}", CHECKERS, self._next),
            PageRoute("GET", f"{one}/clip", CHECKERS, self._clip),
            PageRoute("GET", f"{one}/stills.jpg", CHECKERS, self._stills),
            PageRoute("POST", f"{one}/answer", CHECKERS, self._answer),
        ]

    def _overview(self, asked: Asked) -> Response:
        return self._show_overview(asked, "", 200)

    def _draw(self, asked: Asked) -> Response:
        try:
            class_name, size = _field(asked.form, "class"), _field(asked.form, "size")
            self._check_class(asked, class_name)
            if not size.isdecimal() or not 1 <= int(size) <= LARGEST_SIZE:
                raise BadSettingsError(f"draw 1 to {LARGEST_SIZE} shots")
            with self._book.writing() as connection:
                seed = secrets.randbelow(HIGHEST_SEED)
                cues = _field(asked.form, "what") == "form"
                round_id = draw_round(connection, class_name, int(size), seed, cues=cues)
        except ShoegoalError as error:
            return self._show_overview(asked, str(error), status_of(error))
        return RedirectResponse(f"/checks/{round_id}", 303)

    def _next(self, asked: Asked) -> Response:
        return self._show_next(asked, "", 200)

    def _answer(self, asked: Asked) -> Response:
        round_id, place = asked.number("round"), asked.number("place")
        self._checks(asked)
        by = asked.by.name or " ".join(_field(asked.form, "by").split())[:80]
        try:
            with self._book.writing() as connection:
                answer_check(connection, round_id, place, _field(asked.form, "answer"), by)
        except ShoegoalError as error:
            return self._show_next(asked, str(error), status_of(error))
        return RedirectResponse(f"/checks/{round_id}", 303)

    def _clip(self, asked: Asked) -> Response:
        return self._clips.answer(self._history(self._check(asked)))

    def _stills(self, asked: Asked) -> Response:
        check = self._check(asked)
        history = self._history(check)
        return self._pictures.blind(history, check.place, check.kick_time_s)

    def _show_overview(self, asked: Asked, trouble: str, status: int) -> Response:
        given = asked.request.query_params.get("width", "0.2")
        width = next((one for one in WIDTHS if str(one) == given), WIDTHS[1])
        with self._book.reading() as connection:
            names = [n for n in class_names(connection) if asked.by.may_check_class(n)]
            classes = [
                {
                    "name": name,
                    "rounds": rounds_of(connection, name),
                    "report": report_of(connection, name, width),
                }
                for name in names
            ]
        return self._showing.page(
            "checks.html", asked.by, status, classes=classes, width=width, widths=WIDTHS,
            size=DEFAULT_SIZE, largest=LARGEST_SIZE, trouble=trouble, cue_words=cue_words,
        )  # fmt: skip

    def _show_next(self, asked: Asked, trouble: str, status: int) -> Response:
        checks = self._checks(asked)
        shown = {"round": asked.number("round"), "trouble": trouble, "of": len(checks)}
        shown["done"] = sum(check.answer is not None for check in checks)
        check = next((one for one in checks if one.answer is None), None)
        if check is None:
            return self._showing.page("checked.html", asked.by, status, **shown)
        history = self._history(check)
        one = check_view_of(check, history, playable=self._clips.is_as_counted(history))
        words = {a: a.replace("-", " ").capitalize() for a in check.answers}
        title, looked_for = cue_words(check.cue)
        return self._showing.page(
            "check.html", asked.by, status, one=one, words=words, is_shot=check.cue == SHOT,
            title=title, looked_for=looked_for, **shown,
        )  # fmt: skip

    def _check_class(self, asked: Asked, class_name: str) -> None:
        if not asked.by.may_check_class(class_name):
            raise BadSettingsError("choose a class")

    def _checks(self, asked: Asked) -> list[Check]:
        """Read the round of an address; 404 where the coach does not check its class."""
        round_id = asked.number("round")
        with self._book.reading() as connection:
            try:
                class_name = class_of_round(connection, round_id)
            except BadSettingsError as error:
                raise HTTPException(404, str(error)) from error
            if not asked.by.may_check_class(class_name):
                raise HTTPException(404, f"there is no round {round_id} of yours")
            return checks_of(connection, round_id)

    def _check(self, asked: Asked) -> Check:
        place = asked.number("place")
        found = next((one for one in self._checks(asked) if one.place == place), None)
        if found is None:
            raise HTTPException(404, f"this round has no shot {place}")
        return found

    def _history(self, check: Check) -> SetHistory:
        with self._book.reading() as connection:
            return load_set(connection, check.set_id)


def _field(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""


LEFT, TOP, BELOW, RIGHT = 56.0, 16.0, 52.0, 24.0


@dataclass(frozen=True, slots=True)
class PlotPoint:
    """A point of the plot with its interval, in the drawing's units."""

    x: float
    y: float
    low_y: float
    high_y: float
    words: str


@dataclass(frozen=True, slots=True)
class Plot:
    """Predicted probability across, share of makes upwards, both 0 to 1."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    points: tuple[PlotPoint, ...]


def plot_of(accuracy: Accuracy) -> Plot:
    """Lay the reliability plot out."""
    bottom = TOP + SIDE
    points = tuple(
        PlotPoint(
            LEFT + SIDE * point.p_make,
            bottom - SIDE * point.makes / point.shots,
            bottom - SIDE * point.low,
            bottom - SIDE * point.high,
            f"said {100 * point.p_make:.0f} %: {point.makes} of {point.shots} were makes",
        )
        for point in accuracy.reliability
    )
    return Plot(LEFT + SIDE + RIGHT, bottom + BELOW, LEFT, LEFT + SIDE, TOP, bottom, points)


class AccuracyPage:
    """The accuracy page of one book."""

    def __init__(self, book: Book, showing: Showing) -> None:
        self._book = book
        self._showing = showing

    def routes(self) -> list[PageRoute]:
        """List the address."""
        return [PageRoute("GET", "/accuracy", TEACHERS, self._show)]

    def _show(self, asked: Asked) -> Response:
        wanted = asked.request.query_params.get("class", "")
        with self._book.reading() as connection:
            names = class_names(connection)
            if wanted and wanted not in names:
                raise HTTPException(404, "there is no such class")
            accuracy = accuracy_of(connection, wanted or None)
        return self._showing.page(
            "accuracy.html",
            asked.by,
            accuracy=accuracy,
            plot=plot_of(accuracy),
            classes=names,
            wanted=wanted,
        )
