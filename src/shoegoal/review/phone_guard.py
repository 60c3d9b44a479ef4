"""Access from a phone: by a slip, and only to the pupil's own clips."""

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

PLACE = "/h"  # short, because every QR code holds it
SLIP_COOKIE = "shoegoal_slip"
REMEMBERED_S = 400 * 24 * 3600  # the longest that browsers keep a cookie (RFC 6265bis, 5.5)


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
