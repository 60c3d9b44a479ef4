"""How many threads one count may use: a core each, or one where other counts run beside it."""

from __future__ import annotations

import os

_most: int | None = None


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def limit_threads(most: int | None) -> None:
    """Let every count of this process use at most so many threads; None: as many as cores."""
    global _most
    _most = most


def allowed_threads() -> int:
    """Return how many threads a count may use."""
    return usable_cores() if _most is None else _most


def keep_opencv_to_its_caller() -> None:
    """Stop OpenCV from splitting its work up: the steps of a count run beside each other."""
    import cv2  # here, so that a command's help need not load it

    cv2.setNumThreads(1)
