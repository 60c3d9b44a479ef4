"""Access to the page: by a key on this computer, by login from another one, by slip from a phone.

Every user of the computer and every page in its browsers can reach the loopback address. So the
page asks for an unguessable key. It is part of the address that `shoegoal review` prints, and then
held by a cookie that no other site can send. A page for other computers asks for an account
instead, and answers over HTTPS only. A slip gives access to the pupil's own clips and nothing else.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shoegoal.errors import ShoegoalError
from shoegoal.record.accounts import log_in, log_out, session_of
from shoegoal.record.book import Book
from shoegoal.record.class_settings import SlipHolder, holder_of
from shoegoal.review.routes import (
    CSRF_FIELD,
    EVERYBODY,
    LOGIN,
    Asked,
    PageRoute,
    Visitor,
    token_fits,
)
from shoegoal.review.showing import Showing, status_of

KEY_COOKIE = "shoegoal_key"
KEY_FIELD = "key"
# RFC 6265bis: browsers accept this name only with Secure and without Domain.
SESSION_COOKIE = "__Host-shoegoal"
LOOPBACK_HOSTS = ("127.0.0.1", "localhost")
SAFE = ("GET", "HEAD", "OPTIONS")  # RFC 9110, 9.2.1
LONGEST_FORM_BYTES, LONGEST_PATH = 65_536, 1_000
NEXT_PART_WITHIN_S, FORM_WITHIN_S = 30.0, 60.0
_log = logging.getLogger("uvicorn.error")
_HEADERS = {
    # Nothing from other sites, no inline scripts or styles, no framing.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src {media}; media-src {media}; connect-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'",
    "x-content-type-options": "nosniff",
    # Not "no-referrer": it would remove the origin from our own forms (Fetch, 3.2).
    "referrer-policy": "same-origin",  # and the address of a slip holds its secret
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",  # browsers must not keep children's pictures
}
_HTTPS_HEADERS = {"strict-transport-security": "max-age=31536000"}
# After a redirect, the request would still count as started by another site or program, and the
# browser would not send the strict cookie. So a page of our own leads on.
_WELCOME = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>shoegoal</title>'
    '<link rel="icon" href="/static/icon.svg">'
    '<meta http-equiv="refresh" content="0; url=/"><p><a href="/">Continue</a></p></html>'
)
# Nobody is logged in yet, so a separate cookie holds the form's token.
FORM_COOKIE = "__Host-shoegoal-login"
_COOKIE: dict[str, Any] = {"secure": True, "httponly": True, "samesite": "lax", "path": "/"}
PLACE = "/h"  # short, because every QR code holds it
SLIP_COOKIE = "shoegoal_slip"
REMEMBERED_S = 400 * 24 * 3600  # the longest that browsers keep a cookie (RFC 6265bis, 5.5)


class Entrance(Protocol):
    """How visitors are identified."""

    with_accounts: bool

    def refusal(self, request: Request) -> Response | None:
        """Refuse another site's name, or plain HTTP where HTTPS is needed."""
        ...

    def challenge(self, request: Request) -> Response | None:
        """Answer visitors without access, or with the key in the address; None for others."""
        ...

    def visitor(self, request: Request) -> Visitor | None:
        """Return the visitor; None for a stranger."""
        ...


class KeyEntrance:
    """For this computer only: anybody with this run's key is the teacher."""

    with_accounts = False

    def __init__(self, key: str) -> None:
        self._key = key
        self._visitor = Visitor.with_key(key)

    def refusal(self, request: Request) -> Response | None:
        """Refuse other host names."""
        if request.url.hostname not in LOOPBACK_HOSTS:
            return PlainTextResponse("this page is for this computer only", 421)
        return None

    def challenge(self, request: Request) -> Response | None:
        """Refuse visitors without the key; take the key out of the address."""
        given = request.query_params.get(KEY_FIELD)
        if given is not None and request.method in SAFE and self._fits(given):
            answer = HTMLResponse(_WELCOME)
            answer.set_cookie(KEY_COOKIE, self._key, httponly=True, samesite="strict", path="/")
            return answer
        if not self._fits(request.cookies.get(KEY_COOKIE, "")):
            return PlainTextResponse(
                "open the whole address that shoegoal review printed; it holds the key", 403
            )
        return None

    def visitor(self, request: Request) -> Visitor:
        """Return the teacher: only visitors with the key get here."""
        return self._visitor

    def _fits(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._key.encode())


