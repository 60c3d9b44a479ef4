"""The pages about single sets: their questions, clip, pictures and forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from shoegoal.errors import BadSettingsError, RecordChangedError, ShoegoalError
from shoegoal.record import reviewing
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.pictures import MOMENTS
from shoegoal.record.set_states import LOOK, TO_SIGN
from shoegoal.record.status import Answer, Side
from shoegoal.review.media import Clips, Pictures
from shoegoal.review.queue import Overview, bring_up_to_date, overview, waiting_for
from shoegoal.review.routes import (
    LARGEST_NUMBER,
    OWNERS,
    TEACHERS,
    Asked,
    PageRoute,
    name_of,
    pointed_at,
    remember_name,
    wanted_of,
)
from shoegoal.review.showing import Showing, status_of
from shoegoal.review.views import old_view_of, view_of
from shoegoal.types import ImagePoint

LEAST_MOVE_PX = 0.05


@dataclass(frozen=True, slots=True)
class _Said:
    """The result of an action."""

    done: str = ""
    trouble: str = ""
    status: int = 200


class SetPages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, clips: Clips) -> None:
        self._book = book
        self._showing = showing
        self._clips = clips
        self._pictures = Pictures()

    def routes(self) -> list[PageRoute]:
        """List the addresses."""
        one = "/sets/{set_id:int}"
        return [
            PageRoute("GET", one, OWNERS, self._one_set),
            PageRoute("GET", f"{one}/clip", OWNERS, self._clip),
            PageRoute("GET", f"{one}/markers", TEACHERS, self._markers),
            PageRoute("GET", f"{one}/goal.jpg", TEACHERS, self._goal),
            PageRoute("GET", f"{one}/glance.jpg", OWNERS, self._glance),
            PageRoute("GET", f"{one}/shots/{{number:int}}.jpg", OWNERS, self._strip),
            PageRoute("GET", f"{one}/at/{{time_ms:int}}/{{moment}}.jpg", OWNERS, self._moment),
            *(
                PageRoute("POST", f"{one}/{name}", TEACHERS, self._acting(action))
                for name, action in ACTIONS.items()
            ),
        ]

    def _one_set(self, asked: Asked) -> Response:
        return self._set_page(asked, self._history(asked), _Said())

    def _clip(self, asked: Asked) -> Response:
        return self._clips.answer(self._history(asked))

    def _strip(self, asked: Asked) -> Response:
        return self._pictures.strip(self._history(asked), asked.number("number"))

    def _moment(self, asked: Asked) -> Response:
        name = str(asked.request.path_params["moment"])
        if name not in MOMENTS:
            raise HTTPException(404, "there is no such picture")
        time_s = asked.number("time_ms") / 1000
        return self._pictures.moment(self._history(asked), time_s, name)

    def _glance(self, asked: Asked) -> Response:
        return self._pictures.glance(self._history(asked))

    def _goal(self, asked: Asked) -> Response:
        return self._pictures.plain_goal(self._history(asked))

    def _markers(self, asked: Asked) -> Response:
        """Show a still to point at both markers in."""
        history = self._history(asked)
        analysis = history.count.analysis()
        one = view_of(history, analysis, can_change=True)
        if not one.can_move or not one.open:
            raise HTTPException(404, "the markers of this set cannot be moved any more")
        return self._showing.page(
            "markers.html", asked.by, one=one, said="", trouble="", **self._frame(asked)
        )

    def _acting(self, action: Action) -> Callable[[Asked], Response]:
        def act(asked: Asked) -> Response:
            """Do what a form asks; return only the changed part where the page can insert it."""
            set_id = asked.number("set_id")
            self._history(asked)
            said = _Said(action.done)
            by = action.by(asked.form, asked.by.name)
            try:
                action.do(self._book, set_id, asked.form, by)
            except ShoegoalError as error:
                if asked.wants_a_part and not isinstance(error, RecordChangedError):
                    raise
                said = _Said(trouble=str(error), status=status_of(error))
            if said.status == 200 and not asked.wants_a_part:
                answer = RedirectResponse(self._after(asked, action, set_id), 303)
                if asked.by.name is None and by:
                    remember_name(answer, by)
                return answer
            return self._set_page(asked, self._history(asked), said)

        return act

    def _after(self, asked: Asked, action: Action, set_id: int) -> str:
        """Return the next page: after a signature, the next set that needs a look."""
        wanted = wanted_of(asked)
        rest = f"?{wanted.query}" if wanted.query else ""
        if not action.goes_on:
            return f"/sets/{set_id}{rest}"
        bring_up_to_date(self._book)
        with self._book.reading() as connection:
            after = waiting_for(connection, LOOK, wanted)
            ready = waiting_for(connection, TO_SIGN, wanted)
        if after:
            return f"/sets/{after[0]}{rest}"
        return f"/ready{rest}" if ready else f"/{rest}"

    def _history(self, asked: Asked) -> SetHistory:
        """Read the set of an address; 404 for another student's set."""
        set_id = asked.number("set_id")
        with self._book.reading() as connection:
            try:
                history = load_set(connection, set_id)
            except BadSettingsError as error:
                raise HTTPException(404, str(error)) from error
        if not asked.by.may_see_pupil(history.pupil_id):
            raise HTTPException(404, f"there is no set {set_id} of yours")
        return history

    def _set_page(self, asked: Asked, history: SetHistory, said: _Said) -> Response:
        shown = {"said": said.done, "trouble": said.trouble} | self._frame(asked)
        try:
            analysis = history.count.analysis()
        except BadSettingsError as error:
            old = old_view_of(history, str(error))
            return self._showing.page("old.html", asked.by, said.status, one=old, **shown)
        name = "work.html" if asked.wants_a_part else "set.html"
        picked = asked.request.query_params.get("shot", "")
        one = view_of(
            history,
            analysis,
            can_change=asked.by.is_teacher,
            chosen=int(picked) if picked.isdecimal() and len(picked) < 6 else None,
        )
        return self._showing.page(name, asked.by, said.status, one=one, **shown)

    def _frame(self, asked: Asked) -> dict[str, Any]:
        """Return the values for the frame of every page about sets."""
        wanted = wanted_of(asked)
        seen: Overview | None = None
        if asked.by.is_teacher:
            bring_up_to_date(self._book)
            with self._book.reading() as connection:
                seen = overview(connection, wanted)
        return {"seen": seen, "wanted": wanted, "signer": name_of(asked)}


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
        raise BadSettingsError(f'"{text}" is not a time; give 1:12.3, or seconds')
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
    """Move the markers to where the person pointed."""
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
    """Store a remark."""
    reviewing.add_note(book, set_id, _text(form, "note"), by=by, seen=_whole(form, "seen"))


