"""Handing in without a browser: slips, the protocol of the upload, limits, and who sees what.

The upload is held against the protocol's text (https://tus.io/protocols/resumable-upload, 1.0.0)
and against ``tuspy``, the Python client of the protocol's own authors.
"""

from __future__ import annotations

import base64
import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tusclient.client import TusClient

from page_server import KEY, served
from record_books import TEACHER
from shoegoal.analysis.model import StageRecord
from shoegoal.filming_check.pupil import PupilAnswer
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.class_settings import make_slips, remember_class, settings_of
from shoegoal.record.filing import enrol
from shoegoal.record.handed_in import ClipState, HandedIn, by_token, clips_of, move
from shoegoal.record.purge import due_for_purge, purge
from shoegoal.review import tus
from shoegoal.review.guard import SLIP_COOKIE, KeyEntrance
from shoegoal.review.queue import plain_reason
from shoegoal.review.serve import make_app

HOME = "http://127.0.0.1"
TUS = {"tus-resumable": "1.0.0"}
STAGE = "five-of-ten"


@pytest.fixture
def book(tmp_path: Path) -> Book:
    """Two pupils; SQLite alone, for the queue's own tests ask both databases."""
    book = Book(str(tmp_path / "book.sqlite3"))
    with book.writing() as connection:
        enrol(connection, "7b", ["Otter 12", "Heron 4"], 0)
        remember_class(connection, "7b", limits={"largest_mb": 1, "most_a_day": 3})
    return book


def secret(book: Book, pupil: str) -> str:
    with book.writing() as connection:
        settings = settings_of(connection, "7b")
        assert settings is not None
        (slip,) = make_slips(connection, settings, [pupil], again=True)
    return slip.secret


def phone(book: Book, pupil: str = "Otter 12") -> TestClient:
    client = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    with book.reading() as connection:
        settings = settings_of(connection, "7b")
    assert settings is not None
    assert client.get(f"/h/{settings.code}/{secret(book, pupil)}").status_code == 200
    return client


def metadata(name: str = "clip.mp4", stage: str = STAGE) -> dict[str, str]:
    fields = {"filename": name, "filetype": "video/mp4", "stage": stage}
    told = (f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in fields.items())
    return {"upload-metadata": ",".join(told)}


def create(client: TestClient, size: int, **told: str) -> str:
    answer = client.post(
        "/h/uploads", headers=TUS | metadata(**told) | {"upload-length": str(size)}
    )
    assert answer.status_code == 201, answer.text
    return str(answer.headers["location"])


def patch(client: TestClient, place: str, offset: int, content: bytes) -> int:
    headers = TUS | {"upload-offset": str(offset), "content-type": tus.PART_TYPE}
    return int(client.patch(place, headers=headers, content=content).status_code)


def clip_at(book: Book, place: str) -> HandedIn:
    with book.reading() as connection:
        clip = by_token(connection, place.rpartition("/")[2])
    assert clip is not None
    return clip


def test_a_clip_comes_in_parts_and_goes_on_where_it_stopped(book: Book) -> None:
    client = phone(book)
    told = client.options("/h/uploads").headers
    assert (told["tus-version"], told["tus-resumable"]) == ("1.0.0", "1.0.0")
    assert set(told["tus-extension"].split(",")) == {"creation", "termination"}
    place = create(client, 10)
    assert client.head(place, headers=TUS).headers["upload-offset"] == "0"
    assert patch(client, place, 0, b"abcd") == 204
    # Another server, as after a crash: how far it came is how long its file is.
    other = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    other.cookies.set(SLIP_COOKIE, str(client.cookies[SLIP_COOKIE]), path="/h")
    asked = other.head(place, headers=TUS)
    assert (asked.headers["upload-offset"], asked.headers["upload-length"]) == ("4", "10")
    assert asked.headers["cache-control"] == "no-store"
    assert patch(other, place, 3, b"defg") == 409  # "If the offsets do not match ... 409 Conflict"
    assert patch(other, place, 4, b"efghijklm") == 413  # more than was announced
    offset = int(other.head(place, headers=TUS).headers["upload-offset"])
    assert patch(other, place, offset, b"abcdefghij"[offset:]) == 204
    clip = clip_at(book, place)
    assert clip.state is ClipState.RECEIVED and clip.clip_path.read_bytes() == b"abcdefghij"
    assert clip.sha256 is not None and not clip.part_path.exists()
    assert other.head(place, headers=TUS).headers["upload-offset"] == "10"


