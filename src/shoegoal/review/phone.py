"""The pupil's pages: the next stage, sending a clip, and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.record.book import Book
from shoegoal.record.class_settings import settings_by_code
from shoegoal.record.handed_in import (
    ClipState,
    HandedIn,
    by_token,
    clips_of,
    count_again,
    move,
)
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.slips import SlipHolder
from shoegoal.review.above import seen_from_above
from shoegoal.review.actions import pointed_at
from shoegoal.review.guard import Entrance, Guard, Part
from shoegoal.review.phone_guard import (
    PLACE,
    SLIP_COOKIE,
    PhoneAsked,
    find_holder,
    pupil_route,
    remember,
    secret_of,
)
from shoegoal.review.phone_views import clip_view, set_up_view, task_of
from shoegoal.review.showing import HERE, Showing, status_of
from shoegoal.review.tus import UPLOADS, Uploads, set_aside, settle
from shoegoal.scale.results import PupilResults, form_hints, pupil_results
from shoegoal.scale.work import FOUND_NAME, PLAIN_NAME

MOST_LISTED = 20
# No set has come of these; one that is being counted is left to its end.
_MAY_BE_FILMED_AGAIN = (
    ClipState.CHECKED,
    ClipState.RECEIVING,
    ClipState.WAITING,
    ClipState.NOT_COUNTED,
)


def make_phone_app(book: Book, entrance: Entrance, showing: Showing) -> Starlette:
    """Build what pupils reach, to be mounted at `PLACE`.

    Parameters
    ----------
    book, showing : the record book and the templates.
    entrance : of the teacher's page beside it: the same names and the same HTTPS.
    """
    pages = PhonePages(book, showing, secure=entrance.with_accounts)
    return Starlette(
        routes=[*Uploads(book).routes(), *pages.routes()],
        exception_handlers={HTTPException: pages.trouble, ShoegoalError: pages.trouble},
        middleware=[
            Middleware(
                Guard,
                entrance=entrance,
                trouble=pages.trouble,
                part=Part(asks_who=False, shows_blobs=True, uploads=UPLOADS),
            )
        ],
    )


class PhonePages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, *, secure: bool) -> None:
        self._book = book
        self._showing = showing
        self._secure = secure

    def routes(self) -> list[BaseRoute]:
        """List the addresses, as seen below `PLACE`."""
        one = "/clips/{token}"

        def pupil(method: str, path: str, answer: Callable[[PhoneAsked], Response]) -> Route:
            return pupil_route(self._book, method, path, answer)

        return [
            Mount("/static", StaticFiles(directory=HERE / "static")),
            pupil("GET", "/", self._home),
            Route("/slip", self._ask_slip, methods=["GET"]),
            Route("/slip", self._take_slip, methods=["POST"]),
            pupil("POST", "/forget", self._forget),
            pupil("GET", one, self._clip),
            pupil("GET", f"{one}/point", self._point),
            pupil("POST", f"{one}/point", self._pointed),
            pupil("POST", f"{one}/anyway", self._anyway),
            pupil("POST", f"{one}/again", self._again),
            *(
                pupil("GET", f"{one}/{name}", self._picture(name))
                for name in (FOUND_NAME, PLAIN_NAME)
            ),
            Route("/{code}", self._class, methods=["GET"]),
            Route("/{code}/{secret}", self._slip, methods=["GET"]),
        ]

    def trouble(self, request: Request, error: Exception) -> Response:
        """Say any refusal on a page."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status, words = status_of(error), str(error)
        return self._showing.page("phone/trouble.html", None, status, trouble=words, holder=None)

    async def _ask_slip(self, request: Request) -> Response:
        return self._slip_page("", 200)

    async def _class(self, request: Request) -> Response:
        """Open the class's link: whoever has shown a slip goes on, others are asked for theirs."""

        def find() -> tuple[SlipHolder | None, bool]:
            with self._book.reading() as connection:
                known = settings_by_code(connection, request.path_params["code"]) is not None
            return find_holder(self._book, secret_of(request)), known

        holder, known = await run_in_threadpool(find)
        if not known:
            raise HTTPException(404, "There is no such page. Scan the code on your slip again.")
        return RedirectResponse(f"{PLACE}/", 303) if holder else self._slip_page("", 200)

    async def _slip(self, request: Request) -> Response:
        return await self._open_with(str(request.path_params["secret"]))

    async def _take_slip(self, request: Request) -> Response:
        async with request.form(max_files=0, max_fields=5) as form:
            given = form.get("secret", "")
        return await self._open_with(given if isinstance(given, str) else "")

    async def _open_with(self, secret: str) -> Response:
        holder = await run_in_threadpool(find_holder, self._book, secret[:100])
        if holder is None:
            return self._slip_page("This is the code of no slip. Look at it once more.", 404)
        answer = RedirectResponse(f"{PLACE}/", 303)
        remember(answer, secret, secure=self._secure)
        return answer

    def _slip_page(self, trouble: str, status: int) -> Response:
        return self._showing.page("phone/slip.html", None, status, trouble=trouble, holder=None)

    def _forget(self, asked: PhoneAsked) -> Response:
        answer = RedirectResponse(f"{PLACE}/slip", 303)
        answer.delete_cookie(SLIP_COOKIE, path=PLACE)
        return answer

    def _home(self, asked: PhoneAsked) -> Response:
        holder = asked.by
        ladder = holder.settings.ladder
        with self._book.reading() as connection:
            results = pupil_results(connection, holder.pupil, ladder)
            clips = clips_of(connection, pupil_id=holder.pupil_id)
            clips = [one for one in clips if one.state is not ClipState.SET_ASIDE][:MOST_LISTED]
            shown = [clip_view(one, self._history(connection, one)) for one in clips]
        try:
            wanted = asked.request.query_params.get("stage")
            stage = ladder.stage_by_name(wanted) if wanted else results.next_stage
        except BadSettingsError:
            stage = results.next_stage
        return self._showing.page(
            "phone/home.html", None, holder=holder, stage=set_up_view(stage), clips=shown,
            is_next=stage == results.next_stage, is_finished=results.is_finished,
            others=[(one.name, one.title, task_of(one)) for one in ladder.all_stages
                    if one != stage],
        )  # fmt: skip

    def _clip(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        settle(self._book, clip)
        clip = self._own(asked)
        with self._book.reading() as connection:
            history = self._history(connection, clip)
            results = pupil_results(connection, clip.pupil, asked.by.settings.ladder)
        is_signed = history is not None and history.signature is not None
        result = _result(history, results) if history is not None and is_signed else None
        return self._showing.page(
            "phone/clip.html", None, one=clip_view(clip, history), holder=asked.by, result=result
        )

    def _point(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        view = clip_view(clip, None)
        if view.filmed is None or not _file(clip, PLAIN_NAME).is_file():
            raise HTTPException(404, "there is no picture of this clip to point in")
        return self._showing.page("phone/point.html", None, one=view, holder=asked.by)

    def _pointed(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        left, right = (pointed_at(str(asked.form.get(side, ""))) for side in ("left", "right"))
        if clip.state in (ClipState.CHECKED, ClipState.WAITING, ClipState.NOT_COUNTED):
            with self._book.writing(history=False) as connection:
                count_again(connection, clip, left, right)
        return self._back_to(clip)

    def _anyway(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        if clip.state is ClipState.CHECKED:
            with self._book.writing(history=False) as connection:
                move(connection, clip, ClipState.WAITING)
        return self._back_to(clip)

    def _again(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        if clip.state in _MAY_BE_FILMED_AGAIN:
            set_aside(self._book, clip)
        return RedirectResponse(f"{PLACE}/?stage={clip.stage.name}", 303)

    def _picture(self, name: str) -> Callable[[PhoneAsked], Response]:
        def answer(asked: PhoneAsked) -> Response:
            file = _file(self._own(asked), name)
            if not file.is_file():
                raise HTTPException(404, "there is no such picture")
            return FileResponse(file, media_type="image/jpeg")

        return answer

    def _own(self, asked: PhoneAsked) -> HandedIn:
        """Read the clip that an address names; one of somebody else's is not there."""
        with self._book.reading() as connection:
            clip = by_token(connection, asked.token)
        if clip is None or clip.pupil_id != asked.by.pupil_id:
            raise HTTPException(404, "There is no such clip of yours.")
        return clip

    def _history(self, connection: Connection, clip: HandedIn) -> SetHistory | None:
        return None if clip.set_id is None else load_set(connection, clip.set_id)

    def _back_to(self, clip: HandedIn) -> Response:
        return RedirectResponse(f"{PLACE}/clips/{clip.token}", 303)


def _file(clip: HandedIn, name: str) -> Path:
    return clip.clip_path.with_name(name)


def _result(history: SetHistory, results: PupilResults) -> dict[str, object]:
    """Work out what a signed set comes to, for its pupil."""
    above = None
    try:
        analysis = history.count.analysis()
        if analysis.scene is not None:
            above = seen_from_above(analysis, history.standing(analysis), near=True)
    except BadSettingsError:
        pass  # counted by another version; what was signed stands all the same
    step = results.verified
    return {
        "above": above,
        "next": "The whole ladder is climbed!" if results.is_finished
        else None if step.stage is None else step.stage.title,
        "next_task": None if step.stage is None else task_of(step.stage),
        "next_goal": results.next_goal,
        "hints": form_hints(history),
    }  # fmt: skip
