"""The page in a real browser: from a counted sample clip to a signed tally, by keyboard too."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from page_server import PHONE, served_with_key, watched_page
from record_books import TEACHER, no_room
from shoegoal.analysis.file import load_analysis
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.verify import verify_book


@pytest.fixture
def by_command(tmp_path: Path, side_view_count: Path) -> Iterator[tuple[str, str]]:
    """A book with the counted set, and the page's address, all by the commands of the README."""
    place = str(tmp_path / "book.sqlite3")
    shoegoal = [sys.executable, "-m", "shoegoal"]
    added = [*shoegoal, "record", "add", str(side_view_count), "--class", "7b", "--book", place]
    subprocess.run(added, check=True, capture_output=True, timeout=120)
    with subprocess.Popen(
        [*shoegoal, "review", "--book", place],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as serving:  # fmt: skip
        assert serving.stdout is not None
        yield place, serving.stdout.readline().strip()
        serving.send_signal(2)
        _, trouble = serving.communicate(timeout=30)
    assert serving.returncode == 0
    assert trouble.splitlines()[1:] == []  # only the line that says how to end it


@pytest.fixture
def book(tmp_path: Path, side_view_count: Path) -> Book:
    """The same set in a book of this process."""
    book = Book(str(tmp_path / "book.sqlite3"), wait_s=0.1)
    with book.writing() as connection:
        file_count(connection, load_analysis(side_view_count), side_view_count, class_name="7b")
    return book


@pytest.fixture
def address(book: Book) -> Iterator[str]:
    with served_with_key(book) as address:
        yield address


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """Asked for after the address, so that it is closed before its server is."""
    with watched_page(browser, "http://127.0.0.1:", refusals=(409,)) as page:
        yield page


def wait_until(page: Page, expression: str) -> None:
    """Wait for something of the page's; its policy forbids Playwright to evaluate words inside."""
    for _ in range(300):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never: {expression}")


def seconds(page: Page) -> float:
    return float(page.evaluate("document.querySelector('video').currentTime"))


def test_from_a_counted_clip_to_a_signed_tally(by_command: tuple[str, str], page: Page) -> None:
    place, address = by_command
    page.goto(address)
    expect(page.get_by_text("ready to sign")).to_be_visible(timeout=30_000)
    assert "key=" not in page.url  # the key does not stay in the address
    page.get_by_role("link", name="Set 1").click()
    expect(page.get_by_text("advance: make 2 of 4 shots")).to_be_visible()
    page.get_by_role("button", name="Watch shot 2").click()
    expect(page.locator("#now")).to_contain_text("Shot 2: kick at 0:12")
    wait_until(page, "document.querySelector('video').currentTime > 12.0")
    kick_s = float(str(page.locator("button.watch").nth(1).get_attribute("data-kick")))
    assert kick_s - 1.5 < seconds(page) < kick_s + 4  # the snippet plays, and not the rest
    points = str(page.locator("polyline.path").get_attribute("points"))
    assert len(points.split()) > 5
    expect(page.locator("#strip")).to_have_js_property("complete", True)
    assert page.evaluate("document.getElementById('strip').naturalWidth") > 500
    # A retake is neither a make nor a miss; undone, the set stands as before.
    page.locator("#verdicts").get_by_text("Retake").click()
    expect(page.get_by_text("Written down.")).to_be_visible()
    expect(page.get_by_text("1 still missing")).to_be_visible()
    page.get_by_role("button", name="Take the last correction back").click()
    expect(page.get_by_text("The last correction was taken back.")).to_be_visible()
    page.get_by_label("Your name").fill(TEACHER)
    page.get_by_role("button", name="Sign this set").click()
    expect(page.get_by_text(f"Signed by {TEACHER}")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("Make|Miss"))).to_have_count(0)
    book = Book(place)
    proof = verify_book(book)
    assert (proof.entries, proof.signatures) == (4, 1)
    with book.reading() as connection:
        signature = load_set(connection, 1).signature
    assert signature is not None and signature.content["tally"]["makes"] == 2


def test_by_keyboard_alone(address: str, page: Page) -> None:
    page.goto(address)
    page.get_by_role("link", name="Set 1").wait_for()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.get_by_role("link", name="Set 1").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Watch shot 3").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "player"
    wait_until(page, "document.querySelector('video').currentTime > 25")
    page.keyboard.press("s")
    assert page.evaluate("document.querySelector('video').playbackRate") == 0.25
    page.keyboard.press(" ")
    wait_until(page, "document.querySelector('video').paused")
    before = seconds(page)
    for _ in range(3):
        page.keyboard.press(".")
    assert seconds(page) - before == pytest.approx(3 / 30, abs=0.005)  # the clip has 30 a second
    page.keyboard.press(",")
    assert seconds(page) - before == pytest.approx(2 / 30, abs=0.005)
    page.keyboard.press("p")
    expect(page.locator("polyline.path")).to_be_hidden()
    page.keyboard.press("x")
    expect(page.get_by_text("try again: make 2 of 4 shots")).to_be_visible()
    assert page.evaluate("document.activeElement.id") == "player"  # and on to the next shot
    # In a field the same letters are just letters.
    page.get_by_label("Remark on the set").focus()
    page.keyboard.type("mxnt s, r. p")
    assert page.get_by_label("Remark on the set").input_value() == "mxnt s, r. p"
    page.keyboard.press("Enter")
    expect(page.get_by_text("The remark was written down.")).to_be_visible()
    expect(page.get_by_label("Remark on the set")).to_be_focused()
    # Where the button that was pressed is gone, the words about it get the focus.
    page.get_by_role("button", name="Take the last correction back").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("The last correction was taken back.")).to_be_focused()


