"""The book remembers a class's ladder; pages for families; pupils entered on the way."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from record_books import TEACHER, put_result
from shoegoal.cli.main import cli
from shoegoal.record.book import Book
from shoegoal.record.class_settings import remembered_ladder

LADDER = """
title = "A ladder of one"
school = "Quillbrook Meadow School"
[[stages]]
name = "four-of-six"
title = "Four of six"
rule = { kind = "makes-of-shots", makes = 4, shots = 6 }
width_steps = 4
back_steps = 10
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A book with one counted set; its class's ladder was named once."""
    monkeypatch.setenv("SHOEGOAL_BOOK", str(tmp_path / "book.sqlite3"))
    ladder = tmp_path / "ladder.toml"
    ladder.write_text(LADDER, encoding="utf-8")
    result = put_result(tmp_path / "yard", unsure=False)
    run("record", "add", result, "--class", "7b", "--pupil", "Otter 12", code=6)
    run("record", "add", result, "--pupil", "Otter 12", "--enrol", code=2)
    added = run("record", "add", result, "--class", "7b", "--pupil", "Otter 12", "--enrol")
    assert "Otter 12" in added
    run("hand-in", "--class", "7b", "--ladder", ladder)
    ladder.unlink()
    return tmp_path


def run(*args: object, code: int = 0) -> str:
    done = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert done.exit_code == code, done.output
    return done.output


def test_the_book_remembers_the_ladder_of_a_class(place: Path) -> None:
    with Book(str(place / "book.sqlite3")).reading() as connection:
        ladder = remembered_ladder(connection, "7b")
        assert ladder is not None and ladder.title == "A ladder of one"
        assert remembered_ladder(connection, "8a") is None
    assert "0 of 1" in run("class", "results", "--class", "7b")
    run("review", "sign", 1, "--by", TEACHER)
    assert "1 of 1" in run("class", "results", "--class", "7b")


def test_a_page_for_the_family_and_a_certificate(place: Path) -> None:
    out = place / "family.html"
    said = run("class", "family", "--class", "7b", "--out", out)
    assert said.endswith("1 pages and 0 certificates\n")
    page = out.read_text(encoding="utf-8")
    assert "Otter 12" in page and "0 of 1 stages reached" in page and "Certificate" not in page
    run("review", "sign", 1, "--by", TEACHER)
    run("class", "family", "--class", "7b", "--pupil", "Otter 12", "--out", out)
    page = out.read_text(encoding="utf-8")
    assert "1 of 1 stages reached" in page and "Certificate" in page and TEACHER in page
    assert "//" not in page.replace("<!doctype html>", "")  # it asks nobody for anything
    assert 'has no pupil "Heron 4"' in run(
        "class", "family", "--class", "7b", "--pupil", "Heron 4", "--out", out, code=6
    )
    run("review", "withdraw", 1, "the wrong pupil's clip", "--by", TEACHER)
    run("class", "family", "--class", "7b", "--out", out)
    assert "Certificate" not in out.read_text(encoding="utf-8")
