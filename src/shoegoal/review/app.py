"""The page's addresses and what answers at each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from shoegoal.errors import (
    BadSettingsError,
    NotYetCertainError,
    RecordChangedError,
    ShoegoalError,
)
from shoegoal.record.book import Book
from shoegoal.record.history import SetHistory, load_set, load_sets
from shoegoal.record.plain import summary
from shoegoal.record.queue import waiting_sets
from shoegoal.review.actions import ACTIONS
from shoegoal.review.guard import Guard
from shoegoal.review.media import Clips, markers_of, strip_of
from shoegoal.review.views import queue_rows, view_of

HERE = Path(__file__).parent
_STATUS = (
    (RecordChangedError, 409),
    (NotYetCertainError, 409),
    (BadSettingsError, 422),
    (ShoegoalError, 500),
)


class _Pages:
    """The answers, over one book."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._clips = Clips()
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=select_autoescape(),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def queue(self, request: Request) -> Response:
        with self._book.reading() as connection:
            waiting = queue_rows(waiting_sets(connection))
            signed = [summary(history, None) for history in load_sets(connection, signed=True)]
        return self._page("queue.html", waiting=waiting, signed=queue_rows(signed))

    def one_set(self, request: Request) -> Response:
        return self._set_page(self._history(request), said="", trouble="", status=200)

    async def act(self, request: Request) -> Response:
        """Do what a form asks; only the part that changed goes back to a page that can take it."""
        do, done = ACTIONS[request.path_params["action"]]
        async with request.form(max_files=0, max_fields=20) as form:
            return await run_in_threadpool(self._act, request, form, do, done)

    def clip(self, request: Request) -> Response:
        return self._clips.answer(self._history(request))

    def strip(self, request: Request) -> Response:
        return strip_of(self._history(request), request.path_params["number"])

    def markers(self, request: Request) -> Response:
        return markers_of(self._history(request))

    def trouble(self, request: Request, error: Exception) -> Response:
        """Say any refusal on a page of its own."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status, words = _status_of(error), str(error)
        return self._page("trouble.html", status_code=status, words=words)

    def _act(self, request: Request, form: FormData, do: Any, done: str) -> Response:
        set_id = request.path_params["set_id"]
        said, trouble, status = done, "", 200
        try:
            do(self._book, set_id, form)
        except ShoegoalError as error:
            said, trouble, status = "", str(error), _status_of(error)
        if status == 200 and "hx-request" not in request.headers:
            return RedirectResponse(f"/sets/{set_id}", 303)
        history = self._history(request)
        part = "work.html" if "hx-request" in request.headers else "set.html"
        return self._set_page(history, said, trouble, status, part)

    def _history(self, request: Request) -> SetHistory:
        with self._book.reading() as connection:
            try:
                return load_set(connection, request.path_params["set_id"])
            except BadSettingsError as error:
                raise HTTPException(404, str(error)) from error

    def _set_page(
        self, history: SetHistory, said: str, trouble: str, status: int, part: str = "set.html"
    ) -> Response:
        one = view_of(history)
        return self._page(part, status, one=one, said=said, trouble=trouble)

    def _page(self, name: str, status_code: int = 200, **shown: Any) -> HTMLResponse:
        return HTMLResponse(self._templates.get_template(name).render(**shown), status_code)


def _status_of(error: Exception) -> int:
    return next(status for kind, status in _STATUS if isinstance(error, kind))


def make_app(book: Book, key: str) -> Starlette:
    """Build the application.

    Parameters
    ----------
    book : the record book.
    key : that every request has to bring; see `shoegoal.review.guard`.
    """
    pages = _Pages(book)
    routes: list[Any] = [
        Route("/", pages.queue),
        Route("/sets/{set_id:int}", pages.one_set),
        Route("/sets/{set_id:int}/clip", pages.clip),
        Route("/sets/{set_id:int}/markers.jpg", pages.markers),
        Route("/sets/{set_id:int}/shots/{number:int}.jpg", pages.strip),
        Mount("/static", StaticFiles(directory=HERE / "static")),
    ]
    routes += [
        Route(f"/sets/{{set_id:int}}/{name}", _acting(pages, name), methods=["POST"])
        for name in ACTIONS
    ]
    handlers: Any = {HTTPException: pages.trouble, ShoegoalError: pages.trouble}
    return Starlette(
        routes=routes, exception_handlers=handlers, middleware=[Middleware(Guard, key=key)]
    )


def _acting(pages: _Pages, name: str) -> Any:
    async def act(request: Request) -> Response:
        request.path_params["action"] = name
        return await pages.act(request)

    return act
