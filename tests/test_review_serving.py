"""How the page is served: what is refused, what a proxy is believed, what others may read."""

from __future__ import annotations

import http.client
import json
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from shoegoal.cli.main import cli
from shoegoal.review.serve import unseen_opener

SITE = "https://shots.quillbrook.example"
PASSWORD = "nine otters on a raft"


def invoke(*args: str, typed: str | None = None, code: int = 0) -> str:
    result = CliRunner().invoke(cli, args, input=typed)
    assert result.exit_code == code, result.output
    return result.stdout if code == 0 else result.stderr


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--host", "0.0.0.0"), "needs accounts and HTTPS"),
        (("--host", "::"), "needs accounts and HTTPS"),
        (("--host", "192.0.2.7", "--open"), "needs accounts and HTTPS"),
        (("--host", "school.example"), "needs accounts and HTTPS"),
        (("--behind-tls",), "address with --site"),
        (("--certificate", "a.pem", "--private-key", "a.key"), "address with --site"),
        (("--certificate", "a.pem"), "go together"),
        (("--site", SITE), "give either --certificate"),
        (("--site", "http://shots.quillbrook.example", "--behind-tls"), "give https://NAME"),
        (("--site", "https://", "--behind-tls"), "give https://NAME"),
        (("--site", f"{SITE}/review", "--behind-tls"), "give https://NAME"),
        (("--site", SITE, "--behind-tls", "--certificate", "a", "--private-key", "b"), "either"),
        (("--site", SITE, "--behind-tls", "--proxy", "*"), "not an address of a computer"),
        (("--site", SITE, "--behind-tls"), "no teacher has an account yet"),
    ],
)  # fmt: skip
def test_nobody_comes_in_without_account_and_https(
    tmp_path: Path, options: tuple[str, ...], says: str
) -> None:
    place = str(tmp_path / "book.sqlite3")
    said = invoke("review", "--book", place, *options, code=6)
    assert says in said and said.count("\n") == 1


def test_accounts_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOEGOAL_BOOK", str(tmp_path / "book.sqlite3"))
    invoke("record", "enrol", "--class", "7b", "--pupil", "Otter 12")
    assert invoke("accounts", "list") == "no accounts (shoegoal accounts add makes them)\n"
    add = ("accounts", "add")
    assert invoke(*add, "T. Quill", "--role", "teacher", typed=f"{PASSWORD}\n")
    student = ("otter-12", "--role", "student", "--pupil", "Otter 12")
    assert invoke(*add, *student, typed=f"{PASSWORD}\n")
    assert invoke("accounts", "list") == "otter-12, student, of Otter 12\nT. Quill, teacher\n"
    assert "already" in invoke(*add, "t. quill", "--role", "coach", typed=f"{PASSWORD}\n", code=6)
    assert "12 to 200" in invoke(*add, "New", "--role", "coach", typed="short\n", code=6)
    assert "no password was given" in invoke(*add, "New", "--role", "coach", typed="", code=6)
    invoke(*add, "New", "--role", "head", typed=f"{PASSWORD}\n", code=2)
    assert invoke("accounts", "disable", "T. Quill") == "T. Quill: disabled\n"
    told = json.loads(invoke("accounts", "list", "--json"))
    assert [(one["name"], one["disabled"]) for one in told] == [
        ("otter-12", False), ("T. Quill", True),
    ]  # fmt: skip
    assert "password" not in json.dumps(told)
    invoke("accounts", "enable", "T. Quill")
    assert "changed" in invoke("accounts", "password", "T. Quill", typed="six eels in a pail\n")
    assert "no account" in invoke("accounts", "password", "Nobody", typed="x\n", code=6)
    certificate = ("--certificate", str(tmp_path / "none.pem"), "--private-key", "none.key")
    said = invoke("review", "--host", "0.0.0.0", "--site", SITE, *certificate, code=6)
    assert "cannot be used together" in said


def test_a_new_book_is_for_its_owner_alone(tmp_path: Path) -> None:
    """It holds children's results and hashes of passwords."""
    place = tmp_path / "book.sqlite3"
    invoke("record", "enrol", "--class", "7b", "--book", str(place))
    assert stat.S_IMODE(place.stat().st_mode) == 0o600


def test_opening_shows_the_key_to_nobody_else() -> None:
    """A command line is for everybody on the computer to read (proc(5), /proc/PID/cmdline)."""
    launched: list[str] = []
    with unseen_opener(launched.append) as open_address:
        open_address("http://127.0.0.1:8000/?key=secret&more")
        page = Path(launched[0])
        assert "secret" not in launched[0]
        assert stat.S_IMODE(page.parent.stat().st_mode) == 0o700
        assert "http://127.0.0.1:8000/?key=secret&amp;more" in page.read_text(encoding="utf-8")
    assert not page.parent.exists()


@contextmanager
def served(place: Path, *options: str) -> Iterator[tuple[str, int]]:
    """The page served by its command on a free port: what it says, and the port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "shoegoal", "review", "--book", str(place)]
    with subprocess.Popen(
        [*command, "--port", str(port), *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as serving:  # fmt: skip
        assert serving.stdout is not None
        try:
            yield serving.stdout.readline().strip(), port
        finally:
            serving.send_signal(2)
        _, trouble = serving.communicate(timeout=30)
    assert serving.returncode == 0, trouble


def ask(port: int, path: str, **headers: str) -> tuple[int, str]:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=30)) as connection:
        connection.request("GET", path, headers={"Host": "shots.quillbrook.example", **named})
        answer = connection.getresponse()
        return answer.status, answer.read().decode(errors="replace")


def test_behind_a_proxy_only_what_came_over_https_is_answered(tmp_path: Path) -> None:
    place = tmp_path / "book.sqlite3"
    invoke("accounts", "add", "T. Quill", "--role", "teacher", "--book", str(place),
           typed=f"{PASSWORD}\n")  # fmt: skip
    with served(place, "--site", SITE, "--behind-tls") as (said, port):
        assert said == f"{SITE}/"
        status, words = ask(port, "/login")
        assert status == 403 and "https://" in words
        assert ask(port, "/login", X_Forwarded_Proto="https")[0] == 200
        assert ask(port, "/login", X_Forwarded_Proto="https", Host="evil.example")[0] == 421
        assert ask(port, "/", X_Forwarded_Proto="https")[0] == 303
    with served(place, "--site", SITE, "--behind-tls", "--proxy", "192.0.2.1") as (_, port):
        # Who is no proxy of ours is not believed, whatever it says.
        assert ask(port, "/login", X_Forwarded_Proto="https")[0] == 403
