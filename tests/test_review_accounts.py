"""Who may open which page: every page with every role, logins, sessions and their limits."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY
from starlette.routing import Mount, Route

from review_people import (
    COACH,
    HOST,
    OTHER,
    PASSWORD,
    SITE,
    STUDENT,
    TEACHER,
    SchoolBrowser,
    people,
    quick_hashes,
)
from route_attack import Knock, complaint, content_of, knocks
from shoegoal.errors import BadSettingsError, NotLetInError, TooManyTriesError
from shoegoal.record import accounts
from shoegoal.record.accounts import (
    TRIES_WITHIN,
    Role,
    add_account,
    hash_password,
    list_accounts,
    log_in,
    log_out,
    login_of,
    password_fits,
    session_of,
    set_disabled,
    set_password,
)
from shoegoal.record.book import Book
from shoegoal.record.coaching import checks_of
from shoegoal.record.history import load_set
from shoegoal.record.verify import verify_book
from shoegoal.review.guard import SESSION_COOKIE, AccountEntrance
from shoegoal.review.serve import make_app
from shoegoal.review.sets import ACTIONS

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    quick_hashes(monkeypatch)


@pytest.fixture
def school(book: Book) -> Book:
    people(book)
    return book


# Status for: nobody logged in, the set's student, another student, a coach, a teacher.
# 303 leads on (to the login, to a coach's own page); 404 hides what is not theirs; 422 is a form
# that was let in and lacks what it asks for.
_DOING = (403, 403, 403, 403, 422)
_OWNING = (303, 200, 404, 403, 200)
TABLE: dict[tuple[str, str], tuple[int, int, int, int, int]] = {
    ("GET", "/static"): (200, 200, 200, 200, 200),
    ("GET", "/login"): (200, 200, 200, 200, 200),
    ("POST", "/login"): (403, 403, 403, 403, 403),  # without the token of its own form
    ("POST", "/logout"): (403, 303, 303, 303, 303),
    ("GET", "/"): (303, 200, 200, 303, 200),
    ("GET", "/sets/{set_id:int}"): _OWNING,
    ("GET", "/sets/{set_id:int}/clip"): (303, 404, 404, 403, 404),  # the clip is nowhere
    ("GET", "/sets/{set_id:int}/markers"): (303, 403, 403, 403, 404),
    ("GET", "/sets/{set_id:int}/goal.jpg"): (303, 403, 403, 403, 404),
    ("GET", "/sets/{set_id:int}/glance.jpg"): (303, 404, 404, 403, 404),
    ("GET", "/sets/{set_id:int}/at/{time_ms:int}/{moment}.jpg"): (303, 404, 404, 403, 404),
    ("GET", "/ready"): (303, 403, 403, 403, 200),
    ("POST", "/ready/sign"): _DOING,
    ("GET", "/signed"): (303, 403, 403, 403, 200),
    ("GET", "/clips/{clip_id:int}"): (303, 403, 403, 403, 404),
    ("GET", "/clips/{clip_id:int}/still.jpg"): (303, 403, 403, 403, 404),
    ("GET", "/clips/{clip_id:int}/clip"): (303, 403, 403, 403, 404),
    ("POST", "/clips/{clip_id:int}/point"): (403, 403, 403, 403, 404),
    ("POST", "/clips/{clip_id:int}/again"): (403, 403, 403, 403, 404),
    ("GET", "/sets/{set_id:int}/shots/{number:int}.jpg"): (303, 404, 404, 403, 404),
    ("POST", "/sets/{set_id:int}/answer"): _DOING,
    ("POST", "/sets/{set_id:int}/add"): _DOING,
    ("POST", "/sets/{set_id:int}/markers"): _DOING,
    ("POST", "/sets/{set_id:int}/note"): _DOING,
    ("POST", "/sets/{set_id:int}/looked"): _DOING,
    ("POST", "/sets/{set_id:int}/undo"): _DOING,
    ("POST", "/sets/{set_id:int}/sign"): _DOING,
    ("POST", "/sets/{set_id:int}/withdraw"): _DOING,
    ("GET", "/accuracy"): (303, 403, 403, 403, 200),
    ("GET", "/checks"): (303, 403, 403, 200, 200),
    ("POST", "/checks/draw"): (403, 403, 403, 422, 422),
    ("GET", "/checks/{round:int}"): (303, 403, 403, 200, 200),
    ("GET", "/checks/{round:int}/{place:int}/clip"): (303, 403, 403, 404, 404),
    ("GET", "/checks/{round:int}/{place:int}/stills.jpg"): (303, 403, 403, 404, 404),
    ("POST", "/checks/{round:int}/{place:int}/answer"): (403, 403, 403, 422, 422),
}
VISITORS = (None, STUDENT, OTHER, COACH, TEACHER)


def routes_of(book: Book) -> Iterator[tuple[str, str]]:
    """Every address of the page, as its application has them."""
    phones, teachers = make_app(book, AccountEntrance(book, HOST)).routes
    assert isinstance(phones, Mount) and phones.path == "/h"  # test_hand_in.py knocks there
    assert isinstance(teachers, Mount)
    for route in teachers.routes:
        if isinstance(route, Mount):
            yield "GET", route.path
        else:
            assert isinstance(route, Route) and route.methods is not None
            yield from ((method, route.path) for method in route.methods - {"HEAD"})


def test_every_page_with_every_role(school: Book) -> None:
    """A page that has no row here, or answers otherwise than its row says, fails."""
    assert sorted(routes_of(school)) == sorted(TABLE)
    filled = {"{set_id:int}": "1", "{number:int}": "1", "{round:int}": "1", "{place:int}": "1",
              "{clip_id:int}": "1", "{time_ms:int}": "1500", "{moment}": "line"}  # fmt: skip
    for place, name in enumerate(VISITORS):
        browser = SchoolBrowser(school)
        csrf = ""
        if name is not None:
            assert browser.log_in(name).status_code == 303
            csrf = browser.csrf()
        for (method, path), statuses in sorted(
            TABLE.items(), key=lambda row: row[0][1] == "/logout"
        ):
            address = "/static/style.css" if path == "/static" else path
            for pattern, value in filled.items():
                address = address.replace(pattern, value)
            data = {"csrf": csrf} if method == "POST" else None
            got = browser.request(method, address, data=data).status_code
            assert got == statuses[place], (method, path, name, got)
    with school.reading() as connection:
        assert load_set(connection, 1).version == 1  # nothing was written on the way
        assert all(check.answer is None for check in checks_of(connection, 1))


def test_every_door_with_every_role_and_method(tmp_path: Path) -> None:
    """Slips, accounts and the key; other sites' requests too. Nothing is written on the way."""
    school = Book(str(tmp_path / "book.sqlite3"))
    people(school)
    tried: list[Knock] = []
    before: dict[str, list[tuple[object, ...]]] = {}
    for knock in knocks(school):
        before = before or content_of(school)  # slips and a clip are there from the first on
        tried.append(knock)
    wrong = [f"{knock}: {why}" for knock in tried if (why := complaint(knock, TABLE))]
    assert wrong == []
    assert len(tried) > 3000
    assert content_of(school) == before