def looked(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Record that a part of the clip hides no shot."""
    reviewing.look_through(
        book, set_id, [_whole(form, "stretch")], by=by, seen=_whole(form, "seen")
    )


def undo(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Undo the last correction."""
    reviewing.undo(book, set_id, by=by, seen=_whole(form, "seen"))


def sign(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Sign the set."""
    reviewing.sign(book, set_id, by, seen=_whole(form, "seen"))


def withdraw(book: Book, set_id: int, form: FormData, by: str) -> None:
    """Withdraw the signature."""
    reviewing.withdraw(book, set_id, _text(form, "reason"), by=by, seen=_whole(form, "seen"))


@dataclass(frozen=True, slots=True)
class Action:
    """What a form can ask for.

    Attributes
    ----------
    do : does it: with the book, the set, the form and the person's name.
    done : message afterwards.
    goes_on : whether the next set is shown afterwards.
    """

    do: Callable[[Book, int, FormData, str], None]
    done: str
    goes_on: bool = False

    @staticmethod
    def by(form: FormData, account: str | None) -> str:
        """Return the account's name, whatever the form says; without an account, the typed one."""
        return _text(form, "by") if account is None else account


ACTIONS = {
    "answer": Action(answer, "Saved."),
    "add": Action(add, "Added."),
    "markers": Action(markers, "The markers were moved and the set was judged again."),
    "note": Action(note, "The remark was saved."),
    "looked": Action(looked, "Saved: nothing is hidden there."),
    "undo": Action(undo, "The last correction was taken back."),
    "sign": Action(sign, "Signed.", goes_on=True),
    "withdraw": Action(withdraw, "The signature was withdrawn."),
}
