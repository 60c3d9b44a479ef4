"""Who may open what: the roles, and a route that checks them first; the visitor and the request.

Each group of pages (`queue`, `sets`, `checks`) lists its addresses with their roles. There is no
other way to make a route, and one without roles is open to nobody.
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
OWNERS = frozenset({Role.TEACHER, Role.STUDENT})  # a student sees only their own sets
EVERYBODY = frozenset(Role)
CSRF_FIELD = "csrf"
LOGIN = "/login"
LARGEST_NUMBER = 2**31 - 1  # of a set, a round or a shot: a 32-bit integer in PostgreSQL
MOST_FIELDS = 120  # a sheet sends one for each set to sign


@dataclass(frozen=True, slots=True)
class Asked:
    """A request to a page.

    Attributes
    ----------
    request : with the values from the address.
    by : the visitor.
    form : the form that was sent; empty for GET.
    """

    request: Request
    by: Visitor
    form: FormData = field(default_factory=FormData)

    def number(self, name: str) -> int:
        """Return a whole number from the address.

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
        """Whether an open page asks for its changed part only."""
        return "hx-request" in self.request.headers


@dataclass(frozen=True, slots=True)
class PageRoute:
    """An address.

    Attributes
    ----------
    method, path : GET to show, POST to change; the path as a Starlette pattern.
    roles : that may open it.
    answer : makes the response.
    """

    method: str
    path: str
    roles: frozenset[Role]
    answer: Callable[[Asked], Response]

    def route(self) -> Route:
        """Make the route, which checks role and token first."""

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
                    raise HTTPException(403, "this form is from another login; load the page again")
                return await run_in_threadpool(self.answer, Asked(request, visitor, form))

        return Route(self.path, enter, methods=[self.method])


def token_fits(given: object, token: str) -> bool:
    """Compare a form's token in constant time, so that the time reveals nothing."""
    return isinstance(given, str) and hmac.compare_digest(given.encode(), token.encode())


@dataclass(frozen=True, slots=True)
class Visitor:
    """A visitor with access.

    Attributes
    ----------
    name : of their account, which is stored with all that they do; None for a visitor with a key,
        who types a name.
    role : what they may see and do.
    pupil_id, pupil : whose sets a student sees.
    class_name : the one class that a coach checks; None for all.
    csrf : token of each of their forms, unknown to other sites.
    """

    name: str | None
    role: Role
    pupil_id: int | None
    pupil: str | None
    class_name: str | None
    csrf: str

    @classmethod
    def with_key(cls, key: str) -> Visitor:
        """Make the teacher at this computer."""
        csrf = hmac.new(key.encode(), b"forms", hashlib.sha256).hexdigest()
        return cls(None, Role.TEACHER, None, None, None, csrf)

    @classmethod
    def logged_in(cls, session: Session) -> Visitor:
        """Make the visitor of an account."""
        one = session.account
        return cls(one.name, one.role, one.pupil_id, one.pupil, one.class_name, session.csrf)

    @property
    def is_teacher(self) -> bool:
        """Whether they may do everything."""
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
    """Read from an address or a form which sets are wanted."""
    given = asked.request.query_params

    def field(name: str) -> str:
        sent = asked.form.get(f"in_{name}", "")
        return given.get(name, sent if isinstance(sent, str) else "")[:80].strip()

    return Wanted(field("class"), field("stage"), field("words"))


def name_of(asked: Asked) -> str:
    """Return the signing name: the account's, or the one typed last in this browser."""
    return asked.by.name or unquote(asked.request.cookies.get(NAME_COOKIE, ""))[:80]


def remember_name(answer: Response, name: str) -> None:
    """Store the typed name in the browser."""
    answer.set_cookie(
        NAME_COOKIE, quote(name), max_age=NAME_KEPT_S, httponly=True, samesite="strict", path="/"
    )


def pointed_at(text: str) -> ImagePoint:
    """Read a place in a picture, ``X,Y`` px.

    Raises
    ------
    BadSettingsError
        It is not a place.
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
    """The wanted sets: a class, a stage, words of the pupil's name; empty for all."""

    class_name: str = ""
    stage: str = ""
    words: str = ""

    def fits(self, class_name: str, stage: str, pupil: str) -> bool:
        """Whether a clip is among them."""
        return (
            self.class_name in ("", class_name)
            and self.stage in ("", stage)
            and self.words.casefold() in pupil.casefold()
        )

    @property
    def query(self) -> str:
        """The same as a query string, passed on from page to page."""
        said = {"class": self.class_name, "stage": self.stage, "words": self.words}
        return urlencode({name: value for name, value in said.items() if value})