def test_the_table_knows_every_action() -> None:
    assert {path.rsplit("/", 1)[1] for method, path in TABLE if path.startswith("/sets/") and
            method == "POST"} == set(ACTIONS)  # fmt: skip


def test_no_form_without_the_token_of_its_own_login(school: Book) -> None:
    teacher, other = SchoolBrowser(school), SchoolBrowser(school)
    teacher.log_in(TEACHER)
    other.log_in(TEACHER)
    for token in ("", "guessed", other.csrf()):
        data = {"seen": "1", "note": "x", "csrf": token}
        assert teacher.post("/sets/1/note", data=data).status_code == 403
    data = {"seen": "1", "note": "windy", "csrf": teacher.csrf()}
    foreign = teacher.post("/sets/1/note", data=data, headers={"origin": "https://evil.example"})
    assert foreign.status_code == 403
    assert teacher.post("/sets/1/note", data=data).status_code == 303


def test_what_is_done_stands_under_the_account_whatever_a_form_says(school: Book) -> None:
    teacher = SchoolBrowser(school)
    teacher.log_in(TEACHER)
    csrf, forged = teacher.csrf(), "Somebody Else"

    def send(action: str, **fields: str) -> None:
        with school.reading() as connection:
            seen = str(load_set(connection, 1).version)
        data = {"csrf": csrf, "seen": seen, "by": forged, **fields}
        assert teacher.post(f"/sets/1/{action}", data=data).status_code == 303

    send("answer", shot="5", answer="make")
    assert f"Signing as <strong>{TEACHER}" in teacher.get("/sets/1").text
    send("sign")
    with school.reading() as connection:
        history = load_set(connection, 1)
    assert history.signature is not None and history.signature.by == TEACHER
    assert history.corrections[0].by == TEACHER
    assert verify_book(school).signatures == 1


def test_a_student_sees_their_own_sets_and_can_change_nothing(book: Book) -> None:
    own, other = people(book)
    student = SchoolBrowser(book)
    student.log_in(STUDENT)
    page = student.get("/").text
    assert "/sets/1" in page and other not in page and "/sets/2" not in page
    shown = student.get("/sets/1").text
    assert re.findall(r'action="([^"]+)"', shown) == ["/logout"]
    assert own in shown and "A teacher will look." in shown and 'name="answer"' not in shown