def test_a_missed_shot_and_a_marker(address: str, page: Page) -> None:
    page.goto(address)
    page.get_by_role("link", name="Set 1").click()
    page.locator("video").wait_for()
    page.evaluate("document.querySelector('video').currentTime = 20.3")
    wait_until(page, "!document.querySelector('video').seeking")
    page.get_by_text("Add a shot that was missed").click()
    page.get_by_role("button", name="Take the time from the clip").click()
    assert page.get_by_label("Time of the kick").input_value() == "0:20.30"
    page.get_by_role("button", name="Add a miss").click()
    expect(page.get_by_text("Added.")).to_be_visible()
    expect(page.locator("#work details li").nth(2)).to_contain_text("Shot 5 at 0:20.3")
    goal = page.locator("line.goal")
    before = float(str(goal.get_attribute("x1")))
    page.get_by_text("A marker is in the wrong place").click()
    page.get_by_label("left, now at").check()
    page.get_by_role("button", name="Point at it in the clip").click()
    box = page.locator(".screen video").bounding_box()
    assert box is not None
    scale = box["width"] / 1280
    y_px = float(str(goal.get_attribute("y1")))
    page.mouse.click(box["x"] + (before - 12) * scale, box["y"] + y_px * scale)
    assert float(page.get_by_label("Across").input_value()) == pytest.approx(before - 12, abs=1.5)
    page.get_by_role("button", name="Move it and work the set out anew").click()
    expect(page.get_by_text("The marker was moved")).to_be_visible(timeout=120_000)
    assert float(str(goal.get_attribute("x1"))) == pytest.approx(before - 12, abs=1.5)


def test_on_a_phone_nothing_runs_over_the_edge(address: str, page: Page) -> None:
    """WCAG 2.2, 1.4.10 (reflow) and 2.5.8 (targets of at least 24 by 24)."""
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    page.goto(address)
    page.get_by_role("link", name="Set 1").wait_for()
    for _ in range(2):
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= PHONE["width"]
        for button in page.get_by_role("button").all():
            box = button.bounding_box()
            assert box is None or min(box["width"], box["height"]) >= 24
        link = page.get_by_role("link", name="Set 1")
        if link.count():
            link.click()
            page.get_by_role("button", name="Watch shot 1").wait_for()


def test_two_people_on_one_set(address: str, page: Page) -> None:
    page.goto(address)
    page.get_by_role("link", name="Set 1").click()
    page.locator("#work").wait_for()
    other = page.context.new_page()
    other.goto(page.url)
    other.get_by_role("button", name="Shot 1: Miss").click()
    expect(other.get_by_text("Written down.")).to_be_visible()
    other.close()
    page.get_by_role("button", name="Shot 1: Retake").click()
    expect(page.get_by_role("alert")).to_contain_text("changed by somebody else")
    expect(page.locator("#work details li").first).to_contain_text("miss")


@pytest.mark.parametrize(
    ("trouble", "status", "says"),
    [(no_room, 507, "no room left"), (Book.writing, 503, "in use by another program")],
)
def test_what_cannot_be_written_stays_on_the_page_to_be_sent_again(
    address: str,
    browser: Browser,
    book: Book,
    trouble: Callable[[Book], AbstractContextManager[object]],
    status: int,
    says: str,
) -> None:
    with watched_page(browser, "http://127.0.0.1:", refusals=(status,), viewport=PHONE) as page:
        page.goto(address)
        page.get_by_role("link", name="Set 1").click()
        remark = page.get_by_label("Remark on the set")
        remark.fill("the ball was soft")
        with trouble(book):
            page.get_by_role("button", name="Write down").click()
            alert = page.get_by_role("alert")
            expect(alert).to_contain_text(says)
            expect(alert).to_be_in_viewport()
            expect(remark).to_have_value("the ball was soft")
        page.get_by_role("button", name="Write down").click()
        expect(page.get_by_text("The remark was written down.")).to_be_visible()
        expect(page.get_by_role("listitem").get_by_text("the ball was soft")).to_be_visible()
        expect(page.get_by_role("alert")).to_have_count(0)
    assert verify_book(book).entries == 2
