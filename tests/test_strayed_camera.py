"""A camera that strayed: what lies still seems to move, so a shot may have been missed."""

from __future__ import annotations

import pytest

from shoegoal.clip.stillness import Stillness, StillnessReport, StillSpan
from shoegoal.pipeline.judging import strayed_times


def report(verdict: Stillness, displacement: float) -> StillnessReport:
    return StillnessReport(verdict, (StillSpan(2.0, 30.0, displacement),), (), ())


def test_the_whole_clip_is_in_doubt_with_how_far_it_strayed() -> None:
    (doubt,) = strayed_times(report(Stillness.NEARLY_STILL, 0.008), 2.0, 30.0)
    assert (doubt.time_s, doubt.until_s) == (2.0, 30.0)
    assert "0.8%" in doubt.doubt and "missed" in doubt.doubt


@pytest.mark.parametrize("verdict", [Stillness.STILL, Stillness.BUMPED])
def test_a_camera_that_stood_or_was_bumped_has_no_such_doubt(verdict: Stillness) -> None:
    """What follows a bump is asked about shot by shot."""
    assert strayed_times(report(verdict, 0.002), 2.0, 30.0) == []
