"""Doors that hold: absurd requests, half-sent ones, and more connections than there is room for."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path

import httpx2 as httpx
import pytest
import uvicorn
from sqlalchemy import select
from starlette.testclient import TestClient

from page_server import KEY
from record_books import file_set, put_result
from review_people import HOST, OTHER, PASSWORD, SITE, TEACHER, people, quick_hashes
from route_attack import slips_and_a_clip
from shoegoal.analysis.file import load_analysis
from shoegoal.clip import reader
from shoegoal.errors import BadSettingsError, NotLetInError, TooManyTriesError
from shoegoal.record import history, schema
from shoegoal.record.accounts import forget_tries, log_in
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.review import guard, phone, serve
from shoegoal.review.guard import SLIP_COOKIE, AccountEntrance, KeyEntrance, site_name
from shoegoal.review.serve import PatientProtocol, PatientServer, check_site, make_app
from shoegoal.review.sets import clock_seconds

HOME = "http://127.0.0.1:8000"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def one_set(tmp_path_factory: pytest.TempPathFactory) -> Book:
    book = Book(str(tmp_path_factory.mktemp("routes") / "book.sqlite3"))
    file_set(book)
    return book


@pytest.fixture
def client(one_set: Book) -> TestClient:
    app = make_app(one_set, KeyEntrance(KEY))
    client = TestClient(app, base_url=HOME, headers={"origin": HOME}, raise_server_exceptions=False)
    client.cookies.set("shoegoal_key", KEY)
    return client


def hardened(answer: httpx.Response) -> bool:
    return "content-security-policy" in answer.headers


@pytest.mark.parametrize("number", ["2147483648", "9" * 30, "9" * 5000])
def test_absurd_numbers_in_an_address_are_no_page(client: TestClient, number: str) -> None:
    for path in (f"/sets/{number}", f"/sets/1/strips/{number}", f"/checks/{number}"):
        answer = client.get(path)
        assert answer.status_code in (404, 414, 422) and hardened(answer), path


@pytest.mark.parametrize("length", ["9" * 5000, "1" * 13, "-1", "1e3", "", "\u0661"])
def test_absurd_lengths_are_no_form(client: TestClient, length: str) -> None:
    headers = {b"content-length": length.encode()}
    answer = client.post("/sets/1/note", headers=headers, content=b"")
    assert answer.status_code in (403, 413) and hardened(answer)


def test_absurd_times_are_no_times() -> None:
    for text in ("9" * 400 + ":10", "1:1e400", "-1:-5", "9" * 5000 + ":1", "nan", "1:nan"):
        with pytest.raises(Exception, match="is not a time"):
            clock_seconds(text)


@pytest.mark.parametrize("host", ["[", "[::1", "", "a b", "127.0.0.1:99999999", "127.0.0.1:x"])
def test_hosts_that_cannot_be_are_turned_away(client: TestClient, host: str) -> None:
    answer = client.get("/", headers={"host": host})
    assert answer.status_code in (200, 400, 421) and hardened(answer)


@pytest.mark.parametrize(
    ("owner", "name", "path"),
    [(KeyEntrance, "visitor", "/"), (phone, "find_holder", "/h/abc")],
)
def test_a_fault_of_ours_is_hardened_too(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, owner: object, name: str, path: str
) -> None:
    def broken(*_: object) -> object:
        raise RuntimeError("a fault")

    monkeypatch.setattr(owner, name, broken)
    answer = client.get(path)
    assert answer.status_code == 500 and hardened(answer) and "a fault" in answer.text


def test_a_refused_marker_move_is_said(client: TestClient) -> None:
    page = client.get("/sets/1").text
    csrf = page.split('name="csrf" value="')[1].split('"')[0]
    for x, y in (("99999", "-99999"), ("1e999", "0"), ("9" * 5000, "0")):
        data = {"csrf": csrf, "seen": "1", "by": "T.", "left": f"{x},{y}", "right": f"{x},{y}"}
        answer = client.post("/sets/1/markers", data=data)
        assert answer.status_code == 422 and hardened(answer)


def test_names_of_a_site_are_compared_as_the_standard_says(one_set: Book) -> None:
    """RFC 3986, 6.2.2.1 and 6.2.3: case of a host and a scheme's own port make no difference."""
    assert site_name("Shots.Example:443", "https") == "shots.example"
    assert site_name("shots.example:80", "https") == "shots.example:80"
    site = check_site(f"https://{HOST.upper()}:443", "0.0.0.0", None, None, behind_tls=True)
    assert site is not None and site.host == HOST
    app = make_app(one_set, AccountEntrance(one_set, site.host))
    for name, code in ((HOST.upper(), 200), (f"{HOST}:443", 200), (f"{HOST}:80", 421)):
        browser = TestClient(app, base_url=SITE, follow_redirects=False)
        assert browser.get("/login", headers={"host": name}).status_code == code


