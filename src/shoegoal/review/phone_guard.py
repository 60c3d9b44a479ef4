"""Who comes in from a phone: whoever holds a slip, and to nothing but their own clips."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shoegoal.record.book import Book
from shoegoal.record.class_settings import SlipHolder, holder_of

PLACE = "/h"  # short: it stands in every QR code
SLIP_COOKIE = "shoegoal_slip"
REMEMBERED_S = 400 * 24 * 3600  # the longest that browsers keep a cookie (RFC 6265bis, 5.5)


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
        async with request.form(max_files=0, max_fields=10) as form:
            return await run_in_threadpool(answer, PhoneAsked(request, holder, form))

    return Route(path, enter, methods=[method])
