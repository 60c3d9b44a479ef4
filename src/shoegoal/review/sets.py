"""The pages about single sets: what is asked about them, their clip and pictures, their forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, unquote

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from shoegoal.errors import BadSettingsError, RecordChangedError, ShoegoalError
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.pictures import MOMENTS
from shoegoal.record.states import LOOK, TO_SIGN
from shoegoal.review.actions import ACTIONS, Action
from shoegoal.review.doors import OWNERS, TEACHERS, Asked, Door
from shoegoal.review.glances import Overview, Wanted, bring_up_to_date, overview, waiting_for
from shoegoal.review.media import Clips, Pictures
from shoegoal.review.showing import Showing, status_of
from shoegoal.review.views import old_view_of, view_of

NAME_COOKIE = "shoegoal_name"
NAME_KEPT_S = 400 * 24 * 3600


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
            Door("GET", one, OWNERS, self._one_set),
            Door("GET", f"{one}/clip", OWNERS, self._clip),
            Door("GET", f"{one}/markers", TEACHERS, self._markers),
            Door("GET", f"{one}/goal.jpg", TEACHERS, self._goal),
            Door("GET", f"{one}/glance.jpg", OWNERS, self._glance),
            Door("GET", f"{one}/shots/{{number:int}}.jpg", OWNERS, self._strip),
            Door("GET", f"{one}/at/{{time_ms:int}}/{{moment}}.jpg", OWNERS, self._moment),
            *(
                Door("POST", f"{one}/{name}", TEACHERS, self._acting(action))
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
        """Show a still in which both markers are pointed at."""
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
            """Do what a form asks; only what changed goes back to a page that can take it in."""
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
        """Say where to go on: after a signature to the next set that needs a look."""
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
        """Give what stands around every page about sets."""
        wanted = wanted_of(asked)
        seen: Overview | None = None
        if asked.by.is_teacher:
            bring_up_to_date(self._book)
            with self._book.reading() as connection:
                seen = overview(connection, wanted)
        return {"seen": seen, "wanted": wanted, "signer": name_of(asked)}


def wanted_of(asked: Asked) -> Wanted:
    """Read from an address, or from a form, which sets somebody is at."""
    given = asked.request.query_params

    def field(name: str) -> str:
        sent = asked.form.get(f"in_{name}", "")
        return given.get(name, sent if isinstance(sent, str) else "")[:80].strip()

    return Wanted(field("class"), field("stage"), field("words"))


def name_of(asked: Asked) -> str:
    """Name under which somebody signs: the account's, or the one typed last in this browser."""
    return asked.by.name or unquote(asked.request.cookies.get(NAME_COOKIE, ""))[:80]


def remember_name(answer: Response, name: str) -> None:
    """Let the browser remember the name that was typed."""
    answer.set_cookie(
        NAME_COOKIE, quote(name), max_age=NAME_KEPT_S, httponly=True, samesite="strict", path="/"
    )
