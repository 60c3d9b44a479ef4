"""Fixtures shared by the tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import pytest

REAL_CLIPS = Path(__file__).parents[2] / "shared" / "real" / "clips"


@pytest.fixture(autouse=True, scope="session")
def _few_threads() -> Iterator[None]:
    """OpenCV's pool would fight with the tests that run beside it."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture
def real_clips() -> Path:
    """Folder of real clips, which never travel with the code; skips where it is absent."""
    if not REAL_CLIPS.is_dir():
        pytest.skip("the real clips are not beside this checkout")
    return REAL_CLIPS
