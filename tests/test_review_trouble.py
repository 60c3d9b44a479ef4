"""The page while its book is locked or its disk is full: a clear word, nothing lost, on it goes."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from record_books import TEACHER, file_set, no_room
from review_people import PASSWORD, SchoolBrowser, people, quick_hashes
from shoegoal.record.book import Book
from shoegoal.record.coaching import checks_of, draw_round
from shoegoal.record.history import load_set
from shoegoal.record.journal import time_text
from shoegoal.record.reviewing import add_note
from shoegoal.record.verify import verify_book
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.routes import Visitor
from shoegoal.review.serve import make_app

KEY = "a-key-of-the-test"
HOME = "http://127.0.0.1"
FORMS: dict[str, dict[str, str]] = {
    "/sets/1/answer": {"shot": "2", "answer": "make", "note": "just in"},
    "/sets/1/add": {"time": "0:29.5", "answer": "miss"},
    "/sets/1/note": {"note": "windy " * 300},
    "/sets/1/undo": {},
    "/sets/1/sign": {"by": TEACHER},
    "/checks/1/1/answer": {"answer": "make"},
    "/checks/draw": {"class": "7b", "size": "4"},
}
LOCKED, FULL = "in use by another program", "no room left"
ENTRIES = 8  # of the book that the fixture makes


@pytest.fixture
def impatient(book_place: str) -> Book:
    """A book that does not wait for long, with a set that could be signed and a round of checks."""
    book = Book(book_place, wait_s=0.05)
    file_set(book, unsure=False)
    add_note(book, 1, "a dry day")
    with book.writing() as connection:
        draw_round(connection, "7b", 4, 7)
    return book


def sent(book: Book, *, part: bool = False) -> dict[str, tuple[int, str]]:
    """Send every form once, each from a page that shows the set as it is; status and words."""
    browser = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, follow_redirects=False)
    browser.headers["origin"] = HOME
    browser.get("/", params={"key": KEY})
    if part:
        browser.headers["hx-request"] = "true"
    answers: dict[str, tuple[int, str]] = {}
    for address, fields in FORMS.items():
        with book.reading() as connection:
            seen = str(load_set(connection, 1).version)
        data = {"csrf": Visitor.with_key(KEY).csrf, "seen": seen, **fields}
        answer = browser.post(address, data=data)
        if part and answer.status_code >= 400 and address.startswith("/sets"):
            # What was typed stays in the page: only the words about it are taken in.
            assert answer.headers["hx-retarget"] == "#said" and "<form" not in answer.text
        answers[address] = answer.status_code, answer.text
    return answers


def whole_and_as_before(book: Book) -> None:
    proof = verify_book(book)
    assert (proof.entries, proof.sets, proof.signatures) == (ENTRIES, 1, 0)
    with book.reading() as connection:
        history = load_set(connection, 1)
        assert history.version == 2 and history.signature is None
        assert [check.answer for check in checks_of(connection, 1)] == [None] * 4
        assert connection.scalar(text("SELECT count(*) FROM coach_rounds")) == 1


def refused_then_done(
    book: Book, held_up: AbstractContextManager[object], status: int, says: str
) -> None:
    with held_up:
        for part in (False, True):
            for address, (got, words) in sent(book, part=part).items():
                assert (address, got) == (address, status)
                assert says in words and 'role="alert"' in words and "Traceback" not in words
        whole_and_as_before(book)
    done = {address: status for address, (status, _) in sent(book).items()}
    assert set(done.values()) == {303}, done
    assert verify_book(book).signatures == 1
    with book.reading() as connection:
        assert [check.answer for check in checks_of(connection, 1)].count("make") == 1


def test_while_another_program_writes(impatient: Book, book_place: str) -> None:
    """RFC 9110, 15.6.4: 503 is for what may work a moment later."""
    refused_then_done(impatient, Book(book_place).writing(), 503, LOCKED)


@pytest.mark.parametrize("book_place", ["sqlite"], indirect=True)
def test_while_the_disk_is_full(impatient: Book) -> None:
    """RFC 4918, 11.5: 507 Insufficient Storage."""
    refused_then_done(impatient, no_room(impatient), 507, FULL)


@pytest.mark.parametrize("book_place", ["sqlite"], indirect=True)
def test_a_book_that_is_damaged_while_the_page_runs(impatient: Book) -> None:
    assert impatient.file is not None
    kept = impatient.file.read_bytes()
    impatient.file.write_bytes(b"these are my holiday plans " * 1000)
    browser = TestClient(make_app(impatient, KeyEntrance(KEY)), base_url=HOME)
    browser.get("/", params={"key": KEY})
    for address in ("/", "/sets/1", "/checks", "/checks/1"):
        answer = browser.get(address)
        assert answer.status_code == 503 and 'role="alert"' in answer.text, address
        assert "is damaged or no record book" in answer.text and "put back a copy" in answer.text
    impatient.file.write_bytes(kept)
    assert browser.get("/sets/1").status_code == 200
    whole_and_as_before(impatient)


@contextmanager
def no_room_at_all() -> Iterator[None]:
    """Not even for what SQLite needs to read a book."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("book_place", ["sqlite"], indirect=True)
def test_logins_and_looks_on_a_full_disk(book_place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    quick_hashes(monkeypatch)
    book = Book(book_place, wait_s=0.05)
    people(book)
    browser, late = SchoolBrowser(book), SchoolBrowser(book)
    assert browser.log_in(TEACHER).status_code == 303
    csrf = browser.csrf()
    long_ago = time_text(datetime.now(UTC) - timedelta(minutes=30))
    with book.writing() as connection:
        connection.execute(text("UPDATE sessions SET seen_at = :at"), {"at": long_ago})
    with no_room(book):
        # The session cannot be kept awake; looking goes on all the same.
        assert browser.get("/sets/1").status_code == 200
        refused = late.log_in(TEACHER, PASSWORD)
        assert refused.status_code == 507 and FULL in refused.text
        assert 'role="alert"' in refused.text and 'name="password"' in refused.text
        staying = browser.post("/logout", data={"csrf": csrf})
        assert staying.status_code == 507 and FULL in staying.text
    with no_room_at_all():
        answer = browser.get("/")
    assert answer.status_code == 507 and FULL in answer.text and 'role="alert"' in answer.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert browser.get("/").status_code == 200
    assert late.log_in(TEACHER, PASSWORD).status_code == 303
    assert browser.post("/logout", data={"csrf": csrf}).status_code == 303
