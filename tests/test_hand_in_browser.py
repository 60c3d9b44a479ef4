"""From the slip to what to try next in a real browser, with the server killed twice on the way."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from page_server import PHONE, watched_page
from shoegoal.analysis.form_file import load_form
from shoegoal.demo.run import LADDER_FILE, SHIPPED
from shoegoal.record.book import Book
from shoegoal.record.handed_in import ClipState, clips_of
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book
from shoegoal.scale.results import MOST_HINTS

CLIP = SHIPPED / "Newt 15_two-in-a-row.mp4"
DESK = {"width": 1366, "height": 768}
SLOW_BYTES_A_S = 40_000  # so that the server can be killed while the clip is on its way


class Site:
    """The page with a worker, as a teacher starts it; killed and started again at the same port."""

    def __init__(self, book: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.book = book
        self.start()

    def start(self) -> None:
        command = ["review", "--book", str(self.book), "--port", str(self.port), "--workers", "1"]
        self._running = subprocess.Popen(
            [sys.executable, "-m", "shoegoal", *command],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert self._running.stdout is not None
        self.teachers = self._running.stdout.readline().strip()
        assert f":{self.port}/?key=" in self.teachers

    def kill(self) -> None:
        """End it as a power cut would; its workers end themselves when they see that."""
        os.kill(self._running.pid, signal.SIGKILL)
        self._running.communicate(timeout=30)

    def close(self) -> None:
        self._running.send_signal(signal.SIGINT)
        self._running.communicate(timeout=60)


def shoegoal(*args: str) -> str:
    command = [sys.executable, "-m", "shoegoal", *args]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    book = tmp_path / "book.sqlite3"
    shoegoal("record", "enrol", "--class", "5a", "--pupil", "Newt 15", "--book", str(book))
    running = Site(book)
    yield running
    running.close()


@pytest.fixture
def slip(site: Site) -> str:
    told = shoegoal(
        "hand-in", "--class", "5a", "--ladder", str(LADDER_FILE), "--json",
        "--site", f"http://127.0.0.1:{site.port}", "--book", str(site.book),
    )  # fmt: skip
    return str(json.loads(told)["slips"][0]["link"])


@pytest.fixture
def phone(browser: Browser, site: Site) -> Iterator[Page]:
    # A server that is away is answered by the browser itself, and logged.
    with watched_page(browser, "", refusals=(), viewport=PHONE, away=True) as page:
        yield page


def states(site: Site) -> list[ClipState]:
    with Book(str(site.book)).reading() as connection:
        return [clip.state for clip in clips_of(connection)]


def wait_for(site: Site, wanted: ClipState) -> None:
    for _ in range(600):
        if states(site) == [wanted]:
            return
        time.sleep(0.2)
    raise AssertionError(f"never {wanted}: {states(site)}")


def test_from_the_slip_to_what_to_try_next(
    browser: Browser, site: Site, slip: str, phone: Page
) -> None:
    phone.goto(slip)
    expect(phone.get_by_text("Newt 15 · class 5a")).to_be_visible()
    assert slip.rpartition("/")[2] not in phone.url  # the secret does not stay in the address
    phone.get_by_text("Another stage").click()
    phone.get_by_role("link", name="Stage 4").click()
    expect(phone.get_by_role("heading", name="make 2 in a row")).to_be_visible()
    network = phone.context.new_cdp_session(phone)
    slow = {"offline": False, "latency": 5, "downloadThroughput": -1}
    network.send("Network.emulateNetworkConditions", slow | {"uploadThroughput": SLOW_BYTES_A_S})
    phone.set_input_files("#pick", CLIP)
    expect(phone.get_by_role("heading", name="Sending your clip")).to_be_visible()
    part = wait_for_part(site)
    site.kill()
    arrived = part.stat().st_size
    assert 0 < arrived < CLIP.stat().st_size
    expect(phone.get_by_text("No connection just now")).to_be_visible()
    site.start()
    # It goes on by itself, where it stopped, in a page that was closed meanwhile, too.
    phone.goto(f"http://127.0.0.1:{site.port}/h/")
    expect(phone.get_by_role("heading", name="Handed in")).to_be_visible(timeout=60_000)
    expect(phone.get_by_text("We saw the ball and both markers.")).to_be_visible()
    picture = phone.get_by_alt_text("A picture of your clip")
    expect(picture).to_have_js_property("complete", True)
    assert picture.evaluate("image => image.naturalWidth") > 500
    wait_for(site, ClipState.COUNTING)
    site.kill()
    site.start()
    wait_for(site, ClipState.COUNTED)
    phone.reload()
    expect(phone.get_by_text("Your teacher will look at the count.")).to_be_visible()
    with watched_page(browser, f"http://127.0.0.1:{site.port}", viewport=DESK) as desk:
        desk.goto(site.teachers)
        expect(desk.get_by_role("heading", name="Nothing needs a look")).to_be_visible()
        desk.get_by_role("link", name="Look and sign").click()
        desk.get_by_label("Signing as").fill("T. Quill")
        desk.locator("h1").click()
        desk.keyboard.press("Enter")
        expect(desk.get_by_role("heading", name="All done")).to_be_visible()
    phone.reload()
    expect(phone.get_by_role("heading", name="reached!")).to_be_visible()
    expect(phone.get_by_text("The whole ladder is climbed!")).to_be_visible()
    book = Book(str(site.book))
    assert verify_book(book).signatures == 1
    with book.reading() as connection:
        (history,) = load_sets(connection)
    assert history.pupil == "Newt 15" and len(history.counts) == 1
    form = None if history.folder_path is None else load_form(history.folder_path)
    assert form is not None  # it was read too; what it hints at, the pupil sees
    hints = [*form.advice.to_try, *form.advice.went_well][:MOST_HINTS]
    assert len(hints) == 2
    for words in hints:
        expect(phone.get_by_text(words)).to_be_visible()


def test_a_clip_chosen_before_the_script_has_arrived_is_sent(
    site: Site, slip: str, phone: Page
) -> None:
    held_back: list[Route] = []
    phone.goto(slip)
    phone.route("**/phone.js", lambda route: held_back.append(route), times=1)
    with phone.expect_request("**/phone.js"):
        phone.goto(f"http://127.0.0.1:{site.port}/h/", wait_until="commit")
    phone.set_input_files("#pick", CLIP)
    assert held_back
    expect(phone.get_by_role("heading", name="Sending your clip")).to_be_hidden()
    held_back[0].continue_()
    expect(phone.get_by_role("heading", name="Handed in")).to_be_visible(timeout=60_000)


def wait_for_part(site: Site) -> Path:
    """The file in which the clip is gathered, once some of it is there."""
    folder = site.book.with_name(f"{site.book.stem}-clips")
    for _ in range(300):
        found = [file for file in folder.glob("*/*.part") if file.stat().st_size > 20_000]
        if found:
            return found[0]
        time.sleep(0.02)
    raise AssertionError("nothing arrived")
