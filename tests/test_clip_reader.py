"""The reader: containers, codecs, times, planes, threads."""

from __future__ import annotations

import gc
import shutil
import subprocess
import threading
from collections.abc import Iterator
from fractions import Fraction
from itertools import islice
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from clip_writer import corner_picture, ramp_pictures, write_clip
from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import ClipProblem, Timekeeper
from shoegoal.clip.frame import ColourMatrix, Layout, planes_of, planes_to_bgr
from shoegoal.clip.handover import run_ahead
from shoegoal.clip.reader import Frame, clip_sha256, open_clip
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError

KINDS = [
    ("mp4", "libx264", "yuv420p", False),
    ("mov", "libx264", "yuv420p", False),
    ("mov", "libx264", "yuv422p", False),
    ("mov", "libx264", "yuv444p", False),
    ("mp4", "libx264", "yuvj420p", True),
    ("mp4", "libx264", "yuv420p10le", False),
    ("mp4", "libx265", "yuv420p", False),
    ("mov", "libx265", "yuv420p10le", False),
    ("mkv", "libx264", "yuv420p", False),
    ("webm", "libvpx-vp9", "yuv420p", False),
    ("avi", "libx264", "yuv420p", False),
    ("avi", "mjpeg", "yuvj422p", True),
]


def _frames(path: Path) -> tuple[list[Frame], list[ClipProblem]]:
    with open_clip(path) as clip:
        return list(clip.frames()), clip.problems


@pytest.mark.parametrize(("suffix", "codec", "pixel_format", "full_range"), KINDS)
def test_every_kind_gives_back_what_was_written(
    tmp_path: Path, suffix: str, codec: str, pixel_format: str, full_range: bool
) -> None:
    written = ramp_pictures(9)
    path = write_clip(
        tmp_path / f"clip.{suffix}",
        written,
        pts=range(9),
        time_base=Fraction(1, 25),
        codec=codec,
        pixel_format=pixel_format,
        full_range=full_range,
        chroma=(90, 160),
        options={"bf": "0"}
        if suffix == "avi"
        else {"x265-params": "log-level=none"}
        if codec == "libx265"
        else {},
    )
    frames, problems = _frames(path)
    assert problems == []
    assert [frame.index for frame in frames] == list(range(9))
    assert [frame.time_s for frame in frames] == pytest.approx([i / 25 for i in range(9)], abs=6e-4)
    for frame, luma in zip(frames, written, strict=True):
        assert frame.luma.dtype == np.uint8
        assert frame.luma.shape == (96, 128)
        assert frame.chroma_u.shape == frame.chroma_v.shape == (48, 64)
        assert frame.full_range is full_range
        assert frame.luma.mean() == pytest.approx(luma.mean(), abs=1.5)
        assert frame.chroma_u.mean() == pytest.approx(90, abs=1.5)
        assert frame.chroma_v.mean() == pytest.approx(160, abs=1.5)


