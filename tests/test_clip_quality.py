"""Light, noise and blur against pictures whose answer can be worked out by hand."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.clip.frame import Frame
from shoegoal.clip.quality import blur_share, brightness, noise_levels

U8 = npt.NDArray[np.uint8]
SIZE = (240, 360)  # tiles of 60 x 60


def grey(level: int, full_range: bool) -> Frame:
    half = np.full((60, 60), 128, np.uint8)
    return Frame(0.0, np.full((120, 120), level, np.uint8), half, half, full_range=full_range)


@pytest.mark.parametrize(
    ("level", "full_range", "share"),
    # ITU-R BT.709-6 section 4.6: 8-bit black is 16 and white 235.
    [(16, False, 0.0), (235, False, 1.0), (0, True, 0.0), (255, True, 1.0), (51, True, 0.2)],
)
def test_brightness_is_a_share_of_the_range(level: int, full_range: bool, share: float) -> None:
    assert brightness(grey(level, full_range)) == pytest.approx(share)


@pytest.mark.parametrize("sigma", [2.0, 5.0, 10.0])
def test_noise_is_found_again_whatever_the_texture(sigma: float) -> None:
    rng = np.random.default_rng(3)
    scene = cv2.GaussianBlur(rng.uniform(0, 255, SIZE).astype(np.float32), (0, 0), 1.0)
    scene = 60 + scene * 0.5
    before, after = (
        np.clip(np.round(scene + rng.normal(0, sigma, SIZE)), 0, 255).astype(np.uint8)
        for _ in range(2)
    )
    rounded = np.hypot(sigma, 1 / np.sqrt(12))  # rounding to whole levels adds its own noise
    assert noise_levels(before, after) == pytest.approx(rounded, rel=0.03)


def test_what_moves_is_no_noise() -> None:
    before = np.full(SIZE, 100, np.uint8)
    after = before.copy()
    after[:120, :120] = np.random.default_rng(0).integers(0, 255, (120, 120), np.uint8)
    assert noise_levels(before, after) == 0.0


def to_and_fro(profile: list[float]) -> U8:
    """Repeat a rise and fall over the picture, so that every tile holds one of the two."""
    assert len(profile) == 60
    row = np.concatenate([profile, profile[::-1]] * 3)
    return np.repeat(row[None], SIZE[0], axis=0).astype(np.uint8)


def test_one_sharp_step_keeps_a_ninth() -> None:
    # Crete 2007 by hand: a step of h has |D| = h once; through 9 equal taps it is h/9 nine times.
    # Lost: h - h/9; kept: 1/9 of all.
    picture = to_and_fro([30.0] * 30 + [210.0] * 30)
    assert blur_share(picture) == pytest.approx(1 / 9, abs=1e-3)
    assert blur_share(np.ascontiguousarray(picture.T)) == pytest.approx(1 / 9, abs=1e-3)


def test_a_ramp_of_nine_keeps_61_of_81() -> None:
    # By hand: the ramp's |D| is 1/9 nine times, smoothed (9 - |k|)/81; lost |k|/81, k = -4..4: 20.
    picture = to_and_fro([30.0] * 26 + [30.0 + 20 * k for k in range(1, 9)] + [210.0] * 26)
    assert blur_share(picture) == pytest.approx(61 / 81, abs=1e-3)


def test_more_blur_reads_higher_and_one_sharp_part_is_enough() -> None:
    rng = np.random.default_rng(1)
    sharp: U8 = (rng.integers(0, 2, (24, 36)) * 200).astype(np.uint8).repeat(10, 0).repeat(10, 1)
    soft = [np.asarray(cv2.GaussianBlur(sharp, (0, 0), s), np.uint8) for s in (1.0, 2.0, 4.0)]
    shares = [blur_share(picture) for picture in (sharp, *soft)]
    assert shares == sorted(shares) and shares[0] < 0.2 < 0.6 < shares[-1]
    mixed = soft[-1].copy()
    mixed[:120, :120] = sharp[:120, :120]
    assert blur_share(mixed) < 0.2


def test_a_picture_without_edges_is_wholly_blurred() -> None:
    assert blur_share(np.full(SIZE, 90, np.uint8)) == 1.0
