"""The page without a browser: what it shows, what it does, and whom it lets in."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

import shoegoal
from analysis_examples import marker_px
from record_books import TEACHER, file_set, put_result
from shoegoal.analysis import file
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.errors import BadSettingsError
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot, sign
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.routes import Visitor
from shoegoal.review.serve import make_app
from shoegoal.review.sets import ACTIONS, clock_seconds
from shoegoal.types import ImagePoint

KEY = "a-key-of-the-test"
HOME = "http://127.0.0.1"


class Browser(TestClient):
    """Sends a page's forms as a browser does: with the token that stands in them."""

    def post(self, url: Any, *, data: Any = None, **rest: Any) -> Any:
        token = {"csrf": Visitor.with_key(KEY).csrf}
        return super().post(url, data=None if data is None else token | data, **rest)


@pytest.fixture
def client(book: Book) -> Browser:
    """A browser that was given the key."""
    client = Browser(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    assert client.get("/", params={"key": KEY}).status_code == 200
    return client


def version(book: Book, set_id: int = 1) -> int:
    with book.reading() as connection:
        return load_set(connection, set_id).version


def filed_result(book: Book, folder: Path) -> None:
    with book.writing() as connection:
        file_count(connection, load_analysis(folder), folder, class_name="7b")


def test_stills_are_named_as_what_they_show(client: Browser, book: Book) -> None:
    """The fourth shot of the example stopped short, so no still shows it at the line."""
    file_set(book, "doubtful.mp4")
    for shot, caption in ((1, "at the line 0:0"), (4, "last seen 0:1")):
        assert f'data-line-caption="{caption}' in client.get(f"/sets/1?shot={shot}").text


def test_the_queue_names_what_waits_and_what_is_signed(client: Browser, book: Book) -> None:
    empty = client.get("/").text
    assert "No sets yet" in empty and "shoegoal hand-in" in empty  # what to do next
    file_set(book, "sure.mp4", unsure=False)
    file_set(book, "doubtful.mp4")
    page = client.get("/").text
    assert "1 to look at" in page and "1 ready to sign" in page and "0 signed" in page
    assert "/sets/2" in page and "/sets/1" not in page
    assert "3 makes, 2 misses, 1 open: shot 5 settles it" in page
    sheet = client.get("/ready").text
    assert "/sets/1" in sheet and "/sets/2" not in sheet and 'value="1:1" checked' in sheet
    sign(book, 1, TEACHER)
    assert "Nothing is ready to sign" in client.get("/ready").text
    # To the minute, and in which time.
    when = rf"[Ss]igned by {TEACHER}, \d{{4}}-\d\d-\d\d, \d\d:\d\d UTC"
    assert re.search(when, client.get("/signed").text)
    assert re.search(when, client.get("/sets/1").text)


def test_from_the_queue_to_a_signed_tally(client: Browser, book: Book) -> None:
    file_set(book)
    page = client.get("/sets/1").text
    assert "Shot 5: did it go in?" in page and "Too close to the right marker" in page
    assert re.search(r'id="sign" disabled', page)
    answered = client.post("/sets/1/answer", data={
        "seen": "1", "shot": "5", "answer": "make", "note": "just in", "by": TEACHER,
    })  # fmt: skip
    assert answered.status_code == 200 and answered.url.path == "/sets/1"  # redirected to the set
    assert "Advance: make 4 of 6" in answered.text and 'id="sign">' in answered.text
    signed = client.post("/sets/1/sign", data={"seen": "2", "by": TEACHER})
    assert signed.url.path == "/" and "All done" in signed.text  # on to what comes next
    page = client.get("/sets/1").text
    assert f"Signed by {TEACHER}" in page and 'name="answer"' not in page
    assert verify_book(book).signatures == 1


def test_a_page_with_htmx_gets_the_changed_part_alone(client: Browser, book: Book) -> None:
    file_set(book)
    part = client.post(
        "/sets/1/answer", data={"seen": "1", "shot": "5", "answer": "miss"},
        headers={"hx-request": "true"},
    )  # fmt: skip
    assert part.status_code == 200
    assert part.text.lstrip().startswith('<div id="work"') and "<html" not in part.text
    assert 'role="status"' in part.text and "Saved." in part.text
    assert f'name="seen" value="{version(book)}"' in part.text


def test_every_form_does_its_work(client: Browser, book: Book) -> None:
    file_set(book)

    def send(action: str, **fields: str) -> int:
        data = {"seen": str(version(book)), **fields}
        return int(client.post(f"/sets/1/{action}", data=data).status_code)

    assert send("answer", shot="2", answer="retake") == 200
    assert send("add", time="0:29.5", answer="make") == 200
    assert send("note", note="windy") == 200
    assert "windy" in client.get("/sets/1").text
    assert send("undo") == 200
    assert "windy" not in client.get("/sets/1").text
    assert version(book) == 5
    assert send("answer", shot="5", answer="not-a-shot") == 200
    assert "No, nothing is hidden there" in client.get("/sets/1").text  # 8 s, where 4 s is usual
    assert send("looked", stretch="1") == 200
    assert "No, nothing is hidden there" not in client.get("/sets/1").text
    # What cannot be is said on the page, with nothing written.
    for action, fields, says in (
        ("answer", {"shot": "77", "answer": "make"}, "has no shot 77"),
        ("answer", {"shot": "x", "answer": "make"}, "no usable shot"),
        ("answer", {"shot": "1", "answer": "goal"}, "say what the shot is"),
        ("add", {"time": "later", "answer": "make"}, "is not a time"),
        ("add", {"time": "1", "answer": "retake"}, "can be added: make, miss"),
        ("markers", {"left": "1,1"}, "point at both markers"),
        ("markers", {"left": "nan,1", "right": "5,5"}, "point at both markers"),
        ("note", {"note": " "}, "note is empty"),
        ("looked", {"stretch": "1"}, "nothing to look through"),
        ("sign", {"by": ""}, "needs a name"),
    ):
        data = {"seen": str(version(book)), **fields}
        answer = client.post(f"/sets/1/{action}", data=data)
        assert answer.status_code == 422, (action, answer.status_code)
        assert says in answer.text and 'role="alert"' in answer.text
    assert version(book) == 7


def test_a_coachs_question_ends_with_not_knowing_and_kappa_waits_for_answers(
    client: Browser, book: Book
) -> None:
    file_set(book)
    overview = client.get("/checks").text
    assert "No round has been drawn yet" in overview and "Counted as" not in overview
    client.post("/checks/draw", data={"class": "7b", "size": "2"})
    question = client.get("/checks/1").text
    answers = re.findall(r'name="answer" value="([^"]+)"[^>]*><span>([^<]+)<', question)
    assert answers == [("make", "Make"), ("miss", "Miss"), ("cannot-tell", "Cannot tell")]
    overview = client.get("/checks").text
    assert "nothing checked" in overview and "kappa" not in overview
    client.post("/checks/1/1/answer", data={"answer": "make"})
    assert "kappa" in client.get("/checks").text


def test_a_moved_marker_is_told_and_can_be_undone(
    client: Browser, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judging itself has tests of its own: here it only takes the places that were sent."""

    def judged_anew(analysis: Analysis, left: ImagePoint, right: ImagePoint) -> Analysis:
        assert analysis.scene is not None
        return replace(analysis, scene=replace(analysis.scene, left_px=left, right_px=right))

    monkeypatch.setattr(shoegoal, "recount", judged_anew)
    file_set(book)
    told = "A marker was moved, so this set was judged again."
    assert told not in client.get("/sets/1").text
    with book.reading() as connection:
        right = load_set(connection, 1).count.analysis().goal_scene.right_px
    to = marker_px(-1.9)
    fields = {"left": f"{to.x_px},{to.y_px}", "right": f"{right.x_px},{right.y_px}"}
    moved = client.post("/sets/1/markers", data={"seen": "1"} | fields).text
    assert told in moved and f'data-goal="{to.x_px:.1f},' in moved
    assert version(book) == 2  # one marker went elsewhere, so one entry
    assert told not in client.post("/sets/1/undo", data={"seen": "2"}).text


def test_two_reviewers_and_a_signed_set(client: Browser, book: Book) -> None:
    file_set(book)
    answer_shot(book, 1, 5, Answer.MAKE, by="A. Reed")
    late = client.post("/sets/1/answer", data={"seen": "1", "shot": "5", "answer": "miss"})
    assert late.status_code == 409
    assert "changed by somebody else since you looked" in late.text
    assert "Advance: make 4 of 6" in late.text  # the page shows how it stands now
    sign(book, 1, TEACHER)
    refused = client.post("/sets/1/undo", data={"seen": "3"})
    assert refused.status_code == 409 and "was signed by" in refused.text
    early = file_set(book, "other.mp4").set_id
    answer = client.post(f"/sets/{early}/sign", data={"seen": "1", "by": TEACHER})
    assert answer.status_code == 409 and "cannot be signed yet" in answer.text


def test_the_clip_is_handed_out_in_parts(client: Browser, book: Book, tmp_path: Path) -> None:
    """RFC 9110 section 14: 206 with Content-Range for a satisfiable range, 416 for none."""
    folder = put_result(tmp_path / "garden")
    filed_result(book, folder)
    content = (tmp_path / "garden" / "yard.mp4").read_bytes()
    whole = client.get("/sets/1/clip")
    assert (whole.status_code, whole.content) == (200, content)
    assert whole.headers["accept-ranges"] == "bytes"
    assert whole.headers["content-type"] == "video/mp4"
    part = client.get("/sets/1/clip", headers={"range": "bytes=3-7"})
    assert (part.status_code, part.content) == (206, content[3:8])
    assert part.headers["content-range"] == f"bytes 3-7/{len(content)}"
    tail = client.get("/sets/1/clip", headers={"range": "bytes=-4"})
    assert (tail.status_code, tail.content) == (206, content[-4:])
    assert client.get("/sets/1/clip", headers={"range": "bytes=999-"}).status_code == 416
    (tmp_path / "garden" / "yard.mp4").write_bytes(b"edited afterwards")
    assert client.get("/sets/1/clip").status_code == 409
    assert "changed since it was counted" in client.get("/sets/1").text
    (tmp_path / "garden" / "yard.mp4").unlink()
    assert client.get("/sets/1/clip").status_code == 404
    assert "The clip is not found" in client.get("/sets/1").text


def test_pictures_come_by_number_and_paths_from_the_book_alone(
    client: Browser, book: Book, tmp_path: Path
) -> None:
    folder = put_result(tmp_path / "garden", pictures=True)
    filed_result(book, folder)
    strip = client.get("/sets/1/shots/2.jpg")
    assert strip.content == (folder / "evidence" / "shot-02.jpg").read_bytes()
    at = round(1000 * load_analysis(folder).shots[1].kick_time_s)
    shown = [f"/sets/1/at/{at}/{name}.jpg" for name in ("contact", "line", "after")]
    for address in (*shown, "/sets/1/glance.jpg", "/sets/1/goal.jpg"):
        picture = client.get(address)
        assert picture.status_code == 200 and picture.content[:2] == b"\xff\xd8", address  # JPEG
    assert len({client.get(address).content for address in shown}) == 3
    for address in (
        f"/sets/1/at/{at}/nowhere.jpg", "/sets/1/at/999999/line.jpg",
        "/sets/1/shots/99.jpg", "/sets/1/shots/..%2f..%2fanalysis.json", "/sets/9", "/sets/x",
        "/sets/1/shots/-1.jpg", "/static/../app.py", "/static/%2e%2e/app.py", "/sets/1/overview",
    ):  # fmt: skip
        assert client.get(address).status_code == 404, address


def test_only_the_key_lets_in(book: Book) -> None:
    file_set(book)
    app = make_app(book, KeyEntrance(KEY))
    stranger = TestClient(app, base_url=HOME, headers={"origin": HOME})
    addresses = ["/", "/sets/1", "/sets/1/clip", "/ready", "/static/style.css"]
    for address in addresses:
        assert stranger.get(address).status_code == 403
        assert stranger.get(address, params={"key": "guessed"}).status_code == 403
    for action in ACTIONS:
        data = {"seen": "1", "shot": "5", "answer": "make", "by": "X"}
        assert stranger.post(f"/sets/1/{action}", data=data).status_code == 403
        assert stranger.post(f"/sets/1/{action}", params={"key": KEY}, data=data).status_code == 403
    assert version(book) == 1
    welcome = stranger.get("/", params={"key": KEY}, follow_redirects=False)
    assert welcome.status_code == 200 and 'content="0; url=/"' in welcome.text
    assert KEY not in welcome.text
    cookie = welcome.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie


def test_other_sites_and_other_names_are_kept_out(client: Browser, book: Book) -> None:
    file_set(book)
    data = {"seen": "1", "shot": "5", "answer": "make"}
    for origin in ("http://evil.example", "http://127.0.0.1:8000", "null"):
        answer = client.post("/sets/1/answer", data=data, headers={"origin": origin})
        assert answer.status_code == 403
    # A form of no page of ours lacks the token.
    for token in ("", "guessed", KEY):
        assert client.post("/sets/1/answer", data=data | {"csrf": token}).status_code == 403
    assert TestClient.post(client, "/sets/1/answer", data=data).status_code == 403
    assert client.post("/sets/1/note", data={"note": "x" * 70_000}).status_code == 413
    del client.headers["origin"]
    assert client.post("/sets/1/answer", data=data).status_code == 403
    # A name that somebody points at this computer (DNS rebinding) is not this page's.
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421
    assert version(book) == 1


def test_every_answer_is_hardened_and_asks_nothing_of_others(client: Browser, book: Book) -> None:
    file_set(book)
    for address in ("/", "/sets/1", "/nowhere", "/static/htmx.min.js"):
        headers = client.get(address).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        # With "no-referrer" a browser sends "Origin: null" with a plain form (Fetch, 3.2).
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cache-control"] == "no-store"
    page = client.get("/sets/1").text + client.get("/").text
    assert not re.findall(r"""(?:src|href|action)=["'](?:https?:)?//""", page)
    assert not re.findall(r"\son\w+=", page) and " style=" not in page  # the policy forbids both


def test_what_people_write_stays_text(client: Browser, book: Book) -> None:
    file_set(book)
    nasty = '<script>alert("x")</script>'
    client.post("/sets/1/note", data={"seen": "1", "note": nasty, "by": nasty})
    page = client.get("/sets/1").text
    assert nasty not in page and "&lt;script&gt;" in page


def test_a_set_of_another_version_says_so_on_its_own_page(
    client: Browser, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    file_set(book, unsure=False)
    file_set(book, "other.mp4")
    sign(book, 1, TEACHER)
    monkeypatch.setattr(file, "FORMAT_VERSION", 99)
    monkeypatch.setattr(file, "OLDEST_VERSION", 99)
    queue = client.get("/").text
    assert "count again" in queue and "/sets/2" in queue
    signed = client.get("/sets/1")
    assert signed.status_code == 200 and f"Signed by {TEACHER}" in signed.text
    assert "Shot 1: make" in signed.text and "another version" in signed.text
    waiting = client.get("/sets/2")
    assert waiting.status_code == 200 and "count the clip again and add it" in waiting.text
    assert "Nothing is lost" in waiting.text
    refused = client.post("/sets/2/answer", data={"seen": "1", "shot": "5", "answer": "make"})
    assert refused.status_code == 422 and 'role="alert"' in refused.text
    assert version(book, 2) == 1


@pytest.mark.parametrize(
    ("text", "seconds"), [("42.5", 42.5), ("1:12.3", 72.3), ("0:05", 5.0), ("10:00", 600.0)]
)
def test_times_read_as_on_a_player(text: str, seconds: float) -> None:
    assert clock_seconds(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "x", "1:77", "-3", "nan", "1:2:3", "inf"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(BadSettingsError, match="is not a time"):
        clock_seconds(text)
