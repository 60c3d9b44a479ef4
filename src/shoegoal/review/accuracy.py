"""The page that says how accurate this book's calls were: tables, and a reliability plot."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.exceptions import HTTPException
from starlette.responses import Response

from shoegoal.record.accuracy import Accuracy, accuracy_of
from shoegoal.record.book import Book
from shoegoal.record.coaching import class_names
from shoegoal.review.doors import TEACHERS, Asked, Door
from shoegoal.review.showing import Showing

SIDE = 300.0  # of the plot, in its own units
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
    """Said probability across, share of makes upwards, both 0 to 1."""

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
    """The answer, over one book."""

    def __init__(self, book: Book, showing: Showing) -> None:
        self._book = book
        self._showing = showing

    def doors(self) -> list[Door]:
        """List the address."""
        return [Door("GET", "/accuracy", TEACHERS, self._show)]

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
