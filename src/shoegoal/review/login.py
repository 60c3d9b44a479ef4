"""Coming in with an account, and going again."""

from __future__ import annotations

import secrets
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shoegoal.errors import ShoegoalError
from shoegoal.record.book import Book
from shoegoal.record.logins import log_in, log_out
from shoegoal.review.doors import CSRF_FIELD, EVERYBODY, LOGIN, Asked, Door, token_fits
from shoegoal.review.guard import SESSION_COOKIE
from shoegoal.review.showing import Showing, status_of

# Nobody is logged in yet, so the form's token is held by a cookie of its own.
FORM_COOKIE = "__Host-shoegoal-login"
_COOKIE: dict[str, Any] = {"secure": True, "httponly": True, "samesite": "lax", "path": "/"}


class LoginPages:
    """The only pages that are open to strangers."""

    def __init__(self, book: Book, showing: Showing) -> None:
        self._book = book
        self._showing = showing

    def open_routes(self) -> list[Route]:
        """List what is open to everybody."""
        return [
            Route(LOGIN, self._form, methods=["GET"]),
            Route(LOGIN, self._enter, methods=["POST"]),
        ]

    def doors(self) -> list[Door]:
        """List the rest."""
        return [Door("POST", "/logout", EVERYBODY, self._leave)]

    async def _form(self, request: Request) -> Response:
        return self._show(200, "")

    async def _enter(self, request: Request) -> Response:
        async with request.form(max_files=0, max_fields=5) as form:
            name, password, token = (form.get(k) for k in ("name", "password", CSRF_FIELD))
        kept = request.cookies.get(FORM_COOKIE, "")
        if not kept or not token_fits(token, kept):
            return self._show(403, "the page was open for too long; please try again")
        if not isinstance(name, str) or not isinstance(password, str):
            return self._show(422, "give name and password")
        address = request.client.host if request.client else "unknown"
        try:
            entered = await run_in_threadpool(log_in, self._book, name, password, address)
        except ShoegoalError as error:
            return self._show(status_of(error), str(error))
        answer = RedirectResponse("/", 303)
        answer.set_cookie(SESSION_COOKIE, entered, **_COOKIE)
        answer.delete_cookie(FORM_COOKIE, **_COOKIE)
        return answer

    def _leave(self, asked: Asked) -> Response:
        log_out(self._book, asked.request.cookies.get(SESSION_COOKIE, ""))
        answer = RedirectResponse(LOGIN, 303)
        answer.delete_cookie(SESSION_COOKIE, **_COOKIE)
        return answer

    def _show(self, status: int, trouble: str) -> Response:
        token = secrets.token_urlsafe(32)
        answer = self._showing.page("login.html", None, status, csrf=token, trouble=trouble)
        answer.set_cookie(FORM_COOKIE, token, **_COOKIE)
        return answer
