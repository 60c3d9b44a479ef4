"""Everybody can read the page: labels, words for pictures, contrast, shapes beside colours."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from record_books import file_set, put_result
from shoegoal.record.book import Book
from shoegoal.record.reviewing import answer_shot
from shoegoal.record.status import Answer
from test_review_page import Browser, client, filed_result

__all__ = ["client"]  # the fixture


class _Labels(HTMLParser):
    """Collects what is labelled and what is not."""

    def __init__(self) -> None:
        super().__init__()
        self.fields: list[dict[str, str | None]] = []
        self.labelled: set[str] = set()
        self.ids: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self._open_label = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "label":
            self._open_label += 1
            self.labelled.add(str(given.get("for")))
        if tag in ("input", "select") and given.get("type") != "hidden" and not self._open_label:
            self.fields.append(given)
        if tag == "img":
            self.images.append(given)

    def handle_endtag(self, tag: str) -> None:
        self._open_label -= tag == "label"


def test_every_field_has_a_label_every_picture_words_every_id_its_own(
    client: Browser, book: Book, tmp_path: Path
) -> None:
    """WCAG 2.2, 1.1.1 and 3.3.2; HTML Living Standard on ids."""
    filed_result(book, put_result(tmp_path / "garden", pictures=True))
    answer_shot(book, 1, 2, Answer.RETAKE, note="rolled")
    for address in ("/sets/1", "/", "/ready", "/sets/1/markers"):
        seen = _Labels()
        seen.feed(client.get(address).text)
        assert all(field.get("id") in seen.labelled for field in seen.fields)
        assert all("alt" in image for image in seen.images)
        assert len(seen.ids) == len(set(seen.ids))


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_colours_keep_their_contrast() -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for edges that tell something."""
    sheet = Path("src/shoegoal/review/static/style.css")
    sheet = Path(__file__).parents[1] / sheet
    text = sheet.read_text(encoding="utf-8")
    schemes = re.findall(r":root \{(.*?)\}", text, re.DOTALL)

    def ratio(one: str, other: str) -> float:
        light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert ratio("#ffffff", "#000000") == pytest.approx(21.0)  # the standard's own upper end
    assert len(schemes) == 2  # light and dark
    for scheme in schemes:
        named = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", scheme))
        for ground in ("paper", "card", "soft"):
            for ink in ("ink", "quiet", "make", "miss", "unsure", "accent"):
                assert ratio(named[ink], named[ground]) >= 4.5, (ink, ground)
            assert ratio(named["edge"], named[ground]) >= 3.0
            assert ratio(named["focus"], named[ground]) >= 3.0
        assert ratio(named["on-accent"], named["accent"]) >= 4.5


def test_state_is_never_told_by_colour_alone(client: Browser, book: Book) -> None:
    """WCAG 2.2, 1.4.1: each call has its word and its own sign."""
    file_set(book)
    page = client.get("/sets/1").text
    for sign_, word in (("●", "make"), ("✕", "miss"), ("◆", "unsure")):
        assert re.search(rf'<span aria-hidden="true">{re.escape(sign_)}</span> {word}', page)
