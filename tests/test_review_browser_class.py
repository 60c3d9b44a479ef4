"""A Sunday evening in a real browser: the 120 sets of a class, from the queue to the sheet.

The bars are the project's own: a set without doubt takes at most one click or key in the sheet, a
doubtful one at most four, and the queue's page is at most 2,000 px high.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from page_server import PHONE, enter, served_with_key, watched_page
from record_books import TEACHER, file_set
from shoegoal.record.book import Book
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book

DESK = {"width": 1366, "height": 768}
NARROWEST, ANDROID = {"width": 320, "height": 640}, {"width": 360, "height": 800}
TABLET = {"width": 768, "height": 1024}
# A reader's own (WCAG 2.2, success criterion 1.4.12).
WIDE_SPACING = "letter-spacing: 0.12em; word-spacing: 0.16em"
SETS, DOUBTFUL = 120, 55  # more than a page of either
ANSWERED = 6
MOST_CARD_HEIGHT_PX = 150  # less than a quarter of the smallest screen
MOST_HEIGHT_PX, MOST_PRESSES_IN_SHEET, MOST_PRESSES_IN_DOUBT = 2000, 1, 4


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    book = Book(str(tmp_path_factory.mktemp("class") / "book.sqlite3"))
    for number in range(SETS):
        file_set(book, f"{number}.mp4", unsure=number < DOUBTFUL)
    return book


@pytest.fixture
def page(browser: Browser, book: Book) -> Iterator[Page]:
    with (
        served_with_key(book) as address,
        watched_page(browser, "http://127.0.0.1:", viewport=DESK) as page,
    ):
        enter(page, address)
        yield page


class Presses:
    """Counts what a teacher presses."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self.count = 0

    def key(self, key: str) -> None:
        self.count += 1
        self._page.keyboard.press(key)

    def click(self, name: str) -> None:
        self.count += 1
        self._page.get_by_role("link", name=name).click()


def signed(book: Book) -> int:
    with book.reading() as connection:
        return sum(one.signature is not None for one in load_sets(connection))


def test_a_class_of_120_sets(book: Book, page: Page) -> None:
    expect(page.get_by_role("heading", name=f"{DOUBTFUL} to look at")).to_be_visible()
    assert page.locator(".list li").count() == 50
    for size in (NARROWEST, ANDROID, PHONE, TABLET, DESK):
        page.set_viewport_size({"width": size["width"], "height": size["height"]})
        root = "document.documentElement"
        for spacing in ("", WIDE_SPACING):
            page.evaluate("spacing => document.body.style = spacing", spacing)
            assert page.evaluate(f"{root}.scrollHeight") <= MOST_HEIGHT_PX, (size, spacing)
        assert page.evaluate(f"{root}.scrollWidth") <= size["width"]
        # Two pupils may share the first word of their names: each name stays whole, line or two.
        cut = "names => names.filter((e) => e.scrollWidth > e.clientWidth).length"
        assert page.locator(".list strong").evaluate_all(cut) == 0
        # What is not shown for want of room is read aloud all the same.
        expect(page.locator(".list a").first).to_have_accessible_name(re.compile("settles it"))

    # The sheet: a name once, then a key a page.
    page.goto(page.url.rstrip("/") + "/ready")
    page.set_viewport_size({"width": NARROWEST["width"], "height": NARROWEST["height"]})
    heights = "cards => cards.map((e) => e.offsetHeight)"
    assert max(page.locator(".sheet .card").evaluate_all(heights)) <= MOST_CARD_HEIGHT_PX
    page.set_viewport_size({"width": DESK["width"], "height": DESK["height"]})
    page.get_by_label("Signing as").fill(TEACHER)
    page.locator("h1").click()
    presses = Presses(page)
    left = SETS - DOUBTFUL
    while left:
        expect(page.locator(".sheet .card")).to_have_count(min(50, left))
        page.wait_for_load_state()  # keys work once the page's script runs
        presses.key("Enter")
        left = max(0, left - 50)
        # Fifty entries are written and sealed one after the other.
        expect(page.get_by_text("Signed: ")).to_be_visible(timeout=60_000)
    done = page.get_by_role("heading", name="Nothing is ready to sign")
    expect(done).to_be_visible(timeout=60_000)
    assert signed(book) == SETS - DOUBTFUL
    assert presses.count <= MOST_PRESSES_IN_SHEET * (SETS - DOUBTFUL)

    # One doubtful set after the other: each ends in the next one's question.
    page.get_by_role("link", name="Look at them").click()
    page.locator(".list a").first.click()
    for number in range(1, ANSWERED + 1):
        expect(page.locator("h1")).to_contain_text("did it go in?")
        before, presses = page.url, Presses(page)
        while page.locator("#sign").is_disabled() and presses.count < MOST_PRESSES_IN_DOUBT:
            page.wait_for_load_state()
            asked = page.locator("h1").inner_text()
            presses.key("m")
            expect(page.locator("h1")).not_to_have_text(asked)
        page.wait_for_load_state()
        presses.key("Enter")
        expect(page).not_to_have_url(before, timeout=60_000)
        assert presses.count <= MOST_PRESSES_IN_DOUBT
        assert signed(book) == SETS - DOUBTFUL + number
    assert verify_book(book).signatures == SETS - DOUBTFUL + ANSWERED