class AccountEntrance:
    """For other computers: a login, and HTTPS only.

    Parameters
    ----------
    book : with accounts and sessions.
    host : the page's name for browsers, as `site_name` writes it.
    """

    with_accounts = True

    def __init__(self, book: Book, host: str) -> None:
        self._book = book
        self._host = host

    def refusal(self, request: Request) -> Response | None:
        """Refuse other host names and plain HTTP."""
        if site_name(request.url.netloc, request.url.scheme) != self._host:
            return PlainTextResponse("this page has another name", 421)
        if request.url.scheme != "https":
            return PlainTextResponse("open this page with https://", 403)
        return None

    def challenge(self, request: Request) -> Response | None:
        """Allow everybody to reach the login."""
        return None

    def visitor(self, request: Request) -> Visitor | None:
        """Return the visitor of a valid session."""
        token = request.cookies.get(SESSION_COOKIE, "")
        session = session_of(self._book, token) if token else None
        return None if session is None else Visitor.logged_in(session)


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the site that a `Guard` protects.

    Attributes
    ----------
    asks_who : for the teacher's pages, where visitors have a key or an account. Pupils have a slip,
        which their pages check themselves.
    shows_blobs : pictures and clips may come from the page's memory: it shows the clip that the
        phone is sending.
    uploads : addresses below this one accept uploads; empty for none.
    """

    asks_who: bool = True
    shows_blobs: bool = False
    uploads: str = ""

    def headers(self, *, https: bool) -> dict[str, str]:
        """Return the security headers of every answer."""
        media = "'self' blob:" if self.shows_blobs else "'self'"
        hardened = {name: value.format(media=media) for name, value in _HEADERS.items()}
        return hardened | (_HTTPS_HEADERS if https else {})

    def takes_uploads(self, path: str) -> bool:
        """Whether an address accepts uploads."""
        return bool(self.uploads) and path.startswith(self.uploads)


class Guard:
    """ASGI middleware that identifies visitors, refuses strangers and adds security headers."""

    def __init__(
        self,
        app: ASGIApp,
        entrance: Entrance,
        trouble: Callable[[Request, Exception], Response],
        part: Part,
    ) -> None:
        self._app = app
        self._entrance = entrance
        self._trouble = trouble
        self._part = part

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on with its visitor in ``request.state``."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        hardened = self._part.headers(https=self._entrance.with_accounts)

        async def send_hardened(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in hardened.items():
                    headers[name] = value
            await send(message)

        begun = False

        async def send_once(message: Message) -> None:
            nonlocal begun
            begun = begun or message["type"] == "http.response.start"
            await send_hardened(message)

        uploads = self._part.takes_uploads(scope["path"])
        in_time = _in_time(receive, float("inf") if uploads else FORM_WITHIN_S)
        try:
            await self._answer(scope, in_time, send_once)
        except ClientDisconnect:  # gone, or taking too long
            answer = PlainTextResponse("the rest of the request did not arrive", 408)
            await answer(scope, receive, send_hardened)
        except Exception:
            if begun:
                raise
            _log.exception("this is a fault in shoegoal: please report it")
            answer = PlainTextResponse("this is a fault in shoegoal; nothing was stored", 500)
            await answer(scope, receive, send_hardened)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        answer = _nameless(request) or self._entrance.refusal(request)
        if self._part.asks_who:
            answer = answer or self._entrance.challenge(request)
        answer = answer or self._foreign_or_long(request)
        # State, not a header, because a browser can send any header.
        request.state.visitor = None
        if answer is None and self._part.asks_who:
            try:
                request.state.visitor = await run_in_threadpool(self._entrance.visitor, request)
            except ShoegoalError as error:
                answer = self._trouble(request, error)
        await (answer or self._app)(scope, receive, send)

    def _foreign_or_long(self, request: Request) -> Response | None:
        if request.method in SAFE:
            return None
        if not _same_origin(request):
            return PlainTextResponse("this form came from another page; load it again", 403)
        if self._part.takes_uploads(request.url.path):
            return None
        length = request.headers.get("content-length", "")
        if not length.isdecimal() or len(length) > 12 or int(length) > LONGEST_FORM_BYTES:
            return PlainTextResponse("this is not a form of this page; load the page again", 413)
        return None


def site_name(netloc: str, scheme: str) -> str:
    """Write name and port in the form in which they are compared (RFC 3986, 6.2.3)."""
    name = netloc.lower()
    return name.removesuffix({"https": ":443", "http": ":80"}.get(scheme, ""))


def _in_time(receive: Receive, whole_within_s: float) -> Receive:
    """Wait for the next part of a request, with a time limit for each part and for all of them."""
    is_whole = False  # then it is the browser that waits, without a limit
    until = time.monotonic() + whole_within_s

    async def receive_in_time() -> Message:
        nonlocal is_whole
        if is_whole:
            return await receive()
        left_s = min(NEXT_PART_WITHIN_S, until - time.monotonic())
        try:
            message = await asyncio.wait_for(receive(), left_s)
        except TimeoutError:
            return {"type": "http.disconnect"}
        is_whole = not message.get("more_body", False)
        return message

    return receive_in_time


def _nameless(request: Request) -> Response | None:
    """Refuse an impossible host or address."""
    try:
        named = request.url.hostname
    except ValueError:
        named = None
    if len(request.url.path) > LONGEST_PATH:
        return PlainTextResponse("that address is too long", 414)
    return None if named else PlainTextResponse("that is not an address of this page", 400)


def _same_origin(request: Request) -> bool:
    """Whether our own page sent the form; browsers send the origin of every POST."""
    try:
        origin = urlsplit(request.headers.get("origin", ""))
    except ValueError:
        return False
    here = site_name(request.url.netloc, request.url.scheme)
    return bool(origin.netloc) and site_name(origin.netloc, origin.scheme) == here


class LoginPages:
    """The pages that are open to strangers."""

    def __init__(self, book: Book, showing: Showing) -> None:
        self._book = book
        self._showing = showing

    def open_routes(self) -> list[Route]:
        """List the routes that are open to everybody."""
        return [
            Route(LOGIN, self._form, methods=["GET"]),
            Route(LOGIN, self._enter, methods=["POST"]),
        ]

    def routes(self) -> list[PageRoute]:
        """List the other routes."""
        return [PageRoute("POST", "/logout", EVERYBODY, self._leave)]

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


@dataclass(frozen=True, slots=True)
class PhoneAsked:
    """A request to a pupil's page.

    Attributes
    ----------
    request : with the values from the address.
    by : the pupil whose slip it is.
    form : the form that was sent; empty for GET.
    """

    request: Request
    by: SlipHolder
    form: FormData

    @property
    def token(self) -> str:
        """The clip's name in the address."""
        return str(self.request.path_params["token"])


