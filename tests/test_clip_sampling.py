"""Single pictures and stretches against the same clip decoded whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from clip_writer import corner_picture, ramp_pictures, write_clip
from shoegoal.clip.reader import open_clip
from shoegoal.clip.sampling import Sampler
from shoegoal.errors import ClipUnreadableError

# A key picture every 10, pictures between that refer both ways (ITU-T H.264: I, P and B slices).
CODED = {"g": "10", "bf": "2", "qp": "4", "preset": "medium", "x264-params": "scenecut=0"}
UNEVEN_MS = [int(v) for v in np.cumsum([30 + 17 * (i % 3) for i in range(60)])]


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sampled") / "uneven.mp4"
    return write_clip(path, ramp_pictures(60), pts=UNEVEN_MS, options=CODED)


@pytest.fixture
def sampler(clip_path: Path) -> Iterator[Sampler]:
    with open_clip(clip_path) as clip, clip.sampler() as opened:
        yield opened


def whole(path: Path) -> dict[float, float]:
    """Mean luma of every picture by its time, decoded from first to last."""
    with open_clip(path) as clip:
        return {round(f.time_s, 6): float(f.luma.mean()) for f in clip.frames()}


def test_the_times_are_those_of_the_pictures(clip_path: Path, sampler: Sampler) -> None:
    assert np.allclose(sampler.times_s, sorted(whole(clip_path)))
    assert len(sampler.key_times_s) == 6
    assert sampler.rate_hz == pytest.approx(59 / sampler.duration_s)
    gap = sampler.longest_gap
    assert gap[1] - gap[0] == pytest.approx(0.064)


def test_a_stretch_is_what_a_whole_decode_shows(clip_path: Path, sampler: Sampler) -> None:
    start_s, end_s = sampler.times_s[13], sampler.times_s[37]
    shown = {round(f.time_s, 6): float(f.luma.mean()) for f in sampler.between(start_s, end_s)}
    expected = {t: v for t, v in whole(clip_path).items() if start_s - 1e-6 <= t <= end_s + 1e-6}
    assert len(expected) == 25 and shown == expected


def test_key_pictures_are_decoded_alone(clip_path: Path, sampler: Sampler) -> None:
    frames = list(sampler.near(sampler.key_times_s, 0.0))
    assert sampler.decoded == len(frames) == 6
    expected = whole(clip_path)
    assert [float(f.luma.mean()) for f in frames] == [
        expected[round(t, 6)] for t in sampler.key_times_s
    ]
    assert [f.index for f in frames] == [0, 10, 20, 30, 40, 50]


def test_between_key_pictures_something_near_is_found(sampler: Sampler) -> None:
    wanted = [0.2, 0.33, 1.0, 2.3]
    times = [frame.time_s for frame in sampler.near(wanted, 0.05)]
    assert len(times) == 4 and times == sorted(times)
    assert max(abs(t - w) for t, w in zip(times, wanted, strict=True)) <= 0.2
    assert sampler.decoded < 60


@pytest.mark.parametrize("rotation_deg", [0, 90])
def test_pictures_are_turned_as_displayed(tmp_path: Path, rotation_deg: int) -> None:
    path = write_clip(tmp_path / "a.mp4", [corner_picture()] * 6, rotation_deg=-rotation_deg)
    with open_clip(path) as clip, clip.sampler() as sampler:
        first = next(clip.frames(ahead=0))
        sampled = next(sampler.near([0.0], 0.0))
    assert np.array_equal(first.luma, sampled.luma)
    assert sampled.luma.shape == ((128, 96) if rotation_deg else (96, 128))


def test_one_key_picture_only(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "one.mp4", ramp_pictures(30), options=CODED | {"g": "1000"})
    with open_clip(path) as clip, clip.sampler() as sampler:
        assert len(sampler.key_times_s) == 1
        times = [f.time_s for f in sampler.near([0.0, 0.4, 0.8, 1.1], 0.1)]
    assert len(times) == 4


def test_avi_goes_by_its_storage_times(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.avi", ramp_pictures(30), codec="mpeg4")
    with open_clip(path) as clip, clip.sampler() as sampler:
        middle = sampler.times_s[10]
        shown = [(round(f.time_s, 6), f.luma.mean()) for f in sampler.between(middle, middle + 0.3)]
        every = [(round(f.time_s, 6), f.luma.mean()) for f in clip.frames()]
    assert shown and shown == [e for e in every if middle - 1e-6 <= e[0] <= middle + 0.3 + 1e-6]


class _Unseekable:
    """A container that will not seek, as a broken index makes them."""

    def __init__(self, container: Any) -> None:
        self._container = container

    def __getattr__(self, name: str) -> Any:
        return getattr(self._container, name)

    def seek(self, *args: Any, **named: Any) -> None:
        raise av.error.PermissionError(1, "no seeking")


def test_a_clip_that_cannot_be_sought_is_read_from_its_start(
    clip_path: Path, sampler: Sampler
) -> None:
    sampler._container = _Unseekable(sampler._container)  # type: ignore[assignment]
    frame = next(sampler.near(sampler.key_times_s[3:4], 0.0))
    assert frame.time_s == pytest.approx(sampler.key_times_s[3])
    assert float(frame.luma.mean()) == whole(clip_path)[round(frame.time_s, 6)]


def test_pictures_without_times_are_refused(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "raw.h264", ramp_pictures(10))
    with pytest.raises(ClipUnreadableError, match="times"), open_clip(path) as clip:
        clip.sampler()
