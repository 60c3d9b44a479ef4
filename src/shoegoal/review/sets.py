"""The pages about sets: the queue, one set with its clip and pictures, and what its forms do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from shoegoal.errors import BadSettingsError, RecordChangedError, ShoegoalError
from shoegoal.record.accounts import Role
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_set, load_sets
from shoegoal.record.plain import summary
from shoegoal.record.queue import waiting_sets
from shoegoal.review.actions import ACTIONS, Action
from shoegoal.review.doors import EVERYBODY, OWNERS, TEACHERS, Asked, Door
from shoegoal.review.media import Clips, Pictures
from shoegoal.review.showing import Showing, status_of
from shoegoal.review.views import old_view_of, queue_rows, view_of


@dataclass(frozen=True, slots=True)
class _Said:
    """What an action came to."""

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

    def doors(self) -> list[Door]:
        """List the addresses."""
        one = "/sets/{set_id:int}"
        return [
            Door("GET", "/", EVERYBODY, self._queue),
            Door("GET", one, OWNERS, self._one_set),
            Door("GET", f"{one}/clip", OWNERS, self._clip),
            Door("GET", f"{one}/markers.jpg", OWNERS, self._markers),
            Door("GET", f"{one}/shots/{{number:int}}.jpg", OWNERS, self._strip),
            *(
                Door("POST", f"{one}/{name}", TEACHERS, self._acting(action))
                for name, action in ACTIONS.items()
            ),
        ]

    def _queue(self, asked: Asked) -> Response:
        if asked.by.role is Role.COACH:
            return RedirectResponse("/checks", 303)
        with self._book.reading() as connection:
            if asked.by.is_teacher:
                waiting = waiting_sets(connection)
                done = load_sets(connection, signed=True)
            else:
                own = load_sets(connection, pupil=asked.by.pupil)
                waiting = [summary(h, h.standing_while_open()) for h in own if not h.signature]
                done = [history for history in own if history.signature]
        signed = [summary(history, None) for history in done]
        return self._showing.page(
            "queue.html", asked.by, waiting=queue_rows(waiting), signed=queue_rows(signed)
        )

    def _one_set(self, asked: Asked) -> Response:
        return self._set_page(asked, self._history(asked), _Said())

    def _clip(self, asked: Asked) -> Response:
        return self._clips.answer(self._history(asked))

    def _strip(self, asked: Asked) -> Response:
        return self._pictures.strip(self._history(asked), asked.number("number"))

    def _markers(self, asked: Asked) -> Response:
        return self._pictures.markers(self._history(asked))

    def _acting(self, action: Action) -> Callable[[Asked], Response]:
        def act(asked: Asked) -> Response:
            """Do what a form asks; only what changed goes back to a page that can take it in."""
            set_id = asked.number("set_id")
            self._history(asked)
            said = _Said(action.done)
            try:
                action.do(self._book, set_id, asked.form, action.by(asked.form, asked.by.name))
            except ShoegoalError as error:
                if asked.wants_a_part and not isinstance(error, RecordChangedError):
                    raise
                said = _Said(trouble=str(error), status=status_of(error))
            if said.status == 200 and not asked.wants_a_part:
                return RedirectResponse(f"/sets/{set_id}", 303)
            return self._set_page(asked, self._history(asked), said)

        return act

    def _history(self, asked: Asked) -> SetHistory:
        """Read the set that an address names; one of somebody else's is not there."""
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
        shown = {"said": said.done, "trouble": said.trouble}
        try:
            analysis = history.count.analysis()
        except BadSettingsError as error:
            old = old_view_of(history, str(error))
            return self._showing.page("old.html", asked.by, said.status, one=old, **shown)
        name = "work.html" if asked.wants_a_part else "set.html"
        one = view_of(history, analysis, can_change=asked.by.is_teacher)
        return self._showing.page(name, asked.by, said.status, one=one, **shown)
