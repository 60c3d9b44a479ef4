"""Slips: printed once, read by any reader, replaced when lost; the ladder that the book keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pypdfium2
import zxingcpp
from click.testing import CliRunner

from shoegoal.analysis.model import deserialise_ladder, serialise_ladder
from shoegoal.cli.main import cli
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.class_settings import holder_of


def test_slips_are_printed_with_a_code_that_any_reader_reads(tmp_path: Path) -> None:
    """ISO/IEC 18004, read by ZXing, which is not the maker's."""
    place, out = str(tmp_path / "book.sqlite3"), tmp_path / "slips.pdf"

    def run(*args: str, code: int = 0) -> str:
        done = CliRunner().invoke(cli, [*args, "--book", place])
        assert done.exit_code == code, done.output
        return done.output

    refused = run("hand-in", "--class", "7b", code=8)
    assert "record enrol" in refused and refused.count("\n") == 1
    run("record", "enrol", "--class", "7b", "--pupil", "Otter 12")
    made = run("hand-in", "--class", "7b", "--out", str(out), "--site", "https://shots.example")
    link, wrote, serve = made.splitlines()
    assert "review --site https://shots.example --workers" in serve
    assert link.startswith("https://shots.example/h/") and "1 slip to cut apart" in wrote
    page = pypdfium2.PdfDocument(out)[0]
    assert "Otter 12" in page.get_textpage().get_text_range()
    (code,) = zxingcpp.read_barcodes(page.render(scale=3.0).to_numpy())
    read = code.text
    assert read.startswith(f"{link}/")
    with Book(place).reading() as connection:
        holder = holder_of(connection, read.rpartition("/")[2].lower())  # as it may be typed
    assert holder is not None and holder.pupil == "Otter 12"
    everyone = run("hand-in", "--class", "7b", "--out", str(out))
    assert "everyone in the class has a slip" in everyone
    run("hand-in", "--class", "7b", "--out", str(out), "--again")
    with Book(place).reading() as connection:
        assert (
            holder_of(connection, read.rpartition("/")[2]) is None
        )  # the old one is worth nothing


def test_the_books_ladder_comes_back_as_it_was() -> None:
    ladder = load_ladder()
    assert deserialise_ladder(json.loads(json.dumps(serialise_ladder(ladder)))) == ladder