def secret_of(request: Request) -> str:
    """Return the secret that the phone has stored; empty where there is none."""
    return request.cookies.get(SLIP_COOKIE, "")


def find_holder(book: Book, secret: str) -> SlipHolder | None:
    """Find the pupil of a secret."""
    if not secret:
        return None
    with book.reading() as connection:
        return holder_of(connection, secret)


def remember(answer: Response, secret: str, *, secure: bool) -> None:
    """Store the slip's secret on the phone."""
    answer.set_cookie(
        SLIP_COOKIE, secret, max_age=REMEMBERED_S, path=PLACE, secure=secure, httponly=True,
        samesite="lax",
    )  # fmt: skip


def pupil_route(
    book: Book, method: str, path: str, answer: Callable[[PhoneAsked], Response]
) -> Route:
    """Make a route for pupils with a slip; others are asked for their slip."""

    async def enter(request: Request) -> Response:
        holder = await run_in_threadpool(find_holder, book, secret_of(request))
        if holder is None:
            if method == "GET":
                return RedirectResponse(f"{PLACE}/slip", 303)
            raise HTTPException(403, "open this page with your slip first")
        if method == "GET":
            return await run_in_threadpool(answer, PhoneAsked(request, holder, FormData()))
        async with request.form(max_files=0, max_fields=10) as form:
            return await run_in_threadpool(answer, PhoneAsked(request, holder, form))

    return Route(path, enter, methods=[method])