def test_the_protocols_refusals(book: Book) -> None:
    client = phone(book)
    place = create(client, 5)
    assert client.head(place).status_code == 412  # no Tus-Resumable
    assert client.head(place, headers={"tus-resumable": "0.2.2"}).headers["tus-version"] == "1.0.0"
    wrong = TUS | {"upload-offset": "0", "content-type": "video/mp4"}
    assert client.patch(place, headers=wrong, content=b"x").status_code == 415
    assert client.head("/h/uploads/nowhere", headers=TUS).status_code == 404
    assert client.post("/h/uploads", headers=TUS).status_code == 400  # no Upload-Length
    bad = TUS | {"upload-length": "5", "upload-metadata": "filename !!"}
    assert client.post("/h/uploads", headers=bad).status_code == 400
    assert client.delete(place, headers=TUS).status_code == 204  # termination
    assert client.head(place, headers=TUS).status_code == 404


def test_the_protocols_own_client_sends_a_clip(book: Book, tmp_path: Path) -> None:
    content = bytes(range(256)) * 40
    clip = tmp_path / "clip.mov"
    clip.write_bytes(content)
    given = secret(book, "Otter 12")
    with served(lambda _: make_app(book, KeyEntrance(KEY))) as port:
        home = f"http://127.0.0.1:{port}"
        cookie = f"{SLIP_COOKIE}={given}"
        client = TusClient(f"{home}/h/uploads", headers={"cookie": cookie, "origin": home})
        told = {"filename": "clip.mov", "stage": STAGE}
        with clip.open("rb") as stream:
            sender = client.uploader(file_stream=stream, chunk_size=3000, metadata=told)
            sender.upload_chunk()
            assert sender.offset == 3000
            again = client.uploader(file_stream=stream, chunk_size=3000, url=sender.url)
            assert again.offset == 3000  # asked from the server
            again.upload()
    whole = clip_at(book, str(sender.url))
    assert whole.clip_path.read_bytes() == content and whole.clip_path.suffix == ".mov"
    assert whole.state is ClipState.RECEIVED


@pytest.mark.parametrize(
    ("size", "told", "status", "says"),
    [
        (1_000_001, {}, 413, "at most 1 MB can be sent"),
        (10, {"name": "notes.txt", "stage": STAGE}, 201, ""),  # video/mp4 by its type
        (10, {"stage": "no-such-stage"}, 400, "there is no stage"),
    ],
)
def test_what_is_over_the_limits_gets_a_clear_answer(
    book: Book, size: int, told: dict[str, str], status: int, says: str
) -> None:
    headers = TUS | metadata(**told) | {"upload-length": str(size)}
    answer = phone(book).post("/h/uploads", headers=headers)
    assert answer.status_code == status and says in answer.text


