"""Iterate ahead in a background thread, through a short bounded queue."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")


class _Belt(Generic[T]):
    """A bounded queue that either side can end without leaving the other one waiting."""

    def __init__(self, room: int) -> None:
        self._room = room
        self._items: deque[T] = deque()
        self._turn = threading.Condition()
        self._finished = False
        self._abandoned = False
        self._error: BaseException | None = None

    def put(self, item: T) -> bool:
        """Wait for room and add; False once the reader has stopped."""
        with self._turn:
            while len(self._items) >= self._room and not self._abandoned:
                self._turn.wait()
            if self._abandoned:
                return False
            self._items.append(item)
            self._turn.notify_all()
            return True

    def finish(self, error: BaseException | None) -> None:
        with self._turn:
            self._finished = True
            self._error = error
            self._turn.notify_all()

    def abandon(self) -> None:
        with self._turn:
            self._abandoned = True
            self._items.clear()
            self._turn.notify_all()

    def __iter__(self) -> Iterator[T]:
        while True:
            with self._turn:
                while not self._items and not self._finished:
                    self._turn.wait()
                if not self._items:
                    if self._error is not None:
                        raise self._error
                    return
                item = self._items.popleft()
                self._turn.notify_all()
            yield item


def run_ahead(source: Iterable[T], room: int) -> Generator[T, None, None]:
    """Iterate ``source`` in a background thread, at most ``room`` items ahead.

    An error of the source is raised here, after the items before it. Closing this iterator (or
    dropping it) ends the thread and closes the source, if it can be closed, in that thread.
    """
    belt: _Belt[T] = _Belt(room)
    worker = threading.Thread(target=_fill, args=(source, belt), name="clip-ahead", daemon=True)
    worker.start()
    try:
        yield from belt
    finally:
        belt.abandon()
        worker.join()


def _fill(source: Iterable[T], belt: _Belt[T]) -> None:
    error: BaseException | None = None
    try:
        for item in source:
            if not belt.put(item):
                break
    except BaseException as caught:  # carried over and raised where it is waited for
        error = caught
    finally:
        close = getattr(source, "close", None)
        if close is not None:
            close()
        belt.finish(error)
