"""Serving the page on loopback, at a free port, with a fresh key every time."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable

import uvicorn

from shoegoal.errors import ShoegoalError
from shoegoal.record.book import Book
from shoegoal.review.app import make_app
from shoegoal.review.guard import KEY_FIELD

LOOPBACK = "127.0.0.1"
KEY_BYTES = 24


def serve(book: Book, port: int, on_ready: Callable[[str], None]) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    book : the record book.
    port : 0 for any that is free.
    on_ready : called with the address to open, once the page answers there.

    Raises
    ------
    ShoegoalError
        The port is taken or may not be used.
    """
    key = secrets.token_urlsafe(KEY_BYTES)
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((LOOPBACK, port))
    except OSError as error:
        listening.close()
        raise ShoegoalError(
            f"port {port} cannot be used ({error.strerror}); leave --port out for a free one"
        ) from error
    listening.listen()
    with listening:
        on_ready(f"http://{LOOPBACK}:{listening.getsockname()[1]}/?{KEY_FIELD}={key}")
        config = uvicorn.Config(make_app(book, key), log_level="warning", lifespan="off")
        uvicorn.Server(config).run(sockets=[listening])
