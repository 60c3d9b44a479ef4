"""What lies outside the book: the key, the note of this computer, receipts, and old books."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import pypdfium2
import pytest
import zxingcpp
from alembic import command
from alembic.config import Config
from click.testing import CliRunner, Result
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Connection, create_engine, text

from postgresql_cluster import Cluster
from record_books import TEACHER, analysis_of, file_set
from shoegoal.analysis.file import analysis_to_json
from shoegoal.cli.main import cli
from shoegoal.errors import RecordChangedError, RecordNotTrueError
from shoegoal.record.book import MIGRATIONS, Book, book_url
from shoegoal.record.filing import described
from shoegoal.record.history import detail, load_set
from shoegoal.record.journal import FIRST_PREVIOUS, Entry, canonical_text
from shoegoal.record.keys import KEY_FILE_NAME, SigningKey, own_key, seal_fits
from shoegoal.record.reviewing import add_note, answer_shot, sign
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book
from tampering import withdraw_signature


@pytest.fixture
def keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own for the key and the notes."""
    folder = tmp_path / "keys"
    monkeypatch.setenv("SHOEGOAL_KEYS", str(folder))
    return folder


@pytest.fixture
def place(keys: Path, tmp_path: Path) -> Iterator[str]:
    """A book with a signed set."""
    place = str(tmp_path / "book.sqlite3")
    signed(Book(place))
    yield place


def signed(book: Book, name: str = "yard.mp4") -> int:
    set_id = file_set(book, name).set_id
    answer_shot(book, set_id, 5, Answer.MISS, by=TEACHER)
    sign(book, set_id, TEACHER)
    return set_id


def run(*args: object, code: int = 0) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert result.exit_code == code, result.output
    return result


