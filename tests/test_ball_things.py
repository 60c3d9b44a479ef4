"""Things by their outlines, beside OpenCV's labelling of every pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from shoegoal.ball.background import things_in


@pytest.mark.parametrize("smooth", [0.0, 0.6, 1.5, 3.0])
def test_boxes_areas_and_middles_are_those_of_the_labelled_pixels(smooth: float) -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        field = rng.random((60, 83))
        if smooth:
            field = np.asarray(cv2.GaussianBlur(field, (0, 0), smooth), np.float64)
        mask = np.where(field > np.quantile(field, 0.6), 255, 0).astype(np.uint8)
        _, _, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=8)
        things = list(things_in(mask, lambda width, height: True))
        found = [(t.left, t.top, t.width, t.height, t.area, *t.middle) for t in things]
        expected = np.column_stack([stats, middles])[1:]
        np.testing.assert_allclose(sorted(found), sorted(expected.tolist()))


def test_only_what_is_wanted_is_measured_and_shares_are_of_the_thing_itself() -> None:
    mask = np.zeros((80, 80), np.uint8)
    cv2.circle(mask, (30, 30), 12, 255, cv2.FILLED)
    mask[60:62, 5:75] = 255
    (disc,) = things_in(mask, lambda width, height: width < 30)
    assert disc.middle == pytest.approx((30, 30))
    stirred = np.zeros_like(mask)
    stirred[:30] = 255
    assert disc.share_in(stirred) == pytest.approx(0.48, abs=0.02)  # the upper rows of the disc
