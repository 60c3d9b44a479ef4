"""Every address of the page with the roles that it is open to, and what answers there.

A page that nobody gave a role to is open to no one: there is no other way to make a route.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable
from dataclasses import dataclass, field

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shoegoal.record.accounts import Role
from shoegoal.review.visitor import Visitor

TEACHERS = frozenset({Role.TEACHER})
CHECKERS = frozenset({Role.TEACHER, Role.COACH})
OWNERS = frozenset({Role.TEACHER, Role.STUDENT})  # a student sees their own sets alone
EVERYBODY = frozenset(Role)
CSRF_FIELD = "csrf"
LOGIN = "/login"
LARGEST_NUMBER = 2**31 - 1  # of a set, a round or a shot, as PostgreSQL keeps them
MOST_FIELDS = 120  # a sheet of sets that are signed together sends one for each


@dataclass(frozen=True, slots=True)
class Asked:
    """What a page is asked for.

    Attributes
    ----------
    request : with what stands in the address.
    by : who asks.
    form : what was sent with it; empty for a page that is only looked at.
    """

    request: Request
    by: Visitor
    form: FormData = field(default_factory=FormData)

    def number(self, name: str) -> int:
        """Part of the address that its pattern lets be a whole number only.

        Raises
        ------
        HTTPException
            404 where it is larger than any number in the book.
        """
        number = int(self.request.path_params[name])
        if number > LARGEST_NUMBER:
            raise HTTPException(404, "there is no such page")
        return number

    @property
    def wants_a_part(self) -> bool:
        """Whether a page that is open already takes the changed part in."""
        return "hx-request" in self.request.headers


@dataclass(frozen=True, slots=True)
class Door:
    """An address.

    Attributes
    ----------
    method, path : GET to look, POST to do; the path as Starlette writes patterns.
    roles : that may come in.
    answer : what happens there.
    """

    method: str
    path: str
    roles: frozenset[Role]
    answer: Callable[[Asked], Response]

    def route(self) -> Route:
        """Make the route, which asks for role and token before anything else."""

        async def enter(request: Request) -> Response:
            visitor: Visitor | None = request.state.visitor
            if visitor is None:
                if self.method == "GET":
                    return RedirectResponse(LOGIN, 303)
                raise HTTPException(403, "log in first: this page waited for too long")
            if visitor.role not in self.roles:
                raise HTTPException(403, f"this is not open to a {visitor.role.value}")
            if self.method == "GET":
                return await run_in_threadpool(self.answer, Asked(request, visitor))
            async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
                if not token_fits(form.get(CSRF_FIELD), visitor.csrf):
                    raise HTTPException(403, "that form is not of this login; load the page again")
                return await run_in_threadpool(self.answer, Asked(request, visitor, form))

        return Route(self.path, enter, methods=[self.method])


def token_fits(given: object, token: str) -> bool:
    """Compare a form's token in a time that tells nothing."""
    return isinstance(given, str) and hmac.compare_digest(given.encode(), token.encode())
