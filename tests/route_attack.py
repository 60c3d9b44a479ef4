"""Every route of the page, tried by everybody with every method, and the allowed results.

The allowed results come from the table of `test_review_accounts`, which a person wrote,
not from the routes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import MetaData, select
from starlette.routing import BaseRoute, Mount, Route
from starlette.testclient import TestClient

from page_server import KEY
from review_people import COACH, HOST, OTHER, SITE, STUDENT, TEACHER, SchoolBrowser
from shoegoal.analysis.model import StageRecord
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.class_settings import holder_of, make_slips, remember_class, settings_of
from shoegoal.record.filing import enrol
from shoegoal.record.handed_in import begin
from shoegoal.review.guard import SLIP_COOKIE, AccountEntrance, KeyEntrance
from shoegoal.review.serve import make_app

# RFC 9110, 9.3, RFC 5789, RFC 4918, and one that there is not.
METHODS = ("GET", "HEAD", "OPTIONS", "TRACE", "POST", "PUT", "PATCH", "DELETE", "PROPFIND", "BREW")
SAFE = ("GET", "HEAD", "OPTIONS", "TRACE")
SLIP = "the slip of"
NUMBERS = {"set_id": "1", "number": "1", "round": "1", "place": "1", "clip_id": "99",
           "time_ms": "1500", "moment": "line"}  # fmt: skip
HARDENED = ("content-security-policy", "x-content-type-options", "cache-control", "referrer-policy")
COMES_AND_GOES = ("sessions", "login_tries")


@dataclass(frozen=True)
class Knock:
    """One request and its answer.

    Attributes
    ----------
    who : name of an account, or what they bring; "" for nobody.
    method, path, address : path as the route has it, and filled in.
    origin : of the page that it says it comes from.
    status, hardened : of the answer.
    """

    who: str
    method: str
    path: str
    address: str
    origin: str
    status: int
    hardened: bool

    def __str__(self) -> str:
        return f"{self.who or 'nobody'}: {self.method} {self.address} -> {self.status}"


def slips_and_a_clip(book: Book) -> tuple[dict[str, str], str]:
    """Give two pupils slips, and the first a clip that is being sent; return secrets and token."""
    pupils = ["Otter 77", "Heron 77"]
    with book.writing() as connection:
        enrol(connection, "7z", pupils, 0)
        remember_class(connection, "7z")
        settings = settings_of(connection, "7z")
        assert settings is not None
        slips = make_slips(connection, settings, pupils, again=True)
        stage = load_ladder().stage_by_name("five-of-ten")
        otter = next(slip for slip in slips if slip.pupil.startswith("Otter"))
        holder = holder_of(connection, otter.secret)
        assert holder is not None
        clip = begin(
            connection, holder.pupil_id, settings.ladder_id, StageRecord.of(stage),
            Path("nowhere"), "clip.mp4", 1000,
        )  # fmt: skip
    return {slip.pupil: slip.secret for slip in slips}, clip.token


def knocks(book: Book) -> Iterator[Knock]:
    """Try them all, without the token of a form; `review_people.people` are in the book."""
    secrets, token = slips_and_a_clip(book)
    app = make_app(book, AccountEntrance(book, HOST))
    phones, teachers = app.routes
    for name in ("", STUDENT, OTHER, COACH, TEACHER):
        browser = SchoolBrowser(book)
        if name:
            assert browser.log_in(name).status_code == 303
        yield from _knocked(browser, name, teachers, SITE, {})
    for pupil, secret in {"": "", **secrets}.items():
        browser = SchoolBrowser(book)
        browser.cookies.set(SLIP_COOKIE, secret, path="/h")
        filled = {"token": token, "code": "abc", "secret": "WRONG-CODE"}
        yield from _knocked(browser, f"{SLIP} {pupil}" if pupil else "", phones, SITE, filled)
    here = "http://127.0.0.1"
    stranger = TestClient(
        make_app(book, KeyEntrance(KEY)), base_url=here, headers={"origin": here},
        follow_redirects=False,
    )  # fmt: skip
    yield from _knocked(stranger, "no key", teachers, here, {})


def _knocked(
    browser: TestClient, who: str, part: BaseRoute, site: str, filled: dict[str, str]
) -> Iterator[Knock]:
    assert isinstance(part, Mount)
    paths = {
        part.path + (f"{route.path}/style.css" if isinstance(route, Mount) else route.path)
        for route in part.routes
        if isinstance(route, (Mount, Route))
    }
    for path in sorted(paths):
        address = path.replace(":int", "")
        for name, value in (NUMBERS | filled).items():
            address = address.replace(f"{{{name}}}", value)
        for method in METHODS:
            for origin in (site,) if method in SAFE else (site, "https://evil.example"):
                their_own = who.startswith(f"{SLIP} Otter") and "/clips/" in path
                if their_own and method == "POST" and origin == site:
                    continue
                answer = browser.request(method, address, headers={"origin": origin})
                hardened = all(name in answer.headers for name in HARDENED)
                yield Knock(who, method, path, address, origin, answer.status_code, hardened)


def complaint(knock: Knock, table: Mapping[tuple[str, str], tuple[int, ...]]) -> str | None:
    """Say what should not have come of a knock; None where all is well."""
    if knock.status >= 500 or not knock.hardened:
        return "a fault" if knock.status >= 500 else "an answer without its headers"
    went_in = knock.status < 300
    if knock.method not in SAFE:
        if "evil" in knock.origin and knock.status != 403:
            return "another site's request was heard"
        # Forgetting one's own slip, which hurts nobody, is all that needs no token.
        if knock.path in ("/h/forget", "/h/slip"):
            return None if knock.status in (303, 403, 404, 405, 413) else "let in"
        return "done without a form's token" if knock.status < 400 else None
    if knock.method == "OPTIONS":
        return "told" if went_in and "/uploads" not in knock.path else None
    if knock.method == "TRACE":
        return "echoed" if went_in else None  # RFC 9110, 9.3.8
    if not went_in:
        return None
    if knock.path.startswith("/h"):
        is_open = knock.path.startswith(("/h/static", "/h/slip"))
        needs = "Otter" if "{token}" in knock.path else SLIP
        return None if is_open or needs in knock.who else "let in without their slip"
    if knock.path.startswith("/static"):
        return None if knock.who != "no key" else "let in without the key"
    place = ["", STUDENT, OTHER, COACH, TEACHER].index(knock.who) if knock.who != "no key" else 0
    row = table.get(("GET", knock.path))
    return None if row is not None and row[place] == 200 else "let in"


def content_of(book: Book) -> dict[str, list[tuple[object, ...]]]:
    """Everything in the book but who is logged in."""
    tables = MetaData()
    with book.reading() as connection:
        tables.reflect(connection)
        return {
            name: [tuple(row) for row in connection.execute(select(table))]
            for name, table in tables.tables.items()
            if name not in COMES_AND_GOES
        }
