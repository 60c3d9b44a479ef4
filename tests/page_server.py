"""The page served inside the test, quicker than by its command; a browser that is watched."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page
from starlette.applications import Starlette

from shoegoal.record.book import Book
from shoegoal.review.guard import AccountEntrance, KeyEntrance
from shoegoal.review.serve import make_app

LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
KEY = "a-key-of-the-test"


@contextmanager
def served(make: Callable[[int], Starlette], **settings: Any) -> Iterator[int]:
    """Serve in a thread what is made for a port of this computer; gives the port."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        server = uvicorn.Server(
            uvicorn.Config(
                make(port), log_level="warning", lifespan="off", server_header=False, **settings
            )
        )
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        try:
            yield port
        finally:
            server.should_exit = True
            thread.join(timeout=60)
    assert not thread.is_alive()


@contextmanager
def served_with_key(book: Book) -> Iterator[str]:
    """The page for this computer alone; gives the address to open."""
    with served(lambda _: make_app(book, KeyEntrance(KEY))) as port:
        yield f"http://127.0.0.1:{port}/?key={KEY}"


@contextmanager
def served_with_accounts(book: Book, folder: Path) -> Iterator[str]:
    """The page for others, over HTTPS with a certificate of its own making; gives its address."""
    certificate, key = own_certificate(folder)
    with served(
        lambda port: make_app(book, AccountEntrance(book, f"localhost:{port}")),
        ssl_certfile=certificate, ssl_keyfile=key,
    ) as port:  # fmt: skip
        yield f"https://localhost:{port}"


def enter(page: Page, address: str) -> None:
    """Open an address with a key; return once the page that it leads on to has its looks."""
    page.goto(address)
    page.wait_for_url(lambda url: "key=" not in url)


def own_certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate for this computer that nobody has to trust, and its key."""
    openssl = shutil.which("openssl")
    if openssl is None:
        if os.environ.get("SHOEGOAL_TEST_BROWSER") == "required":
            pytest.fail("openssl is not installed, and this run is to test with it")
        pytest.skip("openssl is not installed (apt-get install openssl)")
    certificate, key = folder / "own.pem", folder / "own.key"
    request = [openssl, "req", "-x509", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    request += ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"]  # quicker than RSA
    request += ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run(request, check=True, capture_output=True, timeout=120)
    return certificate, key


@contextmanager
def watched_page(
    browser: Browser,
    only_host: str,
    refusals: tuple[int, ...] = (),
    *,
    away: bool = False,
    **context: Any,
) -> Iterator[Page]:
    """A page that fails in the end if a script failed, or if anything but its own host was asked.

    Parameters
    ----------
    only_host : beginning of every address that may be asked for.
    refusals : statuses that the page is meant to answer with; a browser logs them as errors.
    away : the server is killed on the way, which a browser logs, too.
    """
    opened = browser.new_context(**({"viewport": LAPTOP} | context))
    page = opened.new_page()
    page.set_default_timeout(30_000)
    trouble: list[str] = []
    asked: list[str] = []
    opened.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    try:
        yield page
    finally:
        opened.close()
    meant = [f"responded with a status of {status} " for status in refusals]
    meant += ["net::ERR_"] if away else []
    assert [said for said in trouble if not any(words in said for words in meant)] == []
    assert asked and [url for url in asked if not url.startswith(only_host)] == []
