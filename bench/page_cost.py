"""What a page of the queue costs in a book of many sets."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import click
from sqlalchemy import Connection, insert, select, text
from starlette.testclient import TestClient

from page_server import KEY
from record_books import TEACHER, file_set
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.reviewing import answer_shot, sign
from shoegoal.record.status import Answer
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.serve import make_app

HOME = "http://127.0.0.1"
PAGES = ("/", "/?page=2", "/?words=heron&class=7b", "/ready", "/signed", "/sets/2", "/accuracy")
AGAIN = 5
_COPIED = ("journal", "analyses", "corrections", "calls", "signatures")


@click.command("page")
@click.option("--sets", default="5000,50000", help="Sizes of books, with commas between.")
def page_cost(sets: str) -> None:
    """Measure CPU time and memory of the page's views in books of so many sets."""
    for size in (int(one) for one in sets.split(",")):
        with tempfile.TemporaryDirectory(prefix="shoegoal-page-") as folder:
            os.environ["SHOEGOAL_KEYS"] = str(Path(folder) / "keys")
            book = Book(str(Path(folder) / "book.sqlite3"))
            _fill(book, size)
            client = TestClient(
                make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME}
            )
            client.cookies.set("shoegoal_key", KEY)
            click.echo(f"{size} sets")
            before_mb = _memory_mb()
            for page in PAGES:
                first_ms = _cost_ms(client, page)
                again = sorted(_cost_ms(client, page) for _ in range(AGAIN))
                click.echo(f"  {page}: first {first_ms:.0f} ms, then {again[AGAIN // 2]:.0f} ms")
            click.echo(f"  memory grew by {_memory_mb() - before_mb:.0f} MB")


def _cost_ms(client: TestClient, page: str) -> float:
    began = time.process_time()
    answer = client.get(page)
    assert answer.status_code == 200, answer.text
    return 1000 * (time.process_time() - began)


def _memory_mb() -> float:
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def _fill(book: Book, size: int) -> None:
    """File one set that is to be looked at, one that is ready and one signed, and copy their rows.

    The copies' entries are chained to nothing, which the page does not look at.
    """
    file_set(book, "look.mp4")
    file_set(book, "ready.mp4", unsure=False)
    file_set(book, "signed.mp4")
    answer_shot(book, 3, 5, Answer.MAKE)
    sign(book, 3, TEACHER)
    client = TestClient(make_app(book, KeyEntrance(KEY)), base_url=HOME, headers={"origin": HOME})
    client.cookies.set("shoegoal_key", KEY)
    client.get("/")  # works their states out
    with book.writing() as connection:
        tables = {
            table.name: [dict(row) for row in connection.execute(select(table)).mappings()]
            for table in schema.metadata.sorted_tables
        }
        for name in _triggers(connection):
            connection.execute(text(f"DROP TRIGGER {name}"))
        last = max(row["seq"] for row in tables["journal"])
        for first in range(3, size, 1500):
            _copy(connection, tables, range(first, min(first + 1500, size), 3), last)
        connection.execute(text("ANALYZE"))


def _triggers(connection: Connection) -> list[str]:
    found = connection.scalars(text("SELECT name FROM sqlite_master WHERE type = 'trigger'"))
    return list(found)


def _copy(
    connection: Connection, tables: dict[str, list[dict[str, object]]], shifts: range, last: int
) -> None:
    made: dict[str, list[dict[str, object]]] = {}
    for shift in shifts:
        for row in tables["pupils"]:
            copy = {"id": row["id"] + shift, "name": f"{row['name']} {shift}"}  # type: ignore[operator]
            made.setdefault("pupils", []).append(row | copy)
        for row in tables["sets"]:
            moved = {name: row[name] + shift for name in ("id", "pupil_id")}  # type: ignore[operator]
            made.setdefault("sets", []).append(
                row | moved | {"clip_sha256": f"{shift}-{row['clip_sha256']}"}
            )
        for name in ("places", "set_states"):
            for row in tables[name]:
                moved = {"set_id": row["set_id"] + shift}  # type: ignore[operator]
                made.setdefault(name, []).append(row | moved)
        seqs = shift // 3 * last
        for name in _COPIED:
            for row in tables[name]:
                if row.get("set_id") is None and name == "journal":
                    continue
                copy = dict(row)
                for column in ("seq", "analysis_seq"):
                    if column in copy:
                        copy[column] += seqs  # type: ignore[operator]
                if "set_id" in copy:
                    copy["set_id"] += shift  # type: ignore[operator]
                if name == "journal":
                    copy |= {name: f"{seqs}-{copy[name]}" for name in ("previous", "hash")}
                made.setdefault(name, []).append(copy)
    for table in schema.metadata.sorted_tables:
        if table.name in made:
            connection.execute(insert(table), made[table.name])
