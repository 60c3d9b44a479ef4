"""The page in a real browser: from a counted sample clip to a signed tally, by keyboard too."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from page_server import PHONE, enter, served_with_key, watched_page
from record_books import TEACHER, no_room
from shoegoal.analysis.file import load_analysis
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.verify import verify_book
from shoegoal.types import Call


@pytest.fixture
def by_command(tmp_path: Path, side_view_count: Path) -> Iterator[tuple[str, str]]:
    """A book with the counted set, and the page's address, all by the commands of the docs."""
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


def playing(page: Page) -> tuple[float, float]:
    """Where the moment that plays begins and ends, s."""
    start, end = (page.locator("#work").get_attribute(f"data-{name}") for name in ("start", "end"))
    return float(str(start)), float(str(end))


def test_from_a_counted_clip_to_a_signed_tally(by_command: tuple[str, str], page: Page) -> None:
    place, address = by_command
    page.goto(address)
    expect(page.get_by_role("heading", name="Nothing needs a look")).to_be_visible(timeout=30_000)
    assert "key=" not in page.url  # the key does not stay in the address
    page.get_by_role("link", name="Look and sign").click()
    expect(page.locator(".sheet .card")).to_have_count(1)
    glance = page.get_by_alt_text("Each shot at the line.")
    expect(glance).to_have_js_property("complete", True)
    assert glance.evaluate("image => image.naturalHeight") == 112
    # One of its shots is a retake after all; undone, the set stands as before.
    page.locator(".sheet .head a").click()
    page.get_by_text("All 4 shots").click()
    page.get_by_role("button", name="Look at shot 2").click()
    expect(page.get_by_role("heading", name="Shot 2: did it go in?")).to_be_visible()
    start, end = playing(page)
    wait_until(page, f"document.querySelector('video').currentTime > {start + 0.1}")
    assert start - 0.1 < seconds(page) < end + 0.5  # the moment plays, and not the rest
    page.keyboard.press("t")
    expect(page.get_by_text("Saved.")).to_be_visible()
    page.wait_for_timeout(200)  # a key that is pressed sooner loads the page anew, and says less
    page.keyboard.press("u")
    expect(page.get_by_text("The last correction was taken back.")).to_be_visible()
    page.goto(f"{page.url.partition('/sets')[0]}/ready")
    page.get_by_label("Signing as").fill(TEACHER)
    page.locator("h1").click()
    page.keyboard.press("Enter")  # a set without doubt: one key, once the name is known
    expect(page.get_by_role("heading", name="All done")).to_be_visible()
    page.get_by_role("link", name="1 signed").click()
    expect(page.get_by_text(f"signed by {TEACHER}")).to_be_visible()
    book = Book(place)
    assert verify_book(book).signatures == 1
    with book.reading() as connection:
        signature = load_set(connection, 1).signature
    assert signature is not None and signature.content["tally"]["makes"] == 2


def test_a_doubtful_set_takes_two_keys(book: Book, address: str, page: Page) -> None:
    """One answer, then sign and next; with the name known that is all."""
    page.set_viewport_size({"width": 1366, "height": 768})
    enter(page, address)
    make_doubtful(book)
    page.context.add_cookies(
        [{"name": "shoegoal_name", "value": "T.%20Quill", "url": page.url.partition("?")[0]}]
    )
    page.reload()
    expect(page.get_by_role("heading", name="1 to look at")).to_be_visible()
    height = page.evaluate("document.documentElement.scrollHeight")
    assert height <= 2000
    page.locator(".list a").first.click()
    expect(page.locator("h1")).to_contain_text("did it go in?")
    start, _ = playing(page)
    wait_until(page, f"document.querySelector('video').currentTime > {start + 0.05}")
    assert page.evaluate("document.querySelector('video').playbackRate") == 0.5
    # Contact, line and after beside it, never below the fold; the picture is zoomed.
    for name in ("contact", "line", "after"):
        still = page.locator(f"#{name}")
        expect(still).to_have_js_property("complete", True)
        assert still.evaluate("image => image.naturalWidth") > 100
        box = still.bounding_box()
        assert box is not None and box["y"] + box["height"] <= 768
    assert "scale(" in str(page.locator(".pan").get_attribute("style"))
    expect(page.locator("#sign")).to_be_disabled()
    page.keyboard.press("m")
    expect(page.locator("#sign")).to_be_enabled()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="All done")).to_be_visible()
    assert verify_book(book).signatures == 1


def make_doubtful(book: Book) -> None:
    """Let the count call a shot unsure on which the stage hangs."""
    with book.reading() as connection:
        history = load_set(connection, 1)
    analysis = history.count.analysis()
    shots = [
        replace(shot, call=Call.UNSURE, p_make=0.5) if shot.call is Call.MAKE else shot
        for shot in analysis.shots
    ]
    doubted = next(k for k, shot in enumerate(shots) if shot.call is Call.UNSURE)
    kept = [shot if k == doubted else analysis.shots[k] for k, shot in enumerate(shots)]
    folder = history.folder_path
    assert folder is not None
    with book.writing() as connection:
        file_count(connection, replace(analysis, shots=tuple(kept)), folder)


def test_a_clip_that_the_browser_cannot_play_gives_way_to_stills(address: str, page: Page) -> None:
    page.route("**/sets/1/clip", lambda asked: asked.fulfill(body=b"0", content_type="video/mp4"))
    enter(page, address)
    page.goto(f"{page.url.partition('?')[0]}sets/1?shot=1")
    expect(page.get_by_text("This browser cannot play the clip")).to_be_visible()
    expect(page.locator("#moments img").first).to_be_visible()
    expect(page.get_by_label("Clip", exact=True).locator("video")).to_be_hidden()


