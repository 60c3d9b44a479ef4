"""Every kind of tampering with the book's tables is found, and nothing else is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import Connection

from postgresql_cluster import Cluster
from shoegoal.errors import RecordNotTrueError
from shoegoal.record.book import Book, Seen
from shoegoal.record.keys import own_key
from shoegoal.record.receipts import Receipt, receipt_of_book
from shoegoal.record.verify import Proof, prove, verify_book
from tampering import Attack, book_to_attack, carry_out
from tampering_kinds import ATTACKS

INSIDE = [attack for attack in ATTACKS if not attack.outside]
OUTSIDE = [attack for attack in ATTACKS if attack.outside]


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def attacked(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Book]:
    """A filled book; every attack on it is undone."""
    if request.param == "sqlite":
        book = Book(str(tmp_path_factory.mktemp("attacked") / "book.sqlite3"))
    else:
        cluster: Cluster = request.getfixturevalue("cluster")
        book = Book(cluster.new_database())
    book_to_attack(book)
    yield book
    assert verify_book(book).signatures == 3


def test_there_are_enough_kinds() -> None:
    assert len(ATTACKS) >= 60
    assert len({attack.name for attack in ATTACKS}) == len(ATTACKS)


@pytest.mark.parametrize("attack", INSIDE, ids=lambda attack: attack.name)
def test_found_with_nothing_but_the_book(attacked: Book, attack: Attack) -> None:
    def check(connection: Connection) -> None:
        with pytest.raises(RecordNotTrueError) as caught:
            prove(connection)
        assert "\n" not in str(caught.value)

    carry_out(attacked, attack, check)


@pytest.mark.parametrize("attack", OUTSIDE, ids=lambda attack: attack.name)
def test_found_by_what_lies_outside_the_book(attacked: Book, attack: Attack) -> None:
    """The book agrees with itself, so that the head, a receipt or the note must show it."""
    before: Proof = verify_book(attacked)
    with attacked.reading() as connection:
        receipt, _ = receipt_of_book(connection)

    def check(connection: Connection) -> None:
        prove(connection)  # or the attack is clumsier than it says
        for evidence in _evidence(before, receipt):
            with pytest.raises(RecordNotTrueError):
                prove(connection, **evidence)
        if attack.name.startswith("rewritten"):
            with pytest.raises(RecordNotTrueError):
                prove(connection, keys=[own_key().name])

    carry_out(attacked, attack, check)


def _evidence(before: Proof, receipt: Receipt) -> list[dict[str, Any]]:
    return [
        {"head": before.head},
        {"receipts": [receipt]},
        {"seen": Seen("here", before.entries, before.head, "2026-01-01T00:00:00Z")},
    ]