def test_a_coach_sees_shots_and_neither_names_nor_the_count(book: Book) -> None:
    own, other = people(book)
    coach = SchoolBrowser(book)
    coach.log_in(COACH)
    assert coach.get("/").headers["location"] == "/checks"
    csrf = coach.csrf()
    for answered in range(4):
        page = coach.get("/checks/1").text
        for told in (own, other, "make 4 of 6", "chance", "inside by", "wide of", "stopped"):
            assert told not in page
        assert f"shot {answered + 1} of 4" in page
        data = {"csrf": csrf, "answer": "make"}
        assert coach.post(f"/checks/1/{answered + 1}/answer", data=data).status_code == 303
    assert "All 4 shots of this round are checked" in coach.get("/checks/1").text
    again = coach.post("/checks/1/1/answer", data={"csrf": csrf, "answer": "miss"})
    assert again.status_code == 422 and "is answered" in again.text
    overview = coach.get("/checks").text
    assert "Cohen" in overview and "of 4" in overview
    drawn = coach.post("/checks/draw", data={"csrf": csrf, "class": "7b", "size": "3"})
    assert drawn.headers["location"] == "/checks/2"
    for size in ("0", "501", "x"):
        data = {"csrf": csrf, "class": "7b", "size": size}
        assert "draw 1 to 500" in coach.post("/checks/draw", data=data).text


def test_a_coach_of_one_class_checks_no_other(school: Book) -> None:
    with school.writing() as connection:
        from shoegoal.record.filing import enrol

        enrol(connection, "8a", [], 1)
        add_account(connection, "C. Only", Role.COACH, PASSWORD, class_name="8a")
    coach = SchoolBrowser(school)
    coach.log_in("C. Only")
    assert "Class 7b" not in coach.get("/checks").text
    assert coach.get("/checks/1").status_code == 404
    data = {"csrf": coach.csrf(), "class": "7b", "size": "3"}
    assert "choose a class" in coach.post("/checks/draw", data=data).text


def test_the_cookie_is_secure_and_new_with_every_login(school: Book) -> None:
    """RFC 6265bis 4.1.3.2: a __Host- cookie is Secure, has Path=/ and no Domain."""
    browser = SchoolBrowser(school)
    browser.cookies.set(SESSION_COOKIE, "planted", domain=HOST)
    entered = browser.log_in("  t. QUILL ")  # width, case and spaces do not matter
    cookie = next(
        c for c in entered.headers.get_list("set-cookie") if c.startswith(SESSION_COOKIE + "=")
    )
    assert "planted" not in cookie
    parts = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert {"secure", "httponly", "path=/", "samesite=lax"} <= parts
    assert not any(part.startswith("domain") for part in parts)
    assert "max-age=31536000" in entered.headers["strict-transport-security"]
    token = cookie.split(";")[0].split("=", 1)[1]
    with school.reading() as connection:
        from sqlalchemy import text

        kept = connection.execute(text("SELECT token_sha256, csrf FROM sessions")).all()
    assert all(token not in row for row in kept)  # the book alone lets nobody in


def test_plain_http_and_other_names_are_refused(school: Book) -> None:
    browser = SchoolBrowser(school)
    browser.log_in(TEACHER)
    assert browser.get("/", headers={"host": "evil.example"}).status_code == 421
    assert browser.get(f"http://{HOST}/").status_code == 403
    assert browser.get(f"{SITE}/").status_code == 200


def test_logging_out_and_being_shut_out_end_a_session(school: Book) -> None:
    first, second = SchoolBrowser(school), SchoolBrowser(school)
    first.log_in(TEACHER)
    second.log_in(TEACHER)
    assert first.post("/logout", data={"csrf": first.csrf()}).headers["location"] == "/login"
    assert first.get("/").status_code == 303 and second.get("/").status_code == 200
    with school.writing() as connection:
        set_password(connection, TEACHER, "seven newts in a boot")
    assert second.get("/").status_code == 303
    assert second.log_in(TEACHER).status_code == 403
    assert second.log_in(TEACHER, "seven newts in a boot").status_code == 303
    with school.writing() as connection:
        set_disabled(connection, TEACHER, True)
    assert second.get("/").status_code == 303
    refused = second.log_in(TEACHER, "seven newts in a boot")
    unknown = second.log_in("Nobody", "seven newts in a boot")
    assert refused.status_code == unknown.status_code == 403
    words = "name and password do not fit, or the account is disabled"
    assert words in refused.text and words in unknown.text  # which of them is not told
    with school.writing() as connection:
        set_disabled(connection, TEACHER, False)
    assert second.log_in(TEACHER, "seven newts in a boot").status_code == 303


