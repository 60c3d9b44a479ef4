"""The ring of stills: memory, size, finding by time."""

from __future__ import annotations

import numpy as np
import pytest

from shoegoal.clip.frame import Frame
from shoegoal.clip.last_seconds import StillRing
from shoegoal.clip.reduced import Halvings


def _frame(time_s: float, width_px: int = 320, height_px: int = 180, level: int = 80) -> Frame:
    half = (height_px // 2, width_px // 2)
    return Frame(
        time_s,
        np.full((height_px, width_px), level, np.uint8),
        np.full(half, 120, np.uint8),
        np.full(half, 140, np.uint8),
    )


def _add(ring: StillRing, frame: Frame) -> None:
    ring.add(frame, Halvings(frame.planes))


@pytest.mark.parametrize(
    ("width_px", "height_px", "rate_hz", "least_width_px"),
    [
        (3840, 2160, 60, 600),
        (3840, 2160, 30, 900),
        (1920, 1080, 30, 900),
        (1920, 1080, 240, 300),
        (1080, 1920, 30, 500),
        (1280, 720, 30, 850),
        (320, 240, 30, 320),
        (1920, 1080, None, 600),
    ],
)
def test_the_planned_ring_fits_its_budget(
    width_px: int, height_px: int, rate_hz: float | None, least_width_px: int
) -> None:
    ring = StillRing(width_px, height_px, rate_hz)
    planned = (min(rate_hz or 60, 52) * 5 + 1) * ring.width_px * ring.height_px * 1.5
    assert planned <= 210_000_000
    assert least_width_px <= ring.width_px <= min(width_px, 1280)
    assert ring.width_px / ring.height_px == pytest.approx(width_px / height_px, rel=0.02)


def test_memory_stays_within_budget_when_frames_come_faster_than_declared() -> None:
    ring = StillRing(320, 184, 30, budget_bytes=2_000_000)
    for i in range(900):
        _add(ring, _frame(i / 120, 320, 184))
        assert ring.size_bytes <= 2_000_000
    assert ring.size_bytes == len(ring) * ring.width_px * ring.height_px * 3 // 2
    assert len(ring) > 100


def test_pictures_that_follow_each_other_very_fast_are_not_all_kept() -> None:
    ring = StillRing(320, 180, 240)
    for i in range(240):
        _add(ring, _frame(i / 240))
    assert 40 <= len(ring) <= 53


def test_only_the_last_seconds_are_kept() -> None:
    ring = StillRing(320, 180, 10)
    for i in range(200):
        _add(ring, _frame(i / 10))
    oldest = ring.at(14.9)
    assert oldest is not None
    assert oldest.time_s == pytest.approx(14.9)
    assert ring.at(14.8) is None
    assert ring.at(0.0) is None


def test_the_nearest_still_answers() -> None:
    ring = StillRing(320, 180, 30)
    assert ring.at(0.0) is None
    for time_s in (1.0, 1.033, 1.2, 1.233):
        _add(ring, _frame(time_s))
    found = [ring.at(t) for t in (1.0, 1.02, 1.1, 1.15, 1.3, 1.7)]
    assert [still.time_s for still in found if still] == [1.0, 1.033, 1.033, 1.2, 1.233, 1.233]
    assert ring.at(1.8) is None
    assert ring.at(0.9) is None


def test_points_keep_their_place_in_the_still() -> None:
    ring = StillRing(1920, 1080, 60)
    frame = _frame(0.0, 1920, 1080, level=0)
    luma = frame.luma.copy()
    luma[600:624, 1200:1224] = 255
    _add(ring, Frame(0.0, luma, frame.chroma_u, frame.chroma_v))
    still = ring.at(0.0)
    assert still is not None
    rows, columns = np.nonzero(still.luma > 127)
    assert (columns.mean() + 0.5) / still.scale == pytest.approx(1212, abs=1)
    assert (rows.mean() + 0.5) / still.scale == pytest.approx(612, abs=1)


def test_bgr_of_a_still_is_that_of_its_frame() -> None:
    ring = StillRing(1920, 1080, 60)
    frame = _frame(0.0, 1920, 1080)
    _add(ring, frame)
    still = ring.at(0.0)
    assert still is not None
    assert still.bgr().shape == (ring.height_px, ring.width_px, 3)
    assert (still.bgr()[5, 5] == frame.bgr()[5, 5]).all()


@pytest.mark.parametrize("bad", [(0, 10), (10, -1)])
def test_impossible_sizes_are_refused(bad: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="positive"):
        StillRing(*bad, 30)
