"""How long a pupil waits for the filming check: from the clip's last part to the answer shown.

The page and its workers run as a teacher starts them, the clip is handed in by a browser the size
of a phone, and everything shares this computer.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
import time
from pathlib import Path

import click
from playwright.sync_api import Browser, Request, sync_playwright

from make_clip import make_clip
from page_server import PHONE
from shoegoal.clip.reader import open_clip
from shoegoal.demo.run import LADDER_FILE
from test_hand_in_browser import CLIP, Site, shoegoal

PUPIL = "Newt 15"
LONG_S = 60.0
LONGEST_WAIT_MS = 600_000
ANSWERS = re.compile("Handed in|Film again")


@click.command("hand-in")
@click.argument("clips", nargs=-1, type=click.Path(exists=True, path_type=Path))
@click.option("--times", default=3, help="How often each clip is handed in.")
def hand_in_cost(clips: tuple[Path, ...], times: int) -> None:
    """Measure the wait for the filming check's answer; without CLIPS, a short and a long one."""
    with tempfile.TemporaryDirectory(prefix="shoegoal-hand-in-") as folder, sync_playwright() as on:
        os.environ["SHOEGOAL_KEYS"] = str(Path(folder) / "keys")
        chromium = shutil.which("chromium")
        browser = on.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        for clip in clips or (CLIP, make_clip(Path(folder) / "minute.mp4", LONG_S)):
            decode_s = _decode_s(clip)
            for number in range(times):
                book = Path(folder) / f"{clip.stem}-{number}.sqlite3"
                before = os.getloadavg()[0]
                wait_s, answer = _wait_s(browser, book, clip)
                click.echo(
                    f"{clip.name}: {wait_s:.1f} s to {answer!r}; bare decode {decode_s:.1f} s; "
                    f"load before {before:.1f}"
                )
        browser.close()


def _wait_s(browser: Browser, book: Path, clip: Path) -> tuple[float, str]:
    """Hand one clip in; the time from when its last part was sent, and what was answered."""
    shoegoal("record", "enrol", "--class", "5a", "--pupil", PUPIL, "--book", str(book))
    site = Site(book)
    try:
        told = shoegoal(
            "hand-in", "--class", "5a", "--ladder", str(LADDER_FILE), "--json",
            "--site", f"http://127.0.0.1:{site.port}", "--book", str(book),
        )  # fmt: skip
        context = browser.new_context(viewport={"width": PHONE["width"], "height": PHONE["height"]})
        phone = context.new_page()
        sent_s: list[float] = []

        def note(request: Request) -> None:
            if request.method in ("POST", "PATCH") and "/uploads" in request.url:
                sent_s.append(request.timing["startTime"] / 1000)

        phone.on("requestfinished", note)
        phone.goto(json.loads(told)["slips"][0]["link"])
        phone.set_input_files("#pick", clip)
        heading = phone.locator("h1").filter(has_text=ANSWERS)
        heading.wait_for(timeout=LONGEST_WAIT_MS)
        shown_s = time.time()
        answer = heading.inner_text()
        context.close()
        return shown_s - sent_s[-1], answer
    finally:
        site.close()


def _decode_s(path: Path) -> float:
    began = time.monotonic()
    with open_clip(path) as clip:
        for _ in clip.frames():
            pass
    return time.monotonic() - began