def test_keys_act_at_once_and_can_be_switched_off(address: str, page: Page) -> None:
    enter(page, address)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.goto(f"{page.url.partition('?')[0]}sets/1?shot=3")
    start, _ = playing(page)
    wait_until(page, f"document.querySelector('video').currentTime > {start}")
    page.keyboard.press("s")
    assert page.evaluate("document.querySelector('video').playbackRate") == 1
    page.keyboard.press(" ")
    wait_until(page, "document.querySelector('video').paused")
    before = seconds(page)
    for _ in range(3):
        page.keyboard.press(".")
    assert seconds(page) - before == pytest.approx(3 / 30, abs=0.005)  # the clip has 30 a second
    page.keyboard.press(",")
    assert seconds(page) - before == pytest.approx(2 / 30, abs=0.005)
    page.keyboard.press("p")
    expect(page.locator("polyline.to-come")).to_be_hidden()
    page.keyboard.press("?")
    expect(page.get_by_role("dialog")).to_be_visible()
    page.get_by_label("Single keys act at once").uncheck()
    page.get_by_role("button", name="Close").click()
    page.keyboard.press("x")  # WCAG 2.2, 2.1.4: a way to turn single keys off
    page.wait_for_timeout(300)
    expect(page.get_by_text("Saved.")).to_have_count(0)
    page.keyboard.press("?")
    page.get_by_label("Single keys act at once").check()
    page.get_by_role("button", name="Close").click()
    # In a field the same letters are just letters.
    page.get_by_text("Remarks").click()
    page.get_by_label("Remark on the set").focus()
    page.keyboard.type("mxntc s, r. p?")
    assert page.get_by_label("Remark on the set").input_value() == "mxntc s, r. p?"
    page.keyboard.press("Enter")
    expect(page.get_by_text("The remark was saved.")).to_be_visible()


def test_a_missed_shot_and_a_marker(address: str, page: Page) -> None:
    enter(page, address)
    home = page.url.partition("?")[0]
    page.goto(f"{home}sets/1")
    page.locator("video").wait_for()
    page.evaluate("document.querySelector('video').currentTime = 20.3")
    wait_until(page, "!document.querySelector('video').seeking")
    page.get_by_text("Add a shot that was missed").click()
    page.get_by_role("button", name="Take the time from the clip").click()
    assert page.get_by_label("Time of the kick").input_value() == "0:20.30"
    page.get_by_role("button", name="Add a miss").click()
    expect(page.get_by_text("Added.")).to_be_visible()
    expect(page.locator("#all li").nth(2)).to_contain_text("Shot 3 at 0:20.3")  # in order of time
    before = float(str(page.locator("line.goal").get_attribute("x1")))
    page.keyboard.press("g")
    expect(page.get_by_role("heading", name="Where are the markers?")).to_be_visible()
    page.wait_for_load_state()  # its script and the still have to be there to point at
    box = page.locator(".point").bounding_box()
    foot = page.locator(".point .foot").first
    x_px, y_px = (float(str(foot.get_attribute(name))) for name in ("cx", "cy"))
    assert box is not None and x_px == pytest.approx(before, abs=0.1)
    scale = box["width"] / 1280
    page.mouse.move(box["x"] + (x_px - 12) * scale, box["y"] + y_px * scale)
    page.mouse.down()
    expect(page.locator(".loupe")).to_be_visible()  # drawn while pointing
    page.mouse.up()
    page.get_by_role("button", name="Left marker").focus()
    page.keyboard.press("ArrowRight")
    page.get_by_role("button", name="These are the markers").click()
    expect(page.get_by_text("A marker was moved")).to_be_visible(timeout=120_000)
    moved = float(str(page.locator("line.goal").get_attribute("x1")))
    assert moved == pytest.approx(before - 11, abs=1.5)


def test_two_people_on_one_set(address: str, page: Page) -> None:
    enter(page, address)
    page.goto(f"{page.url.partition('?')[0]}sets/1?shot=1")
    other = page.context.new_page()
    other.goto(page.url)
    other.get_by_role("button", name="Miss").click()
    expect(other.get_by_text("Saved.")).to_be_visible()
    other.close()
    page.get_by_role("button", name="Retake").click()
    expect(page.get_by_role("alert")).to_contain_text("changed by somebody else")
    page.get_by_text("All 4 shots").click()
    expect(page.locator("#all li").first).to_contain_text("miss")


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
        enter(page, address)
        page.goto(f"{page.url.partition('?')[0]}sets/1")
        page.get_by_text("Remarks").click()
        remark = page.get_by_label("Remark on the set")
        remark.fill("the ball was soft")
        with trouble(book):
            page.get_by_role("button", name="Save").click()
            alert = page.get_by_role("alert")
            expect(alert).to_contain_text(says)
            expect(alert).to_be_in_viewport()
            expect(remark).to_have_value("the ball was soft")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_text("The remark was saved.")).to_be_visible()
        page.get_by_text("Remarks (1)").click()
        expect(page.get_by_role("listitem").get_by_text("the ball was soft")).to_be_visible()
        expect(page.get_by_role("alert")).to_have_count(0)
    verify_book(book)
    with book.reading() as connection:
        assert load_set(connection, 1).version == 2  # written once