def test_sessions_end_of_themselves(school: Book) -> None:
    token = log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    assert session_of(school, "no such token", NOON) is None
    step, at = timedelta(minutes=50), NOON
    while at - NOON < timedelta(hours=12) - step:
        at += step
        assert session_of(school, token, at) is not None  # each look keeps it awake
    assert session_of(school, token, NOON + timedelta(hours=12) + timedelta(seconds=1)) is None
    token = log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    assert session_of(school, token, NOON + timedelta(hours=1) + timedelta(seconds=1)) is None
    log_out(school, token)
    assert session_of(school, token, NOON) is None


def test_guessing_at_one_account_is_stopped_even_across_a_restart(
    school: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From everywhere so many times that no one address can shut the owner out: here eight."""
    monkeypatch.setattr(accounts, "MOST_OF_ACCOUNT", 8)
    for number in range(8):
        with pytest.raises(NotLetInError):
            log_in(school, TEACHER, "a wrong guess", f"203.0.{number}.1", NOON)
    restarted = Book(school.name if school.file else _place_of(school))
    with pytest.raises(TooManyTriesError, match="wait 15 minutes"):
        log_in(restarted, TEACHER.upper(), PASSWORD, "198.51.100.9", NOON)  # right, and too late
    log_in(restarted, COACH, PASSWORD, "198.51.100.9", NOON)  # others are not held up
    later = NOON + TRIES_WITHIN + timedelta(seconds=1)
    assert log_in(restarted, TEACHER, PASSWORD, "203.0.113.1", later)


def _place_of(book: Book) -> str:
    return book._engine.url.render_as_string(hide_password=False).replace("+psycopg", "")


def test_guessing_from_one_address_is_stopped(school: Book) -> None:
    for number in range(20):
        with pytest.raises(NotLetInError):
            log_in(school, f"guess {number}", "a wrong guess", "203.0.113.7", NOON)
    with pytest.raises(TooManyTriesError):
        log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    assert log_in(school, TEACHER, PASSWORD, "203.0.113.8", NOON)


def test_a_right_password_takes_ones_own_slips_off(school: Book) -> None:
    for _ in range(3):
        for _ in range(4):
            with pytest.raises(NotLetInError):
                log_in(school, TEACHER, "a wrong guess", "203.0.113.7", NOON)
        log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    browser = SchoolBrowser(school)
    for _ in range(5):
        assert browser.log_in(OTHER, "a wrong guess").status_code == 403
    assert browser.log_in(OTHER).status_code == 429


def test_a_login_form_from_elsewhere_is_refused(school: Book) -> None:
    """Nobody is logged in with an account of somebody else's choosing (login CSRF)."""
    browser = SchoolBrowser(school)
    data = {"name": TEACHER, "password": PASSWORD}
    assert browser.post("/login", data=data).status_code == 403
    browser.get("/login")
    assert browser.post("/login", data=data | {"csrf": "guessed"}).status_code == 403
    foreign = browser.post("/login", data=data, headers={"origin": "https://evil.example"})
    assert foreign.status_code == 403 and browser.get("/").status_code == 303


def test_passwords_are_kept_as_rfc_9106_recommends(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 9106, 4: Argon2id with 3 passes over 64 MiB in 4 lanes, its second recommended option."""
    monkeypatch.undo()
    hashed = hash_password(PASSWORD, TEACHER)
    assert hashed.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert extract_parameters(hashed) == RFC_9106_LOW_MEMORY
    assert password_fits(PASSWORD, hashed) and not password_fits(PASSWORD + " ", hashed)
    assert not password_fits("nobody has this password", None)


def test_weak_passwords_and_what_makes_no_account(school: Book) -> None:
    with school.writing() as connection:
        for weak in ("short", "x" * 201, "aaaaaaaaaaaaaaaa", "ababababababab", "Headteacher 7b"):
            with pytest.raises(BadSettingsError, match="a few words in a row"):
                add_account(connection, "Headteacher 7b", Role.TEACHER, weak)
        for name, role, given in (
            ("t.  quill", Role.TEACHER, {}),
            ("\uff34. Quill", Role.TEACHER, {}),  # a full-width T
            ("", Role.TEACHER, {}),
            ("New", Role.STUDENT, {}),
            ("New", Role.TEACHER, {"pupil": "Nobody"}),
            ("New", Role.STUDENT, {"pupil": "Nobody"}),
            ("New", Role.TEACHER, {"class_name": "7b"}),
            ("New", Role.COACH, {"class_name": "9z"}),
        ):
            with pytest.raises(BadSettingsError):
                add_account(connection, name, role, PASSWORD, **given)
        assert len(list_accounts(connection)) == 4
        with pytest.raises(BadSettingsError, match="no account"):
            set_disabled(connection, "Nobody", True)
    assert login_of("  \uff34.\tQUILL ") == "t. quill"