def test_seals_are_ed25519_as_published() -> None:
    """RFC 8032, section 7.1, TEST 2, through the library that seals here."""
    private = Ed25519PrivateKey.from_private_bytes(
        bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    )
    public = private.public_key().public_bytes_raw().hex()
    assert public == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert private.sign(b"\x72").hex() == (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = SigningKey(public, private)
    seal = key.seal("ab" * 32)
    assert seal_fits(public, "ab" * 32, seal)
    for name, entry_hash, other in (
        (public, "cd" * 32, seal),
        (public, "ab" * 32, "00" * 64),
        (public, "ab" * 32, "no seal"),
        ("00" * 32, "ab" * 32, seal),
        ("ab", "ab" * 32, seal),
    ):
        assert not seal_fits(name, entry_hash, other)


def test_a_key_is_for_its_owner_alone_and_can_be_taken_along(
    keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = run("record", "key", "--out", tmp_path / "copy.pem").stdout.strip()
    assert name == own_key().name
    for file in (keys / KEY_FILE_NAME, tmp_path / "copy.pem"):
        assert file.stat().st_mode & 0o777 == 0o600
    assert "name a new file" in run("record", "key", "--out", tmp_path / "copy.pem", code=7).stderr
    monkeypatch.setenv("SHOEGOAL_KEYS", str(tmp_path / "elsewhere"))
    assert run("record", "key", "--take", tmp_path / "copy.pem").stdout.strip() == name
    monkeypatch.setenv("SHOEGOAL_KEYS", str(tmp_path / "third"))
    assert run("record", "key").stdout.strip() != name
    assert (
        "already has a key" in run("record", "key", "--take", tmp_path / "copy.pem", code=6).stderr
    )
    (tmp_path / "no.pem").write_text("my holiday plans")
    assert "is not a key" in run("record", "key", "--take", tmp_path / "no.pem", code=6).stderr
    monkeypatch.setenv("SHOEGOAL_KEYS", str(tmp_path / "no.pem" / "below"))
    assert "cannot be stored" in run("record", "key", code=7).stderr


def test_the_key_is_nowhere_in_the_book(place: str, keys: Path) -> None:
    secret = own_key().private.private_bytes_raw()
    files = Path(place).parent.glob("book.sqlite3*")
    content = b"".join(file.read_bytes() for file in files)
    assert own_key().name.encode() in content
    assert secret not in content and secret.hex().encode() not in content


def test_an_older_copy_put_back_is_noticed_until_said(place: str) -> None:
    with closing(sqlite3.connect(place)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copyfile(place, f"{place}.old")
    signed(Book(place), "two.mp4")
    with closing(sqlite3.connect(place)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copyfile(f"{place}.old", place)
    assert (
        "or an older copy was put back" in run("record", "verify", "--book", place, code=10).stderr
    )
    assert "consistent: 8 entries" in run("record", "verify", "--restored", "--book", place).stdout
    assert "is there unchanged" in run("record", "verify", "--book", place).stdout


def test_another_key_than_the_named_one(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = own_key().name
    run("record", "verify", "--key", name, "--book", place)
    monkeypatch.setenv("SHOEGOAL_KEYS", str(tmp_path / "colleague"))
    add_note(Book(place), file_set(Book(place), "two.mp4").set_id, "from another computer")
    other = own_key().name
    said = run("record", "verify", "--key", name[:16], "--book", place, code=10).stderr
    assert f"sealed by another key, {other}" in said
    run("record", "verify", "--key", name[:20], "--key", other, "--book", place)
    assert (
        "names no key" in run("record", "verify", "--key", "12ab", "--book", place, code=6).stderr
    )


def test_a_receipt_is_held_against_a_later_book(place: str, tmp_path: Path) -> None:
    file, page = tmp_path / "receipt.json", tmp_path / "receipt.pdf"
    run("record", "receipt", 1, "--out", file, "--book", place)
    run("record", "receipt", 1, "--out", page, "--book", place)
    run("record", "receipt", "--out", tmp_path / "whole.json", "--book", place)
    told = json.loads(file.read_text())
    assert told["says"]["signed_by"] == TEACHER and told["says"]["makes"] == 3
    signed(Book(place), "two.mp4")
    both = ("--receipt", file, "--receipt", tmp_path / "whole.json")
    assert "consistent: " in run("record", "verify", *both, "--book", place).stdout
    # ISO/IEC 18004, read by ZXing, which is not the maker's.
    (code,) = zxingcpp.read_barcodes(pypdfium2.PdfDocument(page)[0].render(scale=4.0).to_numpy())
    assert code.text == told["line"]
    (tmp_path / "scanned.txt").write_text(code.text + "\n")
    run("record", "verify", "--receipt", tmp_path / "scanned.txt", "--book", place)
    withdraw_signature(Book(place), 1)
    said = run("record", "verify", "--receipt", file, "--book", place).stdout
    assert "of a receipt, was withdrawn since" in said
    other = str(tmp_path / "other.sqlite3")
    signed(Book(other))
    assert (
        "not in the book as it was"
        in run("record", "verify", "--receipt", file, "--book", other, code=10).stderr
    )
    assert (
        "is not signed"
        in run("record", "receipt", 1, "--out", file, "--book", place, code=6).stderr
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"makes": 3', '"makes": 6'),
        ('"signed_by": "T. Quill"', '"signed_by": "N. Obody"'),
        ('"by": "T. Quill"', '"by": "N. Obody"'),
        (" seal ", " seal 0"),
        ("{", "[" * 100_000),
        ('"seq": 8', '"seq": 1e400'),
    ],
)
def test_a_changed_receipt_is_refused(place: str, tmp_path: Path, old: str, new: str) -> None:
    file = tmp_path / "receipt.json"
    run("record", "receipt", 1, "--out", file, "--book", place)
    assert old in file.read_text()
    file.write_text(file.read_text().replace(old, new, 1))
    said = run("record", "verify", "--receipt", file, "--book", place, code=6).stderr
    assert len(said.splitlines()) == 1


def test_receipts_that_are_no_files(place: str, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "large").write_bytes(b"{" * 2_000_000)
    for name in (
        tmp_path / "fifo",
        tmp_path / "large",
        Path("/dev/zero"),
        tmp_path,
        tmp_path / "no",
    ):
        run("record", "verify", "--receipt", name, "--book", place, code=6)


def test_a_withdrawn_signature_opens_the_set_and_stays(book: Book) -> None:
    set_id = signed(book)
    with pytest.raises(RecordChangedError, match="signed by"):
        add_note(book, set_id, "late")
    withdraw_signature(book, set_id)
    with book.reading() as connection:
        history = load_set(connection, set_id)
    assert history.signature is None
    assert [(one.reason, one.signature_seq) for one in history.withdrawals] == [
        ("the wrong clip", 8)
    ]
    stored = history.count.analysis()
    shown = detail(history, history.status(stored), stored)["withdrawals"]
    assert [(one["reason"], one["signature"]) for one in shown] == [("the wrong clip", 8)]
    add_note(book, set_id, "now")
    assert sign(book, set_id, "A. Reed").signature is not None
    proof = verify_book(book)
    assert (proof.entries, proof.signatures) == (11, 1)
    withdraw_signature(book, set_id)
    withdraw_signature(book, set_id)  # of a set that is not signed any more
    with pytest.raises(RecordNotTrueError, match="is not valid"):
        verify_book(book)


def old_book(url: str) -> None:
    """A book as the step before seals left it, with a signed set, rows and entries by hand."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    engine = create_engine(book_url(url))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0003")
        _fill_old(connection)
    engine.dispose()


def _fill_old(connection: Connection) -> None:
    def put(table: str, **row: object) -> None:
        names = ", ".join(row)
        values = ", ".join(f":{name}" for name in row)
        connection.execute(text(f"INSERT INTO {table} ({names}) VALUES ({values})"), row)

    analysis, _ = analysis_of("old.mp4", unsure=False)
    content, stage, tally = analysis_to_json(analysis), asdict(analysis.stage), analysis.tally
    told = described(analysis, content)
    put("classes", name="7b")
    put("pupils", class_id=1, name="Grey Plover")
    put("sets", pupil_id=1, clip_sha256=analysis.clip.sha256, clip_name="old.mp4",
        stage=canonical_text(stage), added_at="2026-03-01T10:00:00.000000Z")  # fmt: skip
    calls = [{**call, "counts": True, "answer": None} for call in told["calls"]]
    for call in calls:
        del call["p_make"]
    signature = {
        "by": TEACHER, "pupil": 1, "clip_sha256": analysis.clip.sha256,
        "analysis_sha256": told["analysis_sha256"],
        "calibration_sha256": told["calibration_sha256"], "stage": stage, "calls": calls,
        "tally": {"makes": tally.makes, "misses": tally.misses, "unsure": tally.unsure},
        "decision": analysis.verdict.decision.value, "sentence": analysis.verdict.sentence,
    }  # fmt: skip
    previous = FIRST_PREVIOUS
    payloads = (("analysis", {"pupil": 1, "stage": stage} | told), ("signature", signature))
    for seq, (kind, payload) in enumerate(payloads, start=1):
        at = f"2026-03-01T10:0{9 - seq}:00.000000Z"  # a clock that was set back in between
        entry = Entry(seq, 1, seq, kind, at, payload, previous)
        put("journal", seq=seq, set_id=1, set_version=seq, kind=kind, at=at,
            payload=canonical_text(payload), previous=previous, hash=entry.hash)  # fmt: skip
        previous = entry.hash
    put("analyses", seq=1, set_id=1, sha256=told["analysis_sha256"], content=content,
        tool_version=told["tool_version"], calibration_sha256=told["calibration_sha256"],
        )  # fmt: skip
    for call in told["calls"]:
        put("calls", analysis_seq=1, **call)
    put("signatures", seq=2, set_id=1, by_name=TEACHER, content=canonical_text(signature))


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_an_old_book_is_told_and_sealed_from_then_on(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    if kind == "sqlite":
        place = str(tmp_path / "old.sqlite3")
    else:
        cluster: Cluster = request.getfixturevalue("cluster")
        place = cluster.new_database()
    old_book(place)
    book = Book(place)
    proof = verify_book(book)
    assert (proof.entries, proof.signatures, proof.sealed) == (6, 1, {})
    with book.reading() as connection:
        history = load_set(connection, 1)
    assert history.signature is not None and history.pupil == "Grey Plover"
    with pytest.raises(RecordChangedError, match="signed"):
        add_note(book, 1, "late")
    signed(book, "new.mp4")
    assert sum(verify_book(book).sealed.values()) == 6
    with book.writing() as connection:
        connection.execute(text("UPDATE pupils SET name = 'Nobody' WHERE id = 1"))
    with pytest.raises(RecordNotTrueError, match=r"entry 5 .*name of its row in pupils"):
        verify_book(book)
