"""What the page's forms do: each field checked, each done by the same rooms as the command line."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from starlette.datastructures import FormData

from shoegoal.errors import BadSettingsError
from shoegoal.record import reviewing
from shoegoal.record.book import Book
from shoegoal.record.corrections import Answer, Side
from shoegoal.record.history import load_set
from shoegoal.review.doors import LARGEST_NUMBER
from shoegoal.types import ImagePoint

FARTHEST_PX = 100_000.0
LEAST_MOVE_PX = 0.05


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""


def _whole(form: FormData, name: str) -> int:
    try:
        number = int(_text(form, name))
    except ValueError:
        number = -1
    if not 0 <= number <= LARGEST_NUMBER:
        raise BadSettingsError(f"the page sent no usable {name}; load it again")
    return number


def _place(form: FormData, name: str) -> ImagePoint:
    return pointed_at(_text(form, name))


def pointed_at(text: str) -> ImagePoint:
    """Read a place in a picture, ``X,Y`` px.

    Raises
    ------
    BadSettingsError
        It is none.
    """
    try:
        x_px, y_px = (float(part) for part in text.split(","))
    except ValueError:
        x_px = y_px = math.nan
    if not (abs(x_px) < FARTHEST_PX and abs(y_px) < FARTHEST_PX):
        raise BadSettingsError("point at both markers first")
    return ImagePoint(x_px, y_px)


def _answer(form: FormData) -> Answer:
    try:
        return Answer(_text(form, "answer"))
    except ValueError:
        raise BadSettingsError("say what the shot is: make, miss, not a shot or retake") from None


def clock_seconds(text: str) -> float:
    """Read ``1:12.3`` or seconds, as a player's clock shows them.

    Raises
    ------
    BadSettingsError
        It is neither.
    """
    minutes, _, seconds = text.strip().rpartition(":")
    try:
        given = 60.0 * int(minutes or 0) + float(seconds)
    except (ValueError, OverflowError):
        given = float("nan")
    if not 0 <= given <= 100_000 or (minutes and float(seconds) >= 60):
        raise BadSettingsError(f'"{text}" is no time; give 1:12.3, or seconds')
    return given


def answer(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Say what a shot is."""
    reviewing.answer_shot(
        book, set_id, _whole(form, "shot"), _answer(form), note=_text(form, "note"),
        by=by, seen=_whole(form, "seen"),
    )  # fmt: skip


def add(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Add a shot."""
    reviewing.add_shot(
        book, set_id, clock_seconds(_text(form, "time")), _answer(form), note=_text(form, "note"),
        by=by, seen=_whole(form, "seen"),
    )  # fmt: skip


def markers(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Move the markers that were pointed at elsewhere."""
    seen = _whole(form, "seen")
    with book.reading() as connection:
        scene = load_set(connection, set_id).count.analysis().goal_scene
    now = {Side.LEFT: scene.left_px, Side.RIGHT: scene.right_px}
    wanted = {side: _place(form, side.value) for side in now}
    for side, place in wanted.items():
        at = now[side]
        if math.hypot(place.x_px - at.x_px, place.y_px - at.y_px) > LEAST_MOVE_PX:
            seen = reviewing.move_marker(book, set_id, side, place, by=by, seen=seen).version


def note(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Write a remark down."""
    reviewing.add_note(book, set_id, _text(form, "note"), by=by, seen=_whole(form, "seen"))


def looked(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Say that a stretch of the clip hides no shot."""
    reviewing.look_through(
        book, set_id, [_whole(form, "stretch")], by=by, seen=_whole(form, "seen")
    )


def undo(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Take the last correction back."""
    reviewing.undo(book, set_id, by=by, seen=_whole(form, "seen"))


def sign(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Sign the set."""
    reviewing.sign(book, set_id, by, seen=_whole(form, "seen"))


def withdraw(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Withdraw the signature."""
    reviewing.withdraw(book, set_id, _text(form, "reason"), by=by, seen=_whole(form, "seen"))


@dataclass(frozen=True, slots=True)
class Action:
    """What a form asks for.

    Attributes
    ----------
    do : carries it out: book, set, form, and who does it.
    done : says so.
    goes_on : the next set is shown afterwards.
    """

    do: Callable[[Book, int, FormData, str], None]
    done: str
    goes_on: bool = False

    @staticmethod
    def by(form: FormData, account: str | None) -> str:
        """Who does it: the account, whatever a form says, or else the name that was typed."""
        return _text(form, "by") if account is None else account


ACTIONS = {
    "answer": Action(answer, "Written down."),
    "add": Action(add, "Added."),
    "markers": Action(markers, "The markers were moved and the set worked out anew."),
    "note": Action(note, "The remark was written down."),
    "looked": Action(looked, "Written down: nothing is hidden there."),
    "undo": Action(undo, "The last correction was taken back."),
    "sign": Action(sign, "Signed.", goes_on=True),
    "withdraw": Action(withdraw, "The signature was withdrawn."),
}
