"""The page for others in a real browser: a coach logs in over HTTPS and checks a round, blind."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from page_server import PHONE, own_certificate, watched_page
from record_books import put_result
from shoegoal.analysis.file import load_analysis
from shoegoal.record.accounts import Role, add_account
from shoegoal.record.book import Book
from shoegoal.record.coaching import report_of
from shoegoal.record.filing import file_count

PASSWORD, COACH = "nine otters on a raft", "R. Coach"


@pytest.fixture
def book(tmp_path: Path) -> Book:
    """A book with one set, its pictures, a teacher and a coach."""
    book = Book(str(tmp_path / "book.sqlite3"))
    result = put_result(tmp_path / "garden", pictures=True)
    with book.writing() as connection:
        file_count(connection, load_analysis(result), result, class_name="7b")
        add_account(connection, "T. Quill", Role.TEACHER, PASSWORD)
        add_account(connection, COACH, Role.COACH, PASSWORD)
    return book


@pytest.fixture
def site(book: Book, tmp_path: Path) -> Iterator[str]:
    """The page, served over HTTPS by the command with a certificate of its own making."""
    certificate, key = own_certificate(tmp_path)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"https://localhost:{port}"
    pair = ["--certificate", str(certificate), "--private-key", str(key)]
    with subprocess.Popen(
        [sys.executable, "-m", "shoegoal", "review", "--book", book.name, "--port", str(port),
         "--site", address, *pair],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as serving:  # fmt: skip
        try:
            assert serving.stdout is not None and serving.stdout.readline() == f"{address}/\n"
            yield address
        finally:
            serving.send_signal(2)
            serving.communicate(timeout=60)
    assert serving.returncode == 0


@pytest.fixture
def page(browser: Browser, site: str) -> Iterator[Page]:
    with watched_page(browser, site, refusals=(403,), ignore_https_errors=True) as page:
        yield page


def test_a_coach_logs_in_and_checks_a_round(page: Page, site: str, book: Book) -> None:
    page.goto(site)
    page.get_by_label("Name of your account").fill(COACH)
    page.get_by_label("Password").fill("a wrong guess")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("alert")).to_contain_text("do not fit")
    page.get_by_label("Name of your account").fill(COACH)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Spot checks")).to_be_visible()
    page.get_by_label("How many").fill("3")
    page.get_by_role("button", name="Draw and start").click()
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    for number in (1, 2, 3):
        expect(page.get_by_role("heading", name=f"shot {number} of 3")).to_be_visible()
        page.wait_for_load_state()  # a page without its style sheet is as wide as its pictures
        stills = page.get_by_role("img")
        expect(stills).to_have_js_property("complete", True)
        assert stills.evaluate("image => image.naturalWidth") > 500
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        page.get_by_role("button", name="Make" if number < 3 else "Cannot tell").click()
    expect(page.get_by_role("status")).to_contain_text("All 3 shots")
    page.get_by_role("link", name="How often you agree").click()
    expect(page.get_by_text("Cohen's kappa")).to_be_visible()
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_label("Password")).to_be_visible()
    with book.reading() as connection:
        (report,) = report_of(connection, "7b", 0.2).cues
    assert (report.shares[0].checked, report.could_not_tell) == (2, 1)
