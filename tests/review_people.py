"""A page for a school: an invented teacher, a coach and students. All names made up."""

from __future__ import annotations

import re
from typing import Any

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from record_books import file_set
from shoegoal.record import accounts
from shoegoal.record.accounts import Role, add_account
from shoegoal.record.book import Book
from shoegoal.record.coaching import draw_round
from shoegoal.record.history import load_set
from shoegoal.review.guard import AccountEntrance
from shoegoal.review.serve import make_app

SITE = "https://shots.quillbrook.example"
HOST = "shots.quillbrook.example"
PASSWORD = "nine otters on a raft"
TEACHER, COACH, STUDENT, OTHER = "T. Quill", "R. Coach", "Otter 12", "Heron 4"


def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash as cheaply as Argon2 can: what costs 64 MiB each time is tested once."""
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(accounts, "_HASHER", cheap)
    accounts._nobodys.cache_clear()


def people(book: Book) -> tuple[str, str]:
    """File two sets of two pupils, draw a round, give all an account; return the pupils' names."""
    for name in ("own.mp4", "other.mp4"):
        file_set(book, name)
    with book.reading() as connection:
        own, other = (load_set(connection, set_id).pupil for set_id in (1, 2))
    with book.writing() as connection:
        add_account(connection, TEACHER, Role.TEACHER, PASSWORD)
        add_account(connection, COACH, Role.COACH, PASSWORD)
        add_account(connection, STUDENT, Role.STUDENT, PASSWORD, pupil=own)
        add_account(connection, OTHER, Role.STUDENT, PASSWORD, pupil=other)
        draw_round(connection, "7b", 4, 7)
    return own, other


class SchoolBrowser(TestClient):
    """A browser of somebody elsewhere, over HTTPS."""

    def __init__(self, book: Book, address: str = "203.0.113.7") -> None:
        super().__init__(
            make_app(book, AccountEntrance(book, HOST)), base_url=SITE,
            headers={"origin": SITE}, client=(address, 50_000), follow_redirects=False,
        )  # fmt: skip

    def log_in(self, name: str, password: str = PASSWORD) -> Any:
        """Fill in the login page."""
        form = self.get("/login").text
        token = re.search(r'name="csrf" value="([^"]+)"', form)
        assert token is not None
        data = {"name": name, "password": password, "csrf": token[1]}
        return self.post("/login", data=data)

    def csrf(self) -> str:
        """The token that this login's forms carry."""
        found = re.search(r'action="/logout"><input type="hidden" name="csrf" value="([^"]+)"',
                          self.get("/").text or self.get("/checks").text)  # fmt: skip
        assert found is not None
        return found[1]
