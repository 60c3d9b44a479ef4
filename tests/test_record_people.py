"""How the detector's raw numbers become boxes."""

from __future__ import annotations

import numpy as np
import pytest

from shoegoal.record import people
from shoegoal.record.people import BINS, INPUT_PX, PERSON, SPORTS_BALL, STRIDES, detect


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

    def run(self, batch: np.ndarray) -> list[np.ndarray]:
        assert batch.shape == (1, 3, INPUT_PX, INPUT_PX) and batch.dtype == np.float32
        return self.outputs


@pytest.mark.parametrize("stride", STRIDES)
@pytest.mark.parametrize("picture_px", [(416, 416), (208, 208), (832, 416)])
def test_boxes_are_decoded_by_hand(
    monkeypatch: pytest.MonkeyPatch, stride: int, picture_px: tuple[int, int]
) -> None:
    """Centre (i + 0.5) stride; sides at bin x stride from it (generalised focal loss, 2020)."""
    made = HandMade(stride, 4, 7, (1, 2, 3, 4))
    monkeypatch.setattr(people, "_network", lambda: made)
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
    monkeypatch.setattr(people, "_network", lambda: made)
    (found,) = detect(np.zeros((416, 416, 3), np.uint8), (SPORTS_BALL,))
    assert found.right_px - found.left_px == pytest.approx(80.0, abs=1e-3)
    assert found.bottom_px - found.top_px == pytest.approx(80.0, abs=1e-3)
