"""Fixtures shared by the tests."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import pytest

from counted_sample import counted_side_view
from postgresql_cluster import Cluster, find_binaries
from shoegoal.record.book import Book

if TYPE_CHECKING:
    from playwright.sync_api import Browser

REAL_CLIPS = Path(__file__).parents[2] / "shared" / "real" / "clips"


@pytest.fixture(autouse=True, scope="session")
def _few_threads() -> Iterator[None]:
    """OpenCV's pool would fight with the tests that run beside it."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture(autouse=True, scope="session")
def _own_keys(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A key of the test run's own: nobody's real one is used or made."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SHOEGOAL_KEYS", str(tmp_path_factory.mktemp("keys")))
        yield


@pytest.fixture
def real_clips() -> Path:
    """Folder of real clips, which never travel with the code; skips where it is absent."""
    if not REAL_CLIPS.is_dir():
        pytest.skip("the real clips are not beside this checkout")
    return REAL_CLIPS


@pytest.fixture(scope="session")
def side_view_count(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `shoegoal count` made of a sample clip, which lies beside it; shared, so only read."""
    return counted_side_view(tmp_path_factory)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's chromium; skips where it is not installed."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        if os.environ.get("SHOEGOAL_TEST_BROWSER") == "required":
            pytest.fail("Chromium is not installed, and this run is to test in it")
        pytest.skip("Chromium is not installed (apt-get install chromium)")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield running
        running.close()


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL of the test run's own; skips where Debian's package is not installed."""
    binaries = find_binaries()
    if binaries is None:
        if os.environ.get("SHOEGOAL_TEST_POSTGRESQL") == "required":
            pytest.fail("PostgreSQL is not installed, and this run is to test it")
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql)")
    running = Cluster(binaries)
    yield running
    running.close()


@pytest.fixture(scope="session")
def _empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty book to copy: making the tables takes longer than most tests."""
    file = tmp_path_factory.mktemp("book") / "empty.sqlite3"
    Book(str(file))
    return file


@pytest.fixture(scope="session")
def _empty_database(cluster: Cluster) -> str:
    Book(cluster.new_database("empty"))
    return "empty"


@pytest.fixture(params=["sqlite", "postgresql"])
def book_place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where an empty book lies: a file, or a database of the cluster."""
    if request.param == "sqlite":
        file = tmp_path / "book" / "book.sqlite3"
        file.parent.mkdir()
        shutil.copyfile(request.getfixturevalue("_empty_file"), file)
        yield str(file)
        return
    template: str = request.getfixturevalue("_empty_database")
    running: Cluster = request.getfixturevalue("cluster")
    place = running.new_database(template=template)
    yield place
    running.drop(place)


@pytest.fixture
def book(book_place: str) -> Book:
    """An empty record book, once in each kind of database."""
    return Book(book_place)
