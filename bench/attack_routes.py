"""Attack every route of the page, as every role and with every method."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from attack import Tried
from review_people import people
from route_attack import complaint, content_of, knocks
from shoegoal.record.book import Book
from test_review_accounts import TABLE


def try_routes() -> Tried:
    """Send every request that there is a route for, and every other method; nothing may change."""
    tried = Tried("routes")
    with tempfile.TemporaryDirectory(prefix="shoegoal-attack-") as folder:
        os.environ["SHOEGOAL_KEYS"] = str(Path(folder) / "keys")
        book = Book(str(Path(folder) / "book.sqlite3"))
        people(book)
        before: dict[str, list[tuple[object, ...]]] = {}
        for knock in knocks(book):
            before = before or content_of(book)
            tried.tried += 1
            tried.refused += knock.status >= 300
            why = complaint(knock, TABLE)
            if why is not None:
                tried.fail(why, str(knock))
        if content_of(book) != before:
            tried.fail("writes", "something in the book changed")
    return tried
