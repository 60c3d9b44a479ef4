"""Every kind of page as a browser lays it out: contrast, targets, focus, names, room on a phone.

The measures are those of WCAG 2.2 (https://www.w3.org/TR/WCAG22/), level AA.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import pytest
from playwright.sync_api import Browser, Page

from page_server import (
    LAPTOP,
    PHONE,
    enter,
    served_with_accounts,
    served_with_key,
    watched_page,
)
from review_people import COACH, PASSWORD, STUDENT, TEACHER, people, quick_hashes
from review_school import DONE_ROUND, DOUBTFUL, OPEN_ROUND, SHORT, SIGNED, TOUCHES, fill
from shoegoal.record.book import Book

NARROWEST = {"width": 320, "height": 640}  # 1.4.10 asks for 320
PAGES = (
    "/", "/ready", "/signed", f"/sets/{DOUBTFUL}/markers",
    *(f"/sets/{number}" for number in (DOUBTFUL, SIGNED, SHORT, TOUCHES)),
    "/checks", f"/checks/{OPEN_ROUND}", f"/checks/{DONE_ROUND}", "/accuracy",
    "/sets/99",
)  # fmt: skip
# What a page shows, element by element, as the browser worked it out.
LOOK = """() => {
  const shown = (e) => e.checkVisibility() && e.getBoundingClientRect().width > 0;
  const name = (e) => e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + " "
    + (e.textContent || "").trim().slice(0, 30);
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if (colour !== "rgba(0, 0, 0, 0)" && colour !== "transparent") return colour;
    }
    return "rgb(255, 255, 255)";
  };
  document.querySelectorAll("details").forEach((part) => { part.open = true; });
  const texts = [], edges = [], targets = [], unnamed = [], rings = [];
  for (const e of document.querySelectorAll("body *")) {
    // Over pictures and clips words carry a rim of their own.
    if (!shown(e) || e.closest("video, .point svg, .screen svg")) continue;
    const style = getComputedStyle(e);
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (own) texts.push([name(e), e instanceof SVGElement ? style.fill : style.color, ground(e)]);
    // Buttons that are words alone are told by these, as links are.
    if (e.matches("input:not([type=radio]):not([type=checkbox]), select, button:not(.plain)")) {
      edges.push([name(e), style.borderTopColor, ground(e.parentElement)]);
      if (e.matches("input")) texts.push([name(e), style.color, ground(e)]);
    }
    if (e.matches("a, button, input, select, summary")) {
      // A label takes the press for its field; a link within a sentence is exempt (2.5.8, inline).
      const box = (e.closest("label") ?? e).getBoundingClientRect();
      const inline = e.matches("a") && e.parentElement.matches("p, li, td");
      if (!inline) targets.push([name(e), box.width, box.height]);
      const words = e.getAttribute("aria-label") || e.textContent.trim();
      const labelled = e.matches("input, select") ? e.labels.length > 0 : words;
      if (!labelled) unnamed.push(name(e));
    }
    if (e.matches("img") && !e.hasAttribute("alt")) unnamed.push(name(e));
    if (e.matches("svg:not([aria-hidden=true])") && !e.hasAttribute("aria-labelledby")
      && !e.hasAttribute("aria-label"))
      unnamed.push(name(e));
    if (e.matches("a, button:not(:disabled), input, select, summary, [tabindex='0']")) {
      e.focus();
      const ring = getComputedStyle(e);
      rings.push([name(e), document.activeElement === e && e.matches(":focus-visible"),
        ring.outlineStyle, parseFloat(ring.outlineWidth), ring.outlineColor,
        ground(e.parentElement)]);
    }
  }
  return {texts, edges, targets, unnamed, rings, headings: document.querySelectorAll("h1").length,
          title: document.title, lang: document.documentElement.lang};
}"""


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    assert colour.startswith("rgb("), colour  # a see-through one would need what lies beneath
    parts = [int(part) / 255 for part in colour[4:-1].split(",")]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_the_standards() -> None:
    """The ends of WCAG 2.2's definition, and the lightest grey on white that reaches 4.5."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21.0)
    assert contrast("rgb(7, 7, 7)", "rgb(7, 7, 7)") == 1.0
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") >= 4.5  # #767676
    assert contrast("rgb(119, 119, 119)", "rgb(255, 255, 255)") < 4.5


