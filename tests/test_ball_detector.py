"""The detector on the sample clips' own pictures, and how its raw numbers become boxes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from shoegoal.ball.portraits import take_portrait

from shoegoal.ball import detector
from shoegoal.ball.detector import BINS, INPUT_PX, PERSON, SPORTS_BALL, STRIDES, ball_score, detect
from shoegoal.clip.frame import Frame
from shoegoal.clip.reader import open_clip
from shoegoal.shots.kicks import LIKE_A_BALL

CLIPS = Path(__file__).parents[1] / "sample_clips"
FOUND = 0.2


def flown(name: str) -> Iterator[tuple[Frame, dict[str, Any]]]:
    """Every third picture of the first shot's flight, with its truth."""
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text())
    first = truth["shots"][0]
    start_s, stop_s = first["kick_time_s"] + 0.05, first["crossing_time_s"] + 0.3
    with open_clip(CLIPS / f"{name}.mp4") as clip:
        for frame, true in zip(clip.frames(), truth["frames"], strict=False):
            if frame.time_s > stop_s:
                return
            if frame.time_s >= start_s and frame.index % 3 == 0:
                assert frame.time_s == pytest.approx(true["pts_s"], abs=2e-3)
                yield frame, true


@pytest.mark.parametrize("name", ["behind_six", "side_view", "portrait_vfr"])
def test_balls_are_known_and_other_things_are_not(name: str) -> None:
    rng = np.random.default_rng(5)
    balls, others = [], []
    for frame, true in flown(name):
        x, y = true["centre_px"]
        size = true["diameter_px"]
        if true["visible"] > 0.9:
            balls.append(take_portrait(frame, x, y, size).ball_score())
        height, width = frame.luma.shape
        for _ in range(2):
            off = rng.uniform([0.05 * width, 0.2 * height], [0.95 * width, 0.95 * height])
            if np.hypot(*(off - (x, y))) > 3 * size:
                elsewhere = take_portrait(frame, float(off[0]), float(off[1]), size)
                others.append(elsewhere.ball_score())
    assert len(balls) >= 4 and len(others) >= 10
    assert np.mean(np.array(balls) > FOUND) >= 0.5, balls
    assert max(others) < LIKE_A_BALL, others


def test_a_head_and_limbs_score_nothing() -> None:
    """A drawn figure: round head, trunk, legs; the head's disc must not pass for a ball."""
    picture = np.full((480, 480, 3), (110, 140, 120), np.uint8)
    cv2.circle(picture, (240, 110), 28, (120, 150, 200), -1, cv2.LINE_AA)
    cv2.ellipse(picture, (240, 96), (28, 20), 0, 180, 360, (30, 40, 50), -1, cv2.LINE_AA)
    cv2.rectangle(picture, (205, 140), (275, 270), (150, 60, 40), -1)
    cv2.rectangle(picture, (210, 270), (235, 420), (60, 50, 50), -1)
    cv2.rectangle(picture, (245, 270), (270, 420), (60, 50, 50), -1)
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.2), np.uint8)
    for x, y, size in ((240, 110, 56), (222, 340, 26), (257, 340, 26), (240, 200, 70)):
        assert ball_score(picture, x, y, size) < LIKE_A_BALL


def test_nothing_to_see_scores_nothing() -> None:
    plain = np.full((200, 300, 3), 128, np.uint8)
    assert ball_score(plain, 150, 100, 20) == 0.0
    assert ball_score(plain, 1, 1, 0.5) == 0.0  # a crop of a few pixels is not even asked


class HandMade:
    """Stands in for the network: all scores nought but one cell's, and its box by hand."""

    def __init__(self, stride: int, row: int, column: int, bins: tuple[int, int, int, int]) -> None:
        self.outputs = []
        for step in STRIDES:
            side = INPUT_PX // step
            scores = np.zeros((1, side * side, 80), np.float32)
            boxes = np.zeros((1, side * side, 4 * BINS), np.float32)
            if step == stride:
                scores[0, row * side + column, SPORTS_BALL] = 0.75
                scores[0, row * side + column, PERSON] = 0.05
                for k, bin_number in enumerate(bins):
                    # So strong a logit that the softmax's mean is this very bin.
                    boxes[0, row * side + column, k * BINS + bin_number] = 50.0
            self.outputs += [scores, boxes]

    def setInput(self, blob: np.ndarray) -> None:  # noqa: N802
        assert blob.shape == (1, 3, INPUT_PX, INPUT_PX) and blob.dtype == np.float32

    def getUnconnectedOutLayersNames(self) -> list[str]:  # noqa: N802
        return []

    def forward(self, names: list[str]) -> list[np.ndarray]:
        return self.outputs


@pytest.mark.parametrize("stride", STRIDES)
@pytest.mark.parametrize("picture_px", [(416, 416), (208, 208), (832, 416)])
def test_boxes_are_decoded_by_hand(
    monkeypatch: pytest.MonkeyPatch, stride: int, picture_px: tuple[int, int]
) -> None:
    """Centre (i + 0.5) stride; sides at bin x stride from it (generalised focal loss, 2020)."""
    made = HandMade(stride, 4, 7, (1, 2, 3, 4))
    monkeypatch.setattr(detector, "_network", lambda: made)
    (found,) = detect(np.zeros((*picture_px[::-1], 3), np.uint8), (SPORTS_BALL, PERSON))
    zoom = 416 / max(picture_px)
    x, y = 7.5 * stride, 4.5 * stride
    box = (found.left_px, found.top_px, found.right_px, found.bottom_px)
    expected = np.array([x - stride, y - 2 * stride, x + 3 * stride, y + 4 * stride]) / zoom
    assert box == pytest.approx(expected, abs=1e-3)
    assert found.label == SPORTS_BALL and found.score == pytest.approx(0.75)


def test_an_even_spread_over_the_bins_gives_their_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal logits: the mean of 0..10 is 5."""
    made = HandMade(8, 10, 10, (0, 0, 0, 0))
    for output in made.outputs:
        if output.shape[-1] == 4 * BINS:
            output[:] = 0.0
    monkeypatch.setattr(detector, "_network", lambda: made)
    (found,) = detect(np.zeros((416, 416, 3), np.uint8))
    assert found.right_px - found.left_px == pytest.approx(80.0, abs=1e-3)
    assert found.bottom_px - found.top_px == pytest.approx(80.0, abs=1e-3)
