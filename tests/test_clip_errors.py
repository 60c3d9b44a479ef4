"""Files that are no clip, or only part of one: one clear line each, nothing on stderr."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from clip_writer import ramp_pictures, write_clip, write_sound
from shoegoal.clip.reader import open_clip
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError

FAST_START = {"movflags": "+faststart"}


def _refusal(path: Path) -> str:
    with pytest.raises(ClipUnreadableError) as caught, open_clip(path) as clip:
        list(clip.frames())
    message = str(caught.value)
    assert "\n" not in message
    assert ":" in message  # what is wrong: what to do
    return message


def _noisy(count: int) -> list[np.ndarray[tuple[int, ...], np.dtype[np.uint8]]]:
    noise = np.random.default_rng(5)
    return [noise.integers(0, 255, (96, 128), dtype=np.uint8) for _ in range(count)]


def _keep(path: Path, share: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    return path


def test_missing_folder_empty(tmp_path: Path) -> None:
    empty = tmp_path / "empty.mp4"
    empty.touch()
    assert "does not exist" in _refusal(tmp_path / "none.mp4")
    assert "folder" in _refusal(tmp_path)
    assert "empty" in _refusal(empty)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.txt", b"left shoe, right shoe\n" * 50),
        ("a.mp4", b"left shoe, right shoe\n" * 50),
        ("a.m3u8", b"#EXTM3U\n#EXTINF:10,\nhttp://localhost/a.ts\n"),
        ("a.ffconcat", b"ffconcat version 1.0\nfile '/etc/hostname'\n"),
        ("a.csv", b"1,2,3\n"),
        ("a.bin", bytes(range(256)) * 40),
    ],
)
def test_what_is_no_video(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert "not a video" in _refusal(path)


@pytest.mark.parametrize("suffix", ["png", "jpg", "webp"])
def test_a_photograph_is_no_clip(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"yard.{suffix}"
    assert cv2.imwrite(str(path), np.zeros((48, 64, 3), np.uint8))
    assert "not a video" in _refusal(path)


@pytest.mark.parametrize(("suffix", "codec"), [("m4a", "aac"), ("mp4", "aac"), ("mp3", "mp3")])
def test_sound_only(tmp_path: Path, suffix: str, codec: str) -> None:
    assert "only sound" in _refusal(write_sound(tmp_path / f"song.{suffix}", codec))


def test_zero_pictures(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.avi", ramp_pictures(2), codec="mjpeg",
                      pixel_format="yuvj420p", full_range=True)  # fmt: skip
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"movi") + 4])
    assert "no picture" in _refusal(path)


def test_mp4_without_its_index(tmp_path: Path) -> None:
    path = _keep(write_clip(tmp_path / "clip.mp4", _noisy(20)), 0.6)
    assert "cut off" in _refusal(path)


def test_pictures_without_times(tmp_path: Path) -> None:
    assert "no times" in _refusal(write_clip(tmp_path / "clip.h264", ramp_pictures(4)))


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "avi"])
def test_a_file_that_breaks_off_is_used_and_said(
    tmp_path: Path, suffix: str, capfd: pytest.CaptureFixture[str]
) -> None:
    path = write_clip(
        tmp_path / f"clip.{suffix}",
        _noisy(100),
        container_options=FAST_START if suffix == "mp4" else {},
        options={"bf": "0"},
    )
    with open_clip(_keep(path, 0.5)) as clip:
        frames = list(clip.frames())
        messages = [problem.message for problem in clip.problems]
    assert 35 < len(frames) < 65
    broken = [message for message in messages if "breaks off" in message]
    assert len(broken) == 1
    assert f"0:0{frames[-1].time_s:.1f}" in broken[0]
    printed = capfd.readouterr()
    assert printed.err == printed.out == ""


@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
def test_a_whole_file_has_no_problems(tmp_path: Path, suffix: str) -> None:
    with open_clip(write_clip(tmp_path / f"clip.{suffix}", _noisy(50))) as clip:
        assert len(list(clip.frames())) == 50
        assert clip.problems == []


def test_damage_in_the_middle_is_said(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = write_clip(
        tmp_path / "clip.mp4", _noisy(60), container_options=FAST_START, options={"g": "10"}
    )
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + len(data) // 20] = bytes(len(data) // 20)
    path.write_bytes(data)
    with open_clip(path) as clip:
        frames = list(clip.frames())
        messages = " ".join(problem.message for problem in clip.problems)
    assert len(frames) > 40
    assert "damaged" in messages or "cannot be decoded" in messages
    assert "breaks off" not in messages
    assert capfd.readouterr().err == ""


def test_times_that_do_not_rise_in_a_file(tmp_path: Path) -> None:
    path = write_clip(
        tmp_path / "clip.mkv",
        ramp_pictures(6),
        pts=[0, 40, 80, 80, 120, 160],
        options={"bf": "0"},
    )
    with open_clip(path) as clip:
        times = [frame.time_s for frame in clip.frames()]
        assert times == pytest.approx([0, 0.04, 0.08, 0.12, 0.16])
        assert ["left out: 1" in problem.message for problem in clip.problems] == [True]


def test_a_picture_that_changes_its_size_is_refused(tmp_path: Path) -> None:
    # Transport streams may simply be laid end to end (ISO/IEC 13818-1 has no global header).
    small = write_clip(tmp_path / "a.ts", ramp_pictures(3, 64, 48))
    large = write_clip(tmp_path / "b.ts", ramp_pictures(3), pts=[120, 160, 200])
    path = tmp_path / "both.ts"
    path.write_bytes(small.read_bytes() + large.read_bytes())
    with (
        pytest.raises(ClipNotJudgeableError, match="64x48 to 128x96"),
        open_clip(path) as clip,
    ):
        list(clip.frames())


def test_one_picture_is_handed_out(tmp_path: Path) -> None:
    with open_clip(write_clip(tmp_path / "clip.mp4", ramp_pictures(1))) as clip:
        assert len(list(clip.frames())) == 1
        assert clip.problems == []


def test_an_index_that_names_one_picture_without_end_is_refused(tmp_path: Path) -> None:
    """ISO/IEC 14496-12: ``stco`` may name a place as often as it likes; a cut of a file does not.

    A few bytes each would otherwise keep a decoder busy for days.
    """
    path = write_clip(
        tmp_path / "clip.mov", _noisy(1), codec="mjpeg", pixel_format="yuvj420p",
        options={"qscale": "2"},
    )  # fmt: skip
    data = bytearray(path.read_bytes())
    moov = data.index(b"moov") - 4
    picture = slice(data.index(b"mdat") + 4, moov)
    many = 2 * 2**20 // (picture.stop - picture.start)
    table = {
        b"stts": [1, many, 512],
        b"stsc": [1, 1, 1, 1],
        b"stsz": [picture.stop - picture.start, many],
        b"stco": [many, *[picture.start] * many],
    }
    data[data.index(b"edts") : data.index(b"edts") + 4] = b"free"  # it would end the clip
    for name, numbers in table.items():
        at = data.index(name) - 4
        size = int.from_bytes(data[at : at + 4], "big")
        body = name + bytes(4) + b"".join(number.to_bytes(4, "big") for number in numbers)
        data[at : at + size] = (4 + len(body)).to_bytes(4, "big") + body
        for around in (b"moov", b"trak", b"mdia", b"minf", b"stbl"):
            place = data.index(around, moov) - 4
            longer = int.from_bytes(data[place : place + 4], "big") + 4 + len(body) - size
            data[place : place + 4] = longer.to_bytes(4, "big")
    path.write_bytes(data)
    assert "again and again" in _refusal(path)
    with open_clip(path) as clip, pytest.raises(ClipUnreadableError, match="again and again"):
        clip.sampler()
