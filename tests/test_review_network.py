"""The page calls nobody: a day's work on it, served by a process that may open no way out."""

from __future__ import annotations

import http.client
import re
import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from urllib.parse import urlencode

import pytest

from no_network import LINUX, NOTHING_OUTGOING, run, with_our_path
from record_books import put_result
from review_people import HOST, PASSWORD, SITE, TEACHER, quick_hashes
from shoegoal.analysis.file import load_analysis
from shoegoal.record.accounts import Role, add_account
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.verify import verify_book

pytestmark = pytest.mark.skipif(not LINUX, reason="needs Linux's seccomp")
SERVE = """
import sys
from shoegoal.cli.main import cli
cli(sys.argv[1:])
"""


class Caller:
    """A browser as a reverse proxy hands it on: keeps cookies, and the token of its forms."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._cookies: dict[str, str] = {}
        self._csrf = ""

    def ask(self, path: str, **fields: str) -> tuple[int, str]:
        headers = {"Host": HOST, "X-Forwarded-Proto": "https", "Origin": SITE}
        headers["Cookie"] = "; ".join(f"{name}={value}" for name, value in self._cookies.items())
        body = urlencode(fields | {"csrf": self._csrf}) if fields else None
        if body is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        method = "GET" if body is None else "POST"
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)) as calling:
            calling.request(method, path, body, headers)
            answer = calling.getresponse()
            words = answer.read().decode(errors="replace")
        for cookie in answer.headers.get_all("set-cookie") or []:
            name, value = cookie.split(";")[0].split("=", 1)
            self._cookies[name] = value
        if token := re.search(r'name="csrf" value="([^"]+)"', words):
            self._csrf = token[1]
        return answer.status, words


def test_a_days_work_on_the_page_opens_no_way_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick_hashes(monkeypatch)
    book = Book(str(tmp_path / "book.sqlite3"))
    result = put_result(tmp_path / "garden", unsure=False, pictures=True)
    with book.writing() as connection:
        file_count(connection, load_analysis(result), result, class_name="7b")
        add_account(connection, TEACHER, Role.TEACHER, PASSWORD)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = ["review", "--book", book.name, "--port", str(port), "--site", SITE, "--behind-tls"]
    with subprocess.Popen(
        [sys.executable, "-c", NOTHING_OUTGOING + SERVE, *command],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=with_our_path(),
    ) as serving:  # fmt: skip
        try:
            assert serving.stdout is not None
            assert serving.stdout.readline() == f"{SITE}/\n"
            caller = Caller(port)
            assert caller.ask("/login")[0] == 200
            assert caller.ask("/login", name=TEACHER, password=PASSWORD)[0] == 303
            for path in ("/", "/sets/1", "/sets/1/clip", "/sets/1/goal.jpg", "/sets/1/shots/1.jpg",
                         "/static/player.js", "/checks"):  # fmt: skip
                assert caller.ask(path)[0] == 200, path
            assert caller.ask("/sets/1/answer", seen="1", shot="2", answer="miss")[0] == 303
            assert caller.ask("/sets/1/sign", seen="2")[0] == 303
            assert caller.ask("/checks/draw", **{"class": "7b", "size": "1"})[0] == 303
            assert "shot 1 of 1" in caller.ask("/checks/1")[1]
            assert caller.ask("/checks/1/1/stills.jpg")[0] == 200
            assert caller.ask("/checks/1/1/answer", answer="cannot-tell")[0] == 303
            assert caller.ask("/logout", leave="yes")[0] == 303
            serving.send_signal(2)
            _, trouble = serving.communicate(timeout=60)
        finally:
            serving.kill()  # else a failed assertion would wait for it for ever
    assert serving.returncode == 0, trouble
    assert verify_book(book).signatures == 1


@pytest.mark.parametrize(
    ("reaching", "noticed"),
    [
        ("socket.create_connection(('127.0.0.1', 9))", True),
        ("socket.socket(socket.AF_INET, socket.SOCK_DGRAM)", True),
        ("socket.create_server(('127.0.0.1', 0))", False),
    ],
)
def test_a_way_out_would_have_been_noticed(reaching: str, noticed: bool) -> None:
    assert (run(NOTHING_OUTGOING + f"import socket; {reaching}").returncode < 0) is noticed