def faults_of(page: Page) -> list[str]:
    """What on a page falls short."""
    page.keyboard.press("Tab")  # from now on the browser shows where the focus is
    seen: dict[str, Any] = page.evaluate(LOOK)
    assert seen["texts"] and seen["targets"] and seen["rings"]
    faults = [f"no name: {name}" for name in seen["unnamed"]]
    for what, least in (("texts", 4.5), ("edges", 3.0)):  # 1.4.3; 1.4.11
        faults += [
            f"{what}, {contrast(ink, ground):.2f}: {name}"
            for name, ink, ground in seen[what]
            if contrast(ink, ground) < least
        ]
    faults += [
        f"target, {width:.0f} x {height:.0f}: {name}"  # 2.5.8
        for name, width, height in seen["targets"]
        if min(width, height) < 24
    ]
    faults += [
        f"focus not seen: {name}"  # 2.4.7
        for name, shown, style, width_px, ring, ground in seen["rings"]
        if not shown or style != "solid" or width_px < 2 or contrast(ring, ground) < 3
    ]
    if (seen["headings"], seen["lang"]) != (1, "en") or "shoegoal" not in seen["title"]:
        faults.append(f"heading, language or title: {seen['title']}")
    return faults


@pytest.fixture(scope="module")
def key_page(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    folder = tmp_path_factory.mktemp("school")
    book = Book(str(folder / "book.sqlite3"))
    fill(book, folder / "yard")
    with (
        served_with_key(book) as address,
        watched_page(browser, "http://127.0.0.1:", refusals=(404,)) as page,
    ):
        enter(page, address)
        yield page


@pytest.mark.parametrize("address", PAGES)
def test_every_page_can_be_read_and_pressed(key_page: Page, address: str) -> None:
    key_page.goto(urljoin(key_page.url, address))
    for size in (LAPTOP, PHONE, NARROWEST):
        key_page.set_viewport_size(size)  # type: ignore[arg-type]
        assert key_page.evaluate("document.documentElement.scrollWidth") <= size["width"], size
        assert faults_of(key_page) == [], size


def test_what_falls_short_would_be_noticed(key_page: Page) -> None:
    key_page.goto(urljoin(key_page.url, "/checks"))
    key_page.evaluate("""() => {
      document.querySelector("h1").style.color = "#949494";
      document.querySelector("input[name=size]").style.borderColor = "#ddd";
      document.querySelector("label[for=size]").remove();
      const button = document.querySelector("button");
      Object.assign(button.style, {outline: "none", minHeight: "0", height: "20px"});
    }""")
    kinds = sorted(fault.split(":")[0].split(",")[0] for fault in faults_of(key_page))
    assert kinds == ["edges", "focus not seen", "no name", "target", "texts"]


@pytest.mark.parametrize(
    ("name", "sees", "sees_not"),
    [
        (None, ["Log in"], ["ready to sign", "Spot checks"]),
        (TEACHER, ["ready to sign", "Spot checks", "Log out"], []),
        (COACH, ["Spot checks", "Log out"], ["ready to sign", "Your sets"]),
        (STUDENT, ["Your sets", "Log out"], ["ready to sign", "Spot checks"]),
    ],
)
def test_what_each_role_sees_first(
    browser: Browser,
    school: Book,
    tmp_path: Path,
    name: str | None,
    sees: list[str],
    sees_not: list[str],
) -> None:
    with (
        served_with_accounts(school, tmp_path) as address,
        watched_page(browser, address, viewport=PHONE, ignore_https_errors=True) as page,
    ):
        page.goto(address)
        if name is not None:
            page.get_by_label("Name of your account").fill(name)
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Log in").click()
            page.get_by_role("button", name="Log out").wait_for()
            page.wait_for_load_state()
        words = page.locator("body").inner_text()
        assert all(one in words for one in sees), words
        assert not any(one in words for one in sees_not), words
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        assert faults_of(page) == []


@pytest.fixture
def school(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Book:
    quick_hashes(monkeypatch)
    book = Book(str(tmp_path / "book.sqlite3"))
    people(book)
    return book
