"""Every address of the page with the roles that it is open to; who asks, and for what.

A page that nobody gave a role to is open to no one: there is no other way to make a route.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import quote, unquote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shoegoal.errors import BadSettingsError
from shoegoal.record.accounts import Role, Session
from shoegoal.types import ImagePoint

NAME_COOKIE = "shoegoal_name"
NAME_KEPT_S = 400 * 24 * 3600
FARTHEST_PX = 100_000.0
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
class PageRoute:
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
    """Compare a form's token in constant time, so that the time gives nothing away."""
    return isinstance(given, str) and hmac.compare_digest(given.encode(), token.encode())


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody who was let in.

    Attributes
    ----------
    name : of their account, under which all they do is written down; None for whoever was given
        the key of a page on this computer, who types it.
    role : what they may see and do.
    pupil_id, pupil : whose sets a student sees.
    class_name : the one class that a coach checks; None for all.
    csrf : that each of their forms carries, and no page of another site knows.
    """

    name: str | None
    role: Role
    pupil_id: int | None
    pupil: str | None
    class_name: str | None
    csrf: str

    @classmethod
    def with_key(cls, key: str) -> Visitor:
        """Whoever sits at this computer, as a teacher."""
        csrf = hmac.new(key.encode(), b"forms", hashlib.sha256).hexdigest()
        return cls(None, Role.TEACHER, None, None, None, csrf)

    @classmethod
    def logged_in(cls, session: Session) -> Visitor:
        """Somebody with an account."""
        one = session.account
        return cls(one.name, one.role, one.pupil_id, one.pupil, one.class_name, session.csrf)

    @property
    def is_teacher(self) -> bool:
        """Whether everything is open to them."""
        return self.role is Role.TEACHER

    def may_see_pupil(self, pupil_id: int) -> bool:
        """Whether sets of a pupil may be shown, name and tally included."""
        return self.is_teacher or (self.role is Role.STUDENT and self.pupil_id == pupil_id)

    def may_check_class(self, class_name: str) -> bool:
        """Whether shots of a class may be spot-checked."""
        if self.role is Role.STUDENT:
            return False
        return self.class_name is None or self.class_name == class_name


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


def pointed_at(text: str) -> ImagePoint:
    """Read a place in a picture, ``X,Y`` px.

    Raises
    ------
    BadSettingsError
        It is none.
    """
    try:
        x_px, y_px = (float(part) for part in text.split(","))
    except ValueError:
        x_px = y_px = math.nan
    if not (abs(x_px) < FARTHEST_PX and abs(y_px) < FARTHEST_PX):
        raise BadSettingsError("point at both markers first")
    return ImagePoint(x_px, y_px)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for: a class, a stage, words of the pupil's name; empty for all."""

    class_name: str = ""
    stage: str = ""
    words: str = ""

    def fits(self, class_name: str, stage: str, pupil: str) -> bool:
        """Whether a clip is among it."""
        return (
            self.class_name in ("", class_name)
            and self.stage in ("", stage)
            and self.words.casefold() in pupil.casefold()
        )

    @property
    def query(self) -> str:
        """The same as part of an address, to be carried from page to page."""
        said = {"class": self.class_name, "stage": self.stage, "words": self.words}
        return urlencode({name: value for name, value in said.items() if value})
