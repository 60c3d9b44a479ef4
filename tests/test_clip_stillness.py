"""Whether the camera stood still, on made scenes with a known camera and on real clips."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.clip.reader import open_clip
from shoegoal.clip.reduced import small_frame
from shoegoal.clip.stillness import (
    Stillness,
    StillnessReport,
    StillnessWatcher,
)

U8 = npt.NDArray[np.uint8]
WIDTH_PX, HEIGHT_PX = 640, 360
STEP_S = 0.2

# (shift x, shift y as shares of the width, turn in degrees, zoom) of the scene at a time.
Path2D = Callable[[float], tuple[float, float, float, float]]
Light = Callable[[float], float]


def _yard(seed: int) -> U8:
    """Blobs and blocks of several sizes, larger than the view."""
    noise = np.random.default_rng(seed)
    yard = np.full((HEIGHT_PX * 2, WIDTH_PX * 2), 110.0)
    for size in (2, 8, 30):
        coarse = noise.normal(0, 18, (HEIGHT_PX * 2 // size + 1, WIDTH_PX * 2 // size + 1))
        yard += cv2.resize(coarse, (WIDTH_PX * 2, HEIGHT_PX * 2), interpolation=cv2.INTER_CUBIC)
    for _ in range(60):
        x, y = noise.integers(0, (WIDTH_PX * 2, HEIGHT_PX * 2))
        w, h = noise.integers(10, 60, 2)
        yard[y : y + h, x : x + w] += noise.normal(0, 40)
    return np.asarray(np.clip(yard, 0, 255), dtype=np.uint8)


def _watch(
    camera: Path2D,
    *,
    seconds: float = 9.0,
    light: Light = lambda _: 1.0,
    person_share: float = 0.0,
    noise_levels: float = 2.0,
    caption: bool = False,
    cover: tuple[float, float] | None = None,
    seed: int = 3,
) -> StillnessReport:
    noise = np.random.default_rng(seed)
    grain = noise.normal(0, noise_levels, (HEIGHT_PX * 2, WIDTH_PX * 2))
    yard, cloth = _yard(seed), _yard(seed + 100)
    watcher = StillnessWatcher()
    for time_s in np.arange(0, seconds, STEP_S):
        x, y, turn_deg, zoom = camera(float(time_s))
        matrix = cv2.getRotationMatrix2D((WIDTH_PX, HEIGHT_PX), turn_deg, zoom)
        matrix[:, 2] += np.array([x * WIDTH_PX - WIDTH_PX / 2, y * WIDTH_PX - HEIGHT_PX / 2])
        view = cv2.warpAffine(yard, matrix, (WIDTH_PX, HEIGHT_PX), flags=cv2.INTER_LINEAR)
        if person_share:
            wide = int(WIDTH_PX * person_share)
            left = int((WIDTH_PX - wide) * (0.5 + 0.5 * np.sin(1.3 * time_s)))
            bob = int(40 + 30 * np.sin(5 * time_s))
            view[:, left : left + wide] = cloth[bob : bob + HEIGHT_PX, :wide]
        if cover and cover[0] <= time_s < cover[1]:
            slip = int(60 * time_s) % WIDTH_PX
            view = cloth[slip // 2 : slip // 2 + HEIGHT_PX, slip : slip + WIDTH_PX]
        row, column = noise.integers(0, (HEIGHT_PX, WIDTH_PX))
        lit = view * light(float(time_s)) + grain[row : row + HEIGHT_PX, column : column + WIDTH_PX]
        view = np.clip(lit, 0, 255).astype(np.uint8)
        if caption:
            cv2.putText(view, "SET 1 YARD", (20, 40), cv2.FONT_HERSHEY_SIMPLEX, 1, 255, 2)
        watcher.update(float(time_s), np.asarray(view, dtype=np.uint8))
    return watcher.report()


def _locked(_: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, 0.0, 1.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_locked_camera_is_still(seed: int) -> None:
    report = _watch(_locked, seed=seed, seconds=12)
    assert report.verdict is Stillness.STILL
    (span,) = report.spans
    assert (span.start_s, span.end_s) == pytest.approx((0, 11.8), abs=0.2)
    assert span.displacement < 0.001
    assert report.is_still_at(6.0)


@pytest.mark.parametrize(
    "light",
    [
        lambda t: 1.0 + 0.15 * np.sin(2 * np.pi * 7.3 * t),
        lambda t: 1.0 if t < 5 else 1.5,
        lambda t: 1.0 if t < 5 else 0.5,
        lambda t: 1.0 - 0.05 * t,
    ],
    ids=["flicker", "brighter", "darker", "dusk"],
)
def test_light_is_no_motion(light: Light) -> None:
    report = _watch(_locked, light=light)
    assert report.verdict is Stillness.STILL
    assert len(report.spans) == 1


@pytest.mark.parametrize("share", [0.2, 0.34, 0.45])
def test_a_person_before_the_camera_is_no_motion(share: float) -> None:
    report = _watch(_locked, person_share=share)
    assert report.verdict is Stillness.STILL
    assert len(report.spans) == 1


@pytest.mark.parametrize("share", [0.0, 0.3])
@pytest.mark.parametrize(
    "after", [(0.03, 0.01, 0, 1), (-0.015, 0, 0, 1), (0.25, 0.1, 0, 1), (0, 0, 2.0, 1.0)]
)
def test_a_bump_is_found_at_its_time_and_registered(
    share: float, after: tuple[float, float, float, float]
) -> None:
    report = _watch(lambda t: after if t >= 5.0 else (0, 0, 0, 1), person_share=share)
    assert report.verdict is Stillness.BUMPED
    (bump_s,) = report.bumps_s
    assert bump_s == pytest.approx(5.0, abs=2 * STEP_S)
    assert not report.is_still_at(4.9)  # between the last sample before and the first after
    assert "0:0" in report.message
    registration = report.registration_px(8.5, WIDTH_PX)
    if max(abs(after[0]), abs(after[1])) < 0.1:  # larger ones may be past connecting
        assert registration is not None
        x, y, turn_deg, zoom = after
        truth = cv2.getRotationMatrix2D((WIDTH_PX / 2, HEIGHT_PX / 2), turn_deg, zoom)
        truth[:, 2] += np.array([x * WIDTH_PX, y * WIDTH_PX])
        corners = np.array([[40, 40, 1], [600, 40, 1], [40, 320, 1], [600, 320, 1.0]])
        assert np.abs(corners @ registration.T - corners @ truth.T).max() < 0.004 * WIDTH_PX


@pytest.mark.parametrize("share", [0.3, 0.45])
@pytest.mark.parametrize("shift", [0.015, 0.05, 0.15, 0.3])
def test_a_registration_is_right_or_absent_beside_a_large_person(
    share: float, shift: float
) -> None:
    report = _watch(lambda t: (shift if t >= 5.0 else 0.0, 0, 0, 1), person_share=share)
    assert report.verdict is Stillness.BUMPED
    for sample in report.samples:
        if sample.registration is not None:
            middle = sample.registration @ np.array([0.5, 0.28, 1.0]) - np.array([0.5, 0.28])
            truth = shift if sample.time_s >= 4.99 else 0.0
            assert np.abs(middle - np.array([truth, 0])).max() < 0.002


def test_someone_before_the_lens_for_a_while_is_no_bump() -> None:
    report = _watch(_locked, cover=(4.0, 8.0), seconds=12)
    assert report.verdict is Stillness.STILL
    assert len(report.spans) == 1
    registration = report.registration_px(11.0, WIDTH_PX)
    assert registration is not None
    assert np.abs(registration - np.eye(3)[:2]).max() < 0.5


def test_a_small_shift_is_nearly_still_and_registered() -> None:
    report = _watch(lambda t: (0.006 * t / 12, 0, 0, 1), seconds=12)
    assert report.verdict is Stillness.NEARLY_STILL
    assert 0.003 < report.spans[0].displacement < 0.01
    registration = report.registration_px(11.8, WIDTH_PX)
    assert registration is not None
    assert registration[0, 2] == pytest.approx(0.006 * 11.8 / 12 * WIDTH_PX, abs=0.5)


MOVING: dict[str, Path2D] = {
    "pan": lambda t: (0.05 * t - 0.25, 0, 0, 1),
    "zoom": lambda t: (0, 0, 0, 1 + 0.04 * t),
    "turn": lambda t: (0, 0, 3 * t, 1),
    "hand": lambda t: (0.03 * np.sin(2.1 * t), 0.02 * np.sin(3.3 * t + 1), np.sin(1.7 * t), 1),
    "shaking": lambda t: (0.02 * np.sin(19 * t), 0.02 * np.sin(23 * t), 0, 1),
}


@pytest.mark.parametrize("share", [0.0, 0.34])
@pytest.mark.parametrize("name", MOVING)
def test_a_moving_camera_is_moving(name: str, share: float) -> None:
    assert _watch(MOVING[name], person_share=share).verdict is Stillness.MOVING


def test_a_caption_does_not_hold_a_moving_picture_still() -> None:
    assert _watch(MOVING["hand"], caption=True).verdict is Stillness.MOVING


def test_setting_the_phone_down_and_picking_it_up_is_handling() -> None:
    def camera(t: float) -> tuple[float, float, float, float]:
        early, late = max(0.0, 1.5 - t), max(0.0, t - 10.5)
        return 0.1 * early, 0.15 * late, 4 * early, 1.0

    report = _watch(camera, seconds=12)
    assert report.verdict is Stillness.STILL
    (span,) = report.spans
    assert 1.4 <= span.start_s <= 1.9
    assert 10.2 <= span.end_s <= 10.7
    assert not report.is_still_at(0.5)
    assert not report.is_still_at(11.5)


@pytest.mark.parametrize("levels", [2, 10])
def test_nothing_to_follow_is_unclear(levels: float) -> None:
    watcher = StillnessWatcher()
    noise = np.random.default_rng(1)
    for i in range(30):
        picture = np.clip(noise.normal(90, levels, (HEIGHT_PX, WIDTH_PX)), 0, 255)
        watcher.update(i * STEP_S, picture.astype(np.uint8))
    report = watcher.report()
    assert report.verdict is Stillness.UNCLEAR
    assert all(sample.displacement is None for sample in report.samples[1:])


def test_less_than_two_samples_are_unclear() -> None:
    watcher = StillnessWatcher()
    assert watcher.report().verdict is Stillness.UNCLEAR
    watcher.update(0.0, _yard(1)[:HEIGHT_PX, :WIDTH_PX])
    assert watcher.report().verdict is Stillness.UNCLEAR


@pytest.mark.real_clips
@pytest.mark.parametrize(
    ("name", "verdicts"),
    [
        # What the clips' list says of each: locked, near-locked, dolly, pan and zoom.
        ("terrace_kick_01_30fps.mov", {Stillness.STILL}),
        ("lawn_side_kick.mp4", {Stillness.STILL}),
        ("juggling_still.avi", {Stillness.STILL}),
        ("green_ball_hand_toss.mp4", {Stillness.STILL}),
        ("lawn_mini_goal.mp4", {Stillness.NEARLY_STILL}),
        ("fullbody_side_kick.mp4", {Stillness.MOVING}),
        ("juggling_moving_camera.avi", {Stillness.MOVING}),
    ],
)
def test_real_clips(real_clips: Path, name: str, verdicts: set[Stillness]) -> None:
    watcher = StillnessWatcher()
    with open_clip(real_clips / name) as clip:
        for frame in clip.frames():
            watcher.update(frame.time_s, small_frame(frame).luma)
    assert watcher.report().verdict in verdicts
