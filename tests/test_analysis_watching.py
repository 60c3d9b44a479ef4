"""The pass on several threads finds the same to the last bit, and ends its threads."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from itertools import takewhile
from pathlib import Path

import av
import numpy as np
import pytest

from shoegoal.pipeline.watching import IsEnough, Watched, watch_clip
from shoegoal.threads import limit_threads

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "portrait_vfr.mp4"
SECONDS = 3.5  # the first kick and the ball's way to the goal


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the sample clip's start."""
    path = tmp_path_factory.mktemp("clip") / "start.mp4"
    with av.open(str(SAMPLE)) as source, av.open(str(path), "w") as out:
        stream = source.streams.video[0]
        copy = out.add_stream_from_template(stream)
        end = SECONDS / float(stream.time_base or 1)
        for packet in takewhile(lambda p: p.dts is not None and p.dts < end, source.demux(stream)):
            packet.stream = copy
            out.mux(packet)
    return path


@pytest.fixture(autouse=True)
def _as_many_threads_as_before() -> Iterator[None]:
    yield
    limit_threads(None)


def _watched(clip: Path, threads: int, is_enough: IsEnough | None = None) -> Watched:
    limit_threads(threads)
    return watch_clip(clip, is_enough=is_enough)


@pytest.mark.parametrize("is_enough", [None, lambda pictures, *_: pictures >= 80])
def test_threads_change_nothing(clip: Path, is_enough: IsEnough | None) -> None:
    alone, together = (_watched(clip, threads, is_enough) for threads in (1, 2))
    assert alone.record.tracks and alone.record.resting
    assert alone.record == together.record
    assert alone.take == together.take
    assert (alone.frames, alone.start_s, alone.end_s) == (
        together.frames, together.start_s, together.end_s
    )  # fmt: skip
    np.testing.assert_array_equal(alone.settled_bgr, together.settled_bgr)
    np.testing.assert_array_equal(alone.pictures.first().bgr, together.pictures.first().bgr)
    one, other = alone.stillness, together.stillness
    assert (one.verdict, one.spans, one.bumps_s) == (other.verdict, other.spans, other.bumps_s)
    for a, b in zip(one.samples, other.samples, strict=True):
        assert (a.time_s, a.displacement) == (b.time_s, b.displacement)
        np.testing.assert_array_equal(a.registration, b.registration)


def test_a_pass_that_is_broken_off_ends_its_threads(clip: Path) -> None:
    class BrokenOffError(Exception):
        pass

    def break_off(share: float) -> None:
        raise BrokenOffError

    before = threading.active_count()
    limit_threads(2)
    with pytest.raises(BrokenOffError):
        watch_clip(clip, break_off)
    assert threading.active_count() == before


def test_one_thread_is_one_thread(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def started(thread: threading.Thread) -> None:
        raise AssertionError(f"{thread.name} was started")

    monkeypatch.setattr(threading.Thread, "start", started)
    assert _watched(clip, 1).frames > 50
