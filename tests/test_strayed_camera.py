"""A camera that strayed or was bumped: a shot may have been missed."""

from __future__ import annotations

from shoegoal.clip.stillness import Stillness, StillnessReport, StillSpan
from shoegoal.pipeline.judging import moved_camera_times


def report(verdict: Stillness, displacement: float) -> StillnessReport:
    return StillnessReport(verdict, (StillSpan(2.0, 30.0, displacement),), (), ())


def test_the_whole_clip_is_in_doubt_with_how_far_it_strayed() -> None:
    (doubt,) = moved_camera_times(report(Stillness.NEARLY_STILL, 0.008), 2.0, 30.0)
    assert (doubt.time_s, doubt.until_s) == (2.0, 30.0)
    assert "0.8%" in doubt.doubt and "missed" in doubt.doubt


def test_what_follows_a_bump_is_in_doubt() -> None:
    spans = (StillSpan(2.0, 12.5, 0.001), StillSpan(13.0, 30.0, 0.001))
    bumped = StillnessReport(Stillness.BUMPED, spans, (12.5,), ())
    (doubt,) = moved_camera_times(bumped, 2.0, 30.0)
    assert (doubt.time_s, doubt.until_s) == (12.5, 30.0)
    assert "moved at 0:10" in doubt.doubt and "missed" in doubt.doubt


def test_a_camera_that_stood_has_no_such_doubt() -> None:
    assert moved_camera_times(report(Stillness.STILL, 0.002), 2.0, 30.0) == []