def test_info_says_what_the_file_says(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", ramp_pictures(10))
    with open_clip(path) as clip:
        info = clip.info
    assert (info.width_px, info.height_px, info.rotation_deg) == (128, 96, 0)
    assert (info.codec, info.pixel_format) == ("h264", "yuv420p")
    assert info.duration_s == pytest.approx(0.4)
    assert info.nominal_rate_hz == pytest.approx(25)
    assert info.start_s == 0
    assert info.size_bytes == path.stat().st_size


def test_times_are_the_files_own_when_the_rate_varies(tmp_path: Path) -> None:
    pts = [0, 33, 66, 133, 141, 300, 333, 366]
    path = write_clip(tmp_path / "clip.mp4", ramp_pictures(8), pts=pts)
    frames, problems = _frames(path)
    assert [round(frame.time_s * 1000) for frame in frames] == pts
    assert problems == []


def test_a_clip_that_starts_late_keeps_its_times(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mkv", ramp_pictures(4), pts=[500, 540, 580, 620])
    with open_clip(path) as clip:
        assert clip.info.start_s == pytest.approx(0.5)
        assert next(clip.frames()).time_s == pytest.approx(0.5)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is the reference")
def test_avi_with_reordered_pictures_keeps_their_order_and_rate(tmp_path: Path) -> None:
    # AVI stores no presentation times; reference: ffmpeg 5.1's own picture order.
    path = write_clip(
        tmp_path / "clip.avi",
        ramp_pictures(20),
        pts=range(20),
        time_base=Fraction(1, 25),
        options={"bf": "3", "preset": "medium"},
    )
    frames, problems = _frames(path)
    lumas = [float(frame.luma.mean()) for frame in frames]
    assert lumas == pytest.approx([30 + 3 * i for i in range(20)], abs=1.5)
    assert np.diff([frame.time_s for frame in frames]) == pytest.approx(np.full(19, 0.04))
    assert problems == []


def test_ten_bits_are_rounded_to_eight() -> None:
    # ITU-R BT.709-6 section 4: a 10-bit level is four times the 8-bit one.
    raw = av.VideoFrame(16, 4, "yuv420p10le")
    levels = np.arange(400, 416, dtype="<u2")
    for plane in raw.planes:
        rows = np.zeros((plane.height, plane.line_size // 2), "<u2")
        rows[:, : plane.width] = levels[: plane.width]
        plane.update(rows.tobytes())
    luma, _, _ = planes_of(raw)
    assert np.abs(luma[0].astype(float) - levels / 4).max() <= 0.5


def test_odd_sizes_keep_their_last_row_and_column() -> None:
    raw = av.VideoFrame(35, 21, "yuv420p")
    for plane in raw.planes:
        rows = np.full((plane.height, plane.line_size), 7, np.uint8)
        rows[:, plane.width - 1] = 99
        plane.update(rows.tobytes())
    luma, chroma_u, _ = Layout().show(raw)
    assert luma.shape == (21, 35)
    assert chroma_u.shape == (11, 18)
    assert (luma[:, -1] == 99).all()
    assert (chroma_u[:, -1] == 99).all()


def test_pixels_that_are_not_square_are_made_so(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "c.mp4", [corner_picture()] * 2, pixel_aspect=Fraction(3, 2))
    with open_clip(path) as clip:
        frame = next(clip.frames())
        assert (clip.info.width_px, clip.info.height_px) == (192, 96)
    assert frame.luma.shape == (96, 192)
    assert frame.chroma_u.shape == (48, 96)
    assert frame.luma[10, 44] > 200  # the bright block is 32 stored, 48 displayed pixels wide
    assert frame.luma[10, 52] < 60


def test_planes_cannot_be_written_to_and_outlive_the_clip(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", ramp_pictures(30))
    frames, _ = _frames(path)
    gc.collect()
    assert [round(float(f.luma.mean())) for f in frames] == [30 + 3 * i for i in range(30)]
    with pytest.raises(ValueError, match="read-only"):
        frames[0].luma[0, 0] = 1


def test_read_only_planes_are_good_enough_for_opencv(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", [corner_picture(132, 96)])
    frames, _ = _frames(path)
    reduced = cv2.resize(frames[0].luma, (66, 48), interpolation=cv2.INTER_AREA)
    assert reduced.shape == (48, 66)
    assert cv2.absdiff(frames[0].luma, frames[0].luma).max() == 0


def test_a_clip_can_be_gone_through_twice(tmp_path: Path) -> None:
    with open_clip(write_clip(tmp_path / "clip.mp4", ramp_pictures(5))) as clip:
        assert len(list(clip.frames())) == len(list(clip.frames(ahead=0))) == 5


def test_closing_early_ends_the_thread(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", ramp_pictures(60))
    before = threading.active_count()
    with open_clip(path) as clip:
        assert len(list(islice(clip.frames(), 3))) == 3
        held = clip.frames()
        next(held)
    assert threading.active_count() == before
    assert list(held) == []


def test_dropping_the_iteration_ends_the_thread(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", ramp_pictures(60))
    before = threading.active_count()
    frames = run_ahead(iter(range(10**9)), room=2)
    next(frames)
    del frames
    clip = open_clip(path)
    next(clip.frames())
    clip.close()
    gc.collect()
    assert threading.active_count() == before


def test_an_error_in_the_thread_comes_after_the_items_before_it() -> None:
    def source() -> Iterator[int]:
        yield from range(3)
        raise ZeroDivisionError("as planned")

    seen = []
    with pytest.raises(ZeroDivisionError, match="as planned"):
        for item in run_ahead(source(), room=2):
            seen.append(item)  # noqa: PERF402
    assert seen == [0, 1, 2]


def test_the_thread_never_runs_far_ahead() -> None:
    taken = []

    def source() -> Iterator[int]:
        for i in range(100):
            taken.append(i)
            yield i

    items = run_ahead(source(), room=3)
    for expected in range(20):
        assert next(items) == expected
        assert len(taken) <= expected + 1 + 3 + 1
    items.close()


def test_sha256_is_the_published_one(tmp_path: Path) -> None:
    # FIPS 180-2 appendix B.1, the message "abc".
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert clip_sha256(path) == expected
    with pytest.raises(ClipUnreadableError):
        clip_sha256(tmp_path / "none")


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(0, "0:00.0"), (72.34, "1:12.3"), (59.96, "1:00.0"), (-0.5, "-0:00.5"), (3600, "60:00.0")],
)
def test_clock_text(time_s: float, text: str) -> None:
    assert clock_text(time_s) == text


# EBU Tech 3325 / ITU-R BT.709-6 and BT.601-7: 75 % and 100 % colour bars in 8-bit code values.
@pytest.mark.parametrize(
    ("matrix", "yuv", "bgr"),
    [
        (ColourMatrix.BT709, (235, 128, 128), (255, 255, 255)),
        (ColourMatrix.BT709, (16, 128, 128), (0, 0, 0)),
        (ColourMatrix.BT709, (63, 102, 240), (0, 0, 255)),
        (ColourMatrix.BT709, (173, 42, 26), (0, 255, 0)),
        (ColourMatrix.BT709, (32, 240, 118), (255, 0, 0)),
        (ColourMatrix.BT601, (81, 90, 240), (0, 0, 255)),
        (ColourMatrix.BT601, (145, 54, 34), (0, 255, 0)),
        (ColourMatrix.BT601, (41, 240, 110), (255, 0, 0)),
    ],
)
def test_colours_of_the_standard_bars(
    matrix: ColourMatrix, yuv: tuple[int, int, int], bgr: tuple[int, int, int]
) -> None:
    y, u, v = (np.full((4 // n, 4 // n), c, np.uint8) for n, c in zip((1, 2, 2), yuv, strict=True))
    picture = planes_to_bgr(y, u, v, full_range=False, matrix=matrix)
    # Code values are whole numbers: one step of chroma is up to 2.4 levels of blue.
    assert np.abs(picture[0, 0].astype(int) - bgr).max() <= 3


def test_full_range_white_and_black_are_255_and_0() -> None:
    grey = np.full((2, 2), 128, np.uint8)
    for level in (0, 100, 255):
        luma = np.full((4, 4), level, np.uint8)
        picture = planes_to_bgr(luma, grey, grey, full_range=True, matrix=ColourMatrix.BT601)
        assert (picture == level).all()


def _keeper(**changes: object) -> Timekeeper:
    settings: dict[str, object] = {
        "time_base_s": 0.001,
        "nominal_step_s": 0.04,
        "has_only_storage_times": False,
        "problems": [],
    }
    return Timekeeper(**{**settings, **changes})  # type: ignore[arg-type]


def _raw(pts: int | None) -> av.VideoFrame:
    raw = av.VideoFrame(2, 2)
    raw.pts = pts
    return raw


def _end(keeper: Timekeeper, declared_s: float | None = None, start_s: float = 0) -> list[str]:
    keeper.end(start_s, declared_s, is_whole_file_length=False, is_file_cut=False)
    return [problem.message for problem in keeper.problems]


def test_negative_times_are_kept() -> None:
    keeper = _keeper()
    assert [keeper.place(_raw(p)) for p in (-80, -40, 0)] == pytest.approx([-0.08, -0.04, 0])
    assert _end(keeper, declared_s=0.12, start_s=-0.08) == []


def test_a_picture_without_time_is_placed_and_said() -> None:
    keeper = _keeper()
    times = [keeper.place(_raw(p)) for p in (0, None, 80)]
    assert times == pytest.approx([0, 0.04, 0.08])
    (message,) = _end(keeper)
    assert "no time" in message
    assert "0:00.0" in message


def test_pictures_without_any_time_are_refused() -> None:
    with pytest.raises(ClipUnreadableError, match="no times"):
        _keeper().place(_raw(None))


def test_times_that_do_not_rise_are_left_out_and_said() -> None:
    keeper = _keeper()
    times = [keeper.place(_raw(p)) for p in (0, 40, 40, 20, 80)]
    assert times == [0, 0.04, None, None, 0.08]
    (message,) = _end(keeper)
    assert "left out: 2" in message


def test_a_clock_that_jumps_back_is_refused() -> None:
    keeper = _keeper()
    keeper.place(_raw(9000))
    with pytest.raises(ClipNotJudgeableError, match=r"0:09\.0 to 0:01\.0"):
        keeper.place(_raw(1000))


def test_a_gap_is_said_with_its_ends() -> None:
    keeper = _keeper()
    for pts in (0, 40, 2040):
        keeper.place(_raw(pts))
    (message,) = _end(keeper)
    assert "between 0:00.0 and 0:02.0" in message


@pytest.mark.real_clips
@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is the reference")
@pytest.mark.parametrize("name", ["terrace_kick_07_30fps.mov", "juggling_still.avi"])
def test_real_clips_agree_with_ffprobe(real_clips: Path, name: str) -> None:
    """Number of pictures and their times as ffprobe's best_effort_timestamp_time has them."""
    command = ["ffprobe", "-v", "error", "-select_streams", "v", "-of", "csv=p=0", "-show_entries"]
    answer = subprocess.run(
        [*command, "frame=best_effort_timestamp_time", str(real_clips / name)],
        capture_output=True,
        text=True,
        check=True,
    )
    expected = [float(line.split(",")[0]) for line in answer.stdout.split()]
    frames, problems = _frames(real_clips / name)
    assert [frame.time_s for frame in frames] == pytest.approx(expected, abs=2e-6)
    assert problems == []
