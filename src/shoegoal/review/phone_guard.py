"""Who comes in from a phone: whoever holds a slip, and to nothing but their own clips."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shoegoal.record.book import Book
from shoegoal.record.slips import SlipHolder, holder_of
from shoegoal.review.guard import LOOPBACK_HOSTS, SAFE, Entrance

PLACE = "/h"  # short: it stands in every QR code
SLIP_COOKIE = "shoegoal_slip"
REMEMBERED_S = 400 * 24 * 3600  # the longest that browsers keep a cookie (RFC 6265bis, 5.5)
LONGEST_FORM_BYTES = 16_384
_HEADERS = {
    # As the teacher's page, and besides: the clip that is being sent may be shown from the phone.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' blob:; media-src 'self' blob:; connect-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # the address of a slip holds its secret
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True)
class PhoneAsked:
    """What a pupil's page is asked for.

    Attributes
    ----------
    request : with what stands in the address.
    by : whose slip it is.
    form : what was sent; empty for a page that is only looked at.
    """

    request: Request
    by: SlipHolder
    form: FormData

    @property
    def token(self) -> str:
        """Which clip, as the address names it."""
        return str(self.request.path_params["token"])


class PhoneGuard:
    """ASGI middleware that turns strangers' requests away and hardens every answer."""

    def __init__(self, app: ASGIApp, entrance: Entrance) -> None:
        self._app = app
        self._entrance = entrance

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_hardened(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        answer = self._refusal(Request(scope))
        await (answer or self._app)(scope, receive, send_hardened)

    def _refusal(self, request: Request) -> Response | None:
        if self._entrance.with_accounts:
            answer = self._entrance.refusal(request)  # another name, or no HTTPS
            if answer is not None:
                return answer
        elif request.url.hostname not in LOOPBACK_HOSTS:
            return PlainTextResponse("this page answers to this computer only", 421)
        if request.method in (*SAFE, "OPTIONS"):
            return None
        origin = request.headers.get("origin")
        if origin is None or urlsplit(origin).netloc != request.url.netloc:
            return PlainTextResponse("that did not come from this page", 403)
        return None


def secret_of(request: Request) -> str:
    """Secret that the phone remembers; empty where it remembers none."""
    return request.cookies.get(SLIP_COOKIE, "")


def find_holder(book: Book, secret: str) -> SlipHolder | None:
    """Say whose a secret is."""
    if not secret:
        return None
    with book.reading() as connection:
        return holder_of(connection, secret)


def remember(answer: Response, secret: str, *, secure: bool) -> None:
    """Let the phone remember its slip."""
    answer.set_cookie(
        SLIP_COOKIE, secret, max_age=REMEMBERED_S, path=PLACE, secure=secure, httponly=True,
        samesite="lax",
    )  # fmt: skip


def pupil_route(
    book: Book, method: str, path: str, answer: Callable[[PhoneAsked], Response]
) -> Route:
    """Make a route for whoever holds a slip; others are asked for theirs."""

    async def enter(request: Request) -> Response:
        holder = await run_in_threadpool(find_holder, book, secret_of(request))
        if holder is None:
            if method == "GET":
                return RedirectResponse(f"{PLACE}/slip", 303)
            raise HTTPException(403, "open this page with your slip first")
        if method == "GET":
            return await run_in_threadpool(answer, PhoneAsked(request, holder, FormData()))
        length = request.headers.get("content-length", "")
        if not length.isdecimal() or int(length) > LONGEST_FORM_BYTES:
            raise HTTPException(413, "that is no form of this page")
        async with request.form(max_files=0, max_fields=10) as form:
            return await run_in_threadpool(answer, PhoneAsked(request, holder, form))

    return Route(path, enter, methods=[method])
