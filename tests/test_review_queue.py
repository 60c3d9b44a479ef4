"""The pages about many sets: what comes next, the sheet, signatures withdrawn, pages, filters."""

from __future__ import annotations

import pytest

from record_books import TEACHER, file_set
from shoegoal.errors import RecordChangedError
from shoegoal.record.book import Book
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot, sign
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book
from shoegoal.review import queue
from test_review_page import Browser, client, version

__all__ = ["client"]  # the fixture


def test_after_a_signature_comes_the_next_set(client: Browser, book: Book) -> None:
    for name in ("one.mp4", "two.mp4"):
        file_set(book, name)
    file_set(book, "plain.mp4", unsure=False)
    for set_id, goes_on in ((1, "/sets/2"), (2, "/ready")):
        answer_shot(book, set_id, 5, Answer.MAKE)
        signed = client.post(f"/sets/{set_id}/sign", data={"seen": "2", "by": TEACHER})
        assert signed.url.path == goes_on
    assert TEACHER in signed.text  # the name that was typed is remembered


def test_sets_of_a_sheet_are_signed_together_each_with_its_entry(
    client: Browser, book: Book
) -> None:
    for number in range(3):
        file_set(book, f"plain{number}.mp4", unsure=False)
    answer_shot(book, 2, 1, Answer.MISS)  # somebody else, since the sheet was seen
    data = {"set": ["1:1", "2:1", "3:1"], "by": TEACHER}
    refused = client.post("/ready/sign", data=data)
    assert refused.status_code == 409
    assert "1 signed. Then: set 2 was changed by somebody else" in refused.text
    done = client.post("/ready/sign", data={"set": ["3:1"], "by": TEACHER})
    assert done.status_code == 200 and "Signed: 1." in done.text
    assert verify_book(book).signatures == 2
    assert client.post("/ready/sign", data={"by": TEACHER}).status_code == 422


def test_a_signature_is_withdrawn_with_a_reason_and_given_anew(client: Browser, book: Book) -> None:
    file_set(book, unsure=False)
    sign(book, 1, TEACHER)
    seen = str(version(book))
    no_reason = client.post("/sets/1/withdraw", data={"seen": seen, "by": TEACHER, "reason": " "})
    assert no_reason.status_code == 422
    data = {"seen": seen, "by": TEACHER, "reason": "the wrong clip was open"}
    page = client.post("/sets/1/withdraw", data=data).text
    assert "Signed by" not in page and 'id="sign">' in page
    assert "the signature was withdrawn: the wrong clip was open" in page
    assert client.post("/sets/1/withdraw", data=data | {"seen": "3"}).status_code == 422
    answer_shot(book, 1, 2, Answer.MAKE)
    sign(book, 1, "A. Reed")
    with book.reading() as connection:
        history = load_set(connection, 1)
    assert history.signature is not None and history.signature.by == "A. Reed"
    with pytest.raises(RecordChangedError, match="withdraw the signature first"):
        answer_shot(book, 1, 2, Answer.MISS)


def test_fifty_sets_a_page_and_only_those_asked_for(
    client: Browser, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queue, "PAGE_SIZE", 2)
    for number in range(5):
        file_set(book, f"doubtful{number}.mp4")
    assert client.get("/").text.count('class="line"') == 2
    last = client.get("/", params={"page": "3"}).text
    assert last.count('class="line"') == 1 and "Page 3 of 3" in last
    with book.reading() as connection:
        pupil = load_set(connection, 4).pupil
    one = client.get("/", params={"words": pupil[:-1].lower(), "class": "7b"}).text
    assert "/sets/4?" in one and f"words={pupil.split()[0].lower()}" in one
    assert 'class="line"' not in client.get("/", params={"class": "8a"}).text
