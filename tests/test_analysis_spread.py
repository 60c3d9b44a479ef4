"""Pictures spread over a clip, against the same clip decoded whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from clip_writer import ramp_pictures, write_clip
from shoegoal.clip.reader import open_clip, spread_pictures

CODED = {"g": "5", "qp": "4", "x264-params": "scenecut=0"}  # a key picture every five


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty pictures of rising brightness, ten a second."""
    path = tmp_path_factory.mktemp("spread") / "ramp.mp4"
    return write_clip(path, ramp_pictures(60), pts=[100 * k for k in range(60)], options=CODED)


def times_of(path: Path, until_s: float | None, looks: int) -> list[float]:
    """When each picture handed out was taken, told by its brightness."""
    with open_clip(path) as clip:
        whole = [(f.time_s, float(f.bgr().mean())) for f in clip.frames()]
    shown = [float(p.mean()) for p in spread_pictures(path, looks, until_s)]
    return [min(whole, key=lambda at: abs(at[1] - level))[0] for level in shown]


def test_pictures_lie_all_over_the_clip(clip_path: Path) -> None:
    times = times_of(clip_path, None, 6)
    assert 6 <= len(times) <= 7
    assert times == sorted(times)
    assert times[0] < 0.5 and times[-1] > 4.9
    assert np.diff(times).max() < 2 * 5.9 / 6


def test_none_is_taken_after_the_camera_was_moved(clip_path: Path) -> None:
    times = times_of(clip_path, 2.3, 4)
    assert 4 <= len(times) <= 5
    # A key picture will do for a time up to half a step away.
    assert 2.3 - 1.5 * 2.3 / 4 < max(times) <= 2.3


def test_a_single_picture_is_enough(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "one.mp4", ramp_pictures(1), pts=[0], options=CODED)
    assert len(list(spread_pictures(path, 9))) == 1