def test_a_clip_is_hashed_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book, folder = Book(str(tmp_path / "book.sqlite3")), put_result(tmp_path)
    with book.writing() as connection:
        file_count(connection, load_analysis(folder), folder)
    with book.reading() as connection:
        one = load_set(connection, 1)
    hashed: list[object] = []

    def counted(path: Path) -> str:
        hashed.append(path)
        return reader.clip_sha256(path)

    monkeypatch.setattr(history, "clip_sha256", counted)
    assert [one.clip_state() for _ in range(3)] == ["as counted"] * 3
    clip = tmp_path / "yard.mp4"
    before = clip.stat()
    content = clip.read_bytes()
    clip.write_bytes(content[::-1])  # as long, and its time put back: the time of change tells
    os.utime(clip, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert one.clip_state() == "changed"
    assert len(hashed) <= 2


@pytest.fixture
def port(one_set: Book, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The page as it is served, with little patience and room."""
    monkeypatch.setattr(serve, "REQUEST_WITHIN_S", 1.0)
    monkeypatch.setattr(serve, "MOST_CONNECTIONS", 30)
    monkeypatch.setattr(guard, "NEXT_PART_WITHIN_S", 1.0)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(100)
        app = make_app(one_set, KeyEntrance(KEY))
        config = uvicorn.Config(
            app, log_level="critical", lifespan="off", http=PatientProtocol, ws="none"
        )
        server = PatientServer(config)
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        yield listening.getsockname()[1]
        server.should_exit = True
        thread.join(timeout=60)
    assert not thread.is_alive()


def looked_at(port: int) -> int:
    cookies = {"shoegoal_key": KEY}
    return httpx.get(f"http://127.0.0.1:{port}/", cookies=cookies, timeout=20).status_code


def closed_within(connection: socket.socket, limit_s: float) -> bool:
    connection.settimeout(limit_s)
    try:
        while connection.recv(65_536):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        return True
    return True


def test_idle_and_half_sent_connections_shut_nobody_out(port: int) -> None:
    with ExitStack() as held:
        several = [
            held.enter_context(closing(socket.create_connection(("127.0.0.1", port))))
            for _ in range(90)  # three times as many as there is room for
        ]
        for one in several[::2]:
            try:
                one.send(b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx-half: ")
            except ConnectionError:
                continue  # it made room
        assert looked_at(port) == 200
        began = time.monotonic()
        assert all(closed_within(one, 10) for one in several)
        assert time.monotonic() - began < 10
        assert looked_at(port) == 200


@pytest.mark.parametrize("dripping", [False, True])
def test_the_rest_of_a_form_is_not_waited_for_without_end(port: int, dripping: bool) -> None:
    head = (
        f"POST /sets/1/note HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\ncookie: shoegoal_key={KEY}\r\n"
        f"origin: http://127.0.0.1:{port}\r\ncontent-length: 5000\r\n"
        "content-type: application/x-www-form-urlencoded\r\n\r\n"
    )
    with closing(socket.create_connection(("127.0.0.1", port))) as one:
        one.send(head.encode() + b"note=")
        if dripping:
            one.send(b"a")
        one.settimeout(10)
        assert b" 408 " in one.recv(1000)
    assert looked_at(port) == 200


@pytest.mark.parametrize("part", [b"", b"s"])
def test_a_pupils_form_is_not_waited_for_and_no_longer_than_a_form(port: int, part: bytes) -> None:
    """Whoever has no slip may send this one, so a thousand of them must not shut the page."""
    head = (
        f"POST /h/slip HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\norigin: http://127.0.0.1:{port}\r\n"
        "content-length: %d\r\ncontent-type: application/x-www-form-urlencoded\r\n\r\n"
    )
    for length, answer in ((5000, b" 408 "), (10**9, b" 413 ")):
        with closing(socket.create_connection(("127.0.0.1", port))) as one:
            one.send((head % length).encode() + part)
            one.settimeout(10)
            assert answer in one.recv(1000)
    assert looked_at(port) == 200


def test_a_form_that_drips_is_closed(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every part comes in time, and all of them never."""
    monkeypatch.setattr(guard, "FORM_WITHIN_S", 2.0)
    head = (
        f"POST /h/slip HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\norigin: http://127.0.0.1:{port}\r\n"
        "content-length: 5000\r\ncontent-type: application/x-www-form-urlencoded\r\n\r\n"
    )
    with closing(socket.create_connection(("127.0.0.1", port))) as one:
        one.send(head.encode())
        one.settimeout(0.3)
        got = b""
        for _ in range(40):
            one.send(b"a")
            try:
                got = one.recv(1000)
                break
            except TimeoutError:
                continue
        assert b" 408 " in got


@pytest.mark.parametrize("length", ["9" * 5000, "1" * 16, "-1", ""])
def test_absurd_lengths_are_no_upload(tmp_path: Path, length: str) -> None:
    book = Book(str(tmp_path / "book.sqlite3"))
    secrets, _ = slips_and_a_clip(book)
    client = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    headers = {"tus-resumable": "1.0.0", "upload-length": length}
    client.cookies.set(SLIP_COOKIE, next(iter(secrets.values())), path="/h")
    answer = client.post("/h/uploads", headers=headers)
    assert answer.status_code == 400 and hardened(answer)


@pytest.fixture
def school(book: Book, monkeypatch: pytest.MonkeyPatch) -> Book:
    quick_hashes(monkeypatch)
    people(book)
    return book


def test_wrong_passwords_from_elsewhere_do_not_shut_the_owner_out(school: Book) -> None:
    for _ in range(5):
        with pytest.raises(NotLetInError):
            log_in(school, TEACHER, "a wrong guess", "203.0.113.7", NOON)
    with pytest.raises(TooManyTriesError, match="wait 15 minutes"):
        log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    assert log_in(school, TEACHER, PASSWORD, "198.51.100.9", NOON)
    assert forget_tries(school, TEACHER.upper()) == 5  # shoegoal accounts unlock
    assert log_in(school, TEACHER, PASSWORD, "203.0.113.7", NOON)
    with pytest.raises(BadSettingsError, match="no account"):
        forget_tries(school, "nobody")


def test_addresses_are_compared_as_networks(school: Book) -> None:
    """One house has 2**64 addresses of IPv6 (RFC 4291, 2.5.4); a word that is none is one, too."""
    several = ["2001:db8:1:2::1", "2001:db8:1:2:ffff::9%eth0", "2001:0db8:1:2:0:0:0:7"]
    for address in [*several, *several][:5]:
        with pytest.raises(NotLetInError):
            log_in(school, TEACHER, "a wrong guess", address, NOON)
    with pytest.raises(TooManyTriesError):
        log_in(school, TEACHER, PASSWORD, "2001:db8:1:2:3:4:5:6", NOON)
    for number in range(5):
        with pytest.raises(NotLetInError):
            log_in(school, OTHER, "a wrong guess", f"{number}, " * 100_000, NOON)
    with pytest.raises(TooManyTriesError):
        log_in(school, OTHER, PASSWORD, "unheard of", NOON)
    with school.reading() as connection:
        kept = connection.scalars(select(schema.login_tries.c.address)).all()
    assert set(kept) == {"2001:db8:1:2::/64", "unknown"}
    assert log_in(school, OTHER, PASSWORD, "::ffff:198.51.100.9", NOON)
