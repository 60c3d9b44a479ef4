"""Pictures are turned once, by the display matrix, the right way round."""

from __future__ import annotations

import shutil
import subprocess
from itertools import product
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from clip_writer import corner_picture, write_clip
from shoegoal.clip.frame import turn_from_matrix
from shoegoal.clip.reader import open_clip

U8 = npt.NDArray[np.uint8]

RIGHT_ANGLE_MATRICES = [
    *((a, 0, 0, d) for a, d in product((1, -1), repeat=2)),
    *((0, b, c, 0) for b, c in product((1, -1), repeat=2)),
]


def _display_matrix(a: float, b: float, c: float, d: float) -> npt.NDArray[np.int32]:
    one = 1 << 16
    return np.array(
        [a * one, b * one, 0, c * one, d * one, 0, 0, 0, 1 << 30], dtype=np.float64
    ).astype(np.int32)


def _displayed_by_definition(stored: U8, a: int, b: int, c: int, d: int) -> U8:
    """ISO/IEC 14496-12 (2015) 8.5: (p, q) is shown at (m, n) = (a p + c q, b p + d q)."""
    height, width = stored.shape
    places = {(a * p + c * q, b * p + d * q): stored[q, p] for q, p in np.ndindex(height, width)}
    low_m, low_n = (min(place[i] for place in places) for i in (0, 1))
    shown = np.zeros((height, width) if a else (width, height), np.uint8)
    for (m, n), level in places.items():
        shown[n - low_n, m - low_m] = level
    return shown


@pytest.mark.parametrize("matrix", RIGHT_ANGLE_MATRICES)
def test_all_eight_matrices_do_what_the_standard_says(matrix: tuple[int, int, int, int]) -> None:
    stored = np.arange(15, dtype=np.uint8).reshape(3, 5)
    turn = turn_from_matrix(_display_matrix(*matrix))
    assert (turn.apply(stored) == _displayed_by_definition(stored, *matrix)).all()
    a, b, c, d = matrix
    assert turn.is_mirrored is (a * d - b * c < 0)
    # Mirroring first and then the named turn must come to the same.
    mirrored = stored[:, ::-1] if turn.is_mirrored else stored
    assert (np.rot90(mirrored, -turn.rotation_deg // 90) == turn.apply(stored)).all()


def test_a_matrix_off_the_right_angles_is_known_as_inexact() -> None:
    c, s = np.cos(np.radians(20)), np.sin(np.radians(20))
    assert not turn_from_matrix(_display_matrix(c, s, -s, c)).is_exact
    assert turn_from_matrix(_display_matrix(0, 1, -1, 0)).is_exact


@pytest.mark.parametrize(
    ("clockwise_deg", "bright", "middling"),
    [
        (0, "upper left", "upper right"),
        (90, "upper right", "lower right"),
        (180, "lower right", "lower left"),
        (270, "lower left", "upper left"),
    ],
)
@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv"])
def test_marked_corners_land_where_they_belong(
    tmp_path: Path, suffix: str, clockwise_deg: int, bright: str, middling: str
) -> None:
    # The writer takes counter-clockwise degrees (FFmpeg's av_display_rotation_set).
    path = write_clip(
        tmp_path / f"clip.{suffix}", [corner_picture()] * 2, rotation_deg=-clockwise_deg
    )
    with open_clip(path) as clip:
        frame = next(clip.frames())
        info = clip.info
    assert info.rotation_deg == clockwise_deg
    assert frame.luma.shape == (info.height_px, info.width_px)
    assert (info.width_px, info.height_px) == ((96, 128) if clockwise_deg % 180 else (128, 96))
    assert frame.chroma_u.shape == (info.height_px // 2, info.width_px // 2)
    corners = {
        "upper left": frame.luma[3, 3],
        "upper right": frame.luma[3, -4],
        "lower left": frame.luma[-4, 3],
        "lower right": frame.luma[-4, -4],
    }
    assert corners.pop(bright) > 200
    assert 115 < corners.pop(middling) < 145
    assert max(corners.values()) < 60


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is the reference")
@pytest.mark.parametrize("counter_clockwise_deg", [0, 90, 180, 270])
def test_turned_as_ffmpeg_turns_it(tmp_path: Path, counter_clockwise_deg: int) -> None:
    path = write_clip(
        tmp_path / "clip.mp4", [corner_picture()] * 2, rotation_deg=counter_clockwise_deg
    )
    with open_clip(path) as clip:
        frame = next(clip.frames())
    command = f"ffmpeg -v error -i {path} -frames:v 1 -f rawvideo -pix_fmt yuv420p -"
    raw = subprocess.run(command.split(), capture_output=True, check=True).stdout
    planes = np.frombuffer(raw, np.uint8)
    ours = np.concatenate([frame.luma.ravel(), frame.chroma_u.ravel(), frame.chroma_v.ravel()])
    assert (planes == ours).all()