def test_so_many_clips_a_day_and_no_full_disk(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    client = phone(book)
    for _ in range(3):
        create(client, 10)
    headers = TUS | metadata() | {"upload-length": "10"}
    answer = client.post("/h/uploads", headers=headers)
    assert answer.status_code == 429 and "3 clips since yesterday" in answer.text
    assert phone(book, "Heron 4").post("/h/uploads", headers=headers).status_code == 201
    monkeypatch.setattr(tus, "KEPT_FREE_BYTES", 10**18)
    full = phone(book, "Heron 4").post("/h/uploads", headers=headers)
    assert full.status_code == 507 and "no room" in full.text


def desk_of(book: Book) -> TestClient:
    """The teacher's page, open."""
    desk = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    desk.get("/", params={"key": KEY})
    return desk


def test_the_same_clip_twice_is_one_clip(book: Book) -> None:
    client = phone(book)
    places = [create(client, 4) for _ in range(2)]
    for place in places:
        assert patch(client, place, 0, b"same") == 204
    first, second = (clip_at(book, place) for place in places)
    assert first.state is ClipState.RECEIVED and second.state is ClipState.NOT_COUNTED
    assert "Handed in before" in client.get(f"/h/clips/{second.token}").text
    # No markers can help here, and there is no picture.
    desk = desk_of(book).get("/").text
    assert (
        "This clip was handed in before." in desk and "markers" not in desk and "<img" not in desk
    )


def test_a_pupil_sees_their_own_clips_only(book: Book) -> None:
    mine, other = phone(book), phone(book, "Heron 4")
    place = create(mine, 4)
    assert patch(mine, place, 0, b"mine") == 204
    token = place.rpartition("/")[2]
    own = mine.get(f"/h/clips/{token}")
    assert own.status_code == 200 and "Your clip has arrived" in own.text
    for address in (f"/h/clips/{token}", f"/h/clips/{token}/still.jpg", f"/h/clips/{token}/point"):
        assert other.get(address).status_code == 404, address
    assert other.head(place, headers=TUS).status_code == 404
    assert other.post(f"/h/clips/{token}/again", data={"x": "1"}).status_code == 404
    assert token not in other.get("/h/").text and "Heron 4" in other.get("/h/").text
    stranger = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    shown = stranger.get(f"/h/clips/{token}")
    assert shown.url.path == "/h/slip" and "Which slip is yours?" in shown.text
    assert stranger.head(place, headers=TUS).status_code == 403
    assert stranger.get("/h/nosuch").status_code == 404
    assert stranger.get("/h/abc/WRONG-CODE").status_code == 404
    assert stranger.get("/sets/1").status_code == 403  # a slip is no key to the teacher's page
    assert mine.get("/").status_code == 403 and mine.get("/ready").status_code == 403


def test_forms_of_other_sites_and_other_names_are_refused(book: Book) -> None:
    client = phone(book)
    for origin in ("https://evil.example", "null"):
        headers = TUS | metadata() | {"upload-length": "10", "origin": origin}
        assert client.post("/h/uploads", headers=headers).status_code == 403
        forget = client.post("/h/forget", headers={"origin": origin}, data={"a": "b"})
        assert forget.status_code == 403
    assert client.get("/h/", headers={"host": "evil.example"}).status_code == 421
    hardened = client.get("/h/").headers
    assert "default-src 'none'" in hardened["content-security-policy"]
    assert hardened["cache-control"] == "no-store" and hardened["referrer-policy"] == "same-origin"
    cookie = client.get(f"/h/{code(book)}/{secret(book, 'Heron 4')}", follow_redirects=False)
    told = cookie.headers["set-cookie"].lower()
    assert "httponly" in told and "samesite=lax" in told and "path=/h" in told


def code(book: Book) -> str:
    with book.reading() as connection:
        settings = settings_of(connection, "7b")
    assert settings is not None
    return settings.code


def test_film_again_says_at_most_two_things_and_the_pupil_decides(book: Book) -> None:
    client = phone(book)
    place = create(client, 4)
    patch(client, place, 0, b"dark")
    clip = clip_at(book, place)
    dark = PupilAnswer(
        False, "We saw the ball.", ("Film with more light.", "Hold still."), None, 640, 360
    )
    no_clip = PupilAnswer(False, "This file is not a clip.", ("Choose it once more.",))
    for filmed in (no_clip, dark):
        with book.writing() as connection:
            kept = json.dumps(filmed.serialise())
            move(connection, clip_at(book, place), ClipState.CHECKED, filming=kept)
        page = client.get(f"/h/clips/{clip.token}").text
        assert ("anyway" in page) == (filmed is dark)
    assert "Film again" in page and page.count("<li>") == 2 and "--" not in page
    assert "Film again" in client.get("/h/").text
    again = client.post(f"/h/clips/{clip.token}/anyway", data={"a": "b"})
    assert "Handed in" in again.text and clip_at(book, place).state is ClipState.WAITING
    with book.writing() as connection:
        move(connection, clip_at(book, place), ClipState.CHECKED)
    client.post(f"/h/clips/{clip.token}/again", data={"a": "b"})
    assert clip_at(book, place).state is ClipState.SET_ASIDE and not clip.clip_path.exists()


def test_what_the_check_could_not_tell_the_count_says(book: Book) -> None:
    """Nothing is promised; a count that refuses leads to "film again" on the same page."""
    client = phone(book)
    place = create(client, 4)
    patch(client, place, 0, b"dark")
    clip = clip_at(book, place)
    clip.clip_path.with_name("still.jpg").write_bytes(b"\xff\xd8 a picture")
    filmed = PupilAnswer(True, "We could not make out both markers.", ("Stand back.",), sure=False)
    plain = json.dumps(filmed.serialise())
    with book.writing() as connection:
        move(connection, clip, ClipState.WAITING, filming=plain)
    page = client.get(f"/h/clips/{clip.token}").text
    assert "It is being counted anyway." in page and "data-again" in page
    assert "point at them" in page and "Film again instead" in page
    with book.writing() as connection:
        move(connection, clip_at(book, place), ClipState.NOT_COUNTED, why="no goal was found")
    page = client.get(f"/h/clips/{clip.token}").text
    assert "<h1>Film again</h1>" in page and "Stand back." in page and "data-again" not in page
    client.post(f"/h/clips/{clip.token}/again", data={"a": "b"})
    assert clip_at(book, place).state is ClipState.SET_ASIDE


def test_what_cannot_be_counted_is_repaired_by_pointing(book: Book) -> None:
    client = phone(book)
    place = create(client, 4)
    patch(client, place, 0, b"plum")
    clip = clip_at(book, place)
    filmed = PupilAnswer(True, "We saw both markers.", (), ((1.0, 2.0), (3.0, 2.0)), 640, 360)
    clip.clip_path.with_name("still.jpg").write_bytes(b"\xff\xd8 a picture")
    why = "no goal was found; give --left X,Y and --right X,Y"
    with book.writing() as connection:
        plain = json.dumps(filmed.serialise())
        move(connection, clip, ClipState.NOT_COUNTED, why=why, filming=plain)
    desk = desk_of(book)
    assert "Could not be counted" in desk.get("/").text
    page = desk.get(f"/clips/{clip.clip_id}").text
    assert "No goal was found." in page
    assert "--left" not in page and "pixel" not in page.casefold()
    from shoegoal.review.routes import Visitor

    data = {"csrf": Visitor.with_key(KEY).csrf, "left": "100.5,200", "right": ""}
    assert desk.post(f"/clips/{clip.clip_id}/point", data=data).status_code == 422
    desk.post(f"/clips/{clip.clip_id}/point", data=data | {"right": "300,201"})
    again = clip_at(book, place)
    assert again.state is ClipState.WAITING and again.markers_px is not None
    assert (again.markers_px[0].x_px, again.markers_px[1].y_px) == (100.5, 201.0)
    assert "Could not be counted" not in desk.get("/").text
    assert plain_reason("") == "It could not be counted."


def test_a_second_page_takes_over_from_a_half_dead_one(book: Book) -> None:
    """A connection that hangs must not hold up the one that replaces it."""
    client = phone(book)
    place = create(client, 6)
    started, go_on = threading.Event(), threading.Event()

    def slowly() -> Iterator[bytes]:
        yield b"ab"
        started.set()
        go_on.wait(10)
        yield b"XX"

    answers: list[int] = []
    headers = TUS | {"upload-offset": "0", "content-type": tus.PART_TYPE}
    with served(lambda _: make_app(book, KeyEntrance(KEY))) as port:
        home = f"http://127.0.0.1:{port}"
        cookie = {"cookie": f"{SLIP_COOKIE}={client.cookies[SLIP_COOKIE]}", "origin": home}

        def first() -> None:
            with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as link:
                link.request("PATCH", place, slowly(), headers | cookie, encode_chunked=True)
                with link.getresponse() as answer:
                    answers.append(answer.status)

        thread = threading.Thread(target=first)
        thread.start()
        assert started.wait(10)
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as second:
            offset = ""
            for _ in range(100):
                second.request("HEAD", place, headers=TUS | cookie)
                with second.getresponse() as answer:
                    offset = answer.headers["upload-offset"]
                if offset == "2":
                    break
            assert offset == "2"
            second.request("PATCH", place, b"cdef", headers | cookie | {"upload-offset": "2"})
            with second.getresponse() as answer:
                assert answer.status == 204
        go_on.set()
        thread.join(timeout=20)
    assert answers == [423]
    assert clip_at(book, place).clip_path.read_bytes() == b"abcdef"


def test_what_is_signed_tells_the_pupil_what_was_reached(book: Book, tmp_path: Path) -> None:
    from record_books import put_result
    from shoegoal.analysis.file import load_analysis
    from shoegoal.record.filing import file_count
    from shoegoal.record.reviewing import sign

    client = phone(book)
    place = create(client, 4)
    patch(client, place, 0, b"done")
    result = put_result(tmp_path / "yard", unsure=False, pictures=True)
    with book.writing() as connection:
        filed = file_count(connection, load_analysis(result), result, pupil="Otter 12")
        clip = clip_at(book, place)
        move(connection, clip, ClipState.COUNTED, set_id=filed.set_id)
    address = f"/h/clips/{clip.token}"
    assert "Your teacher will look at the count." in client.get(address).text
    sign(book, filed.set_id, TEACHER)
    page = client.get(address).text
    assert "4 of 6: reached!" in page and "Next" in page and "Where your shots went" in page
    with book.reading() as connection:
        assert [one.stage for one in clips_of(connection)] == [
            StageRecord.of(load_ladder().stage_by_name(STAGE))
        ]


def test_purge_takes_clips_that_were_never_counted_and_uploads_that_broke_off(book: Book) -> None:
    client = phone(book)
    half, refused, queued = (create(client, size) for size in (10, 4, 5))
    patch(client, half, 0, b"half")
    patch(client, refused, 0, b"dark")
    patch(client, queued, 0, b"other")
    with book.writing() as connection:
        move(connection, clip_at(book, refused), ClipState.NOT_COUNTED, why="no goal")
    still = clip_at(book, refused).clip_path.with_name("filming.jpg")
    still.write_bytes(b"a picture")
    assert due_for_purge(book, 1) == []
    later = datetime.now(UTC) + timedelta(days=2)
    due = due_for_purge(book, 1, later)
    assert [one.set_id for one in due] == [None, None] and purge(book, due) == 3
    for place in (half, refused):
        clip = clip_at(book, place)
        assert clip.state is ClipState.SET_ASIDE and not list(clip.clip_path.parent.glob("*"))
        assert "It was deleted" in client.get(f"/h/clips/{clip.token}").text
    assert clip_at(book, queued).clip_path.read_bytes() == b"other"  # it waits to be counted
    assert due_for_purge(book, 1, later) == []
    assert client.head(half, headers=TUS).status_code == 404
