"""The set from above is drawn to scale: places follow from the example's own metres."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from analysis_examples import STAGE, WIDTH_M, example_analysis
from shoegoal.record.corrections import Answer, Answered, Change
from shoegoal.record.standing import stand
from shoegoal.review.above import LABEL_STEP, WIDTH, Above, seen_from_above
from shoegoal.types import Call, Estimate

CROSSINGS_M = {1: 0.30, 2: -1.70, 3: -0.55, 5: 1.02, 6: 0.05}  # shot 4 stopped short


def drawn(*changes: Change) -> Above:
    analysis = example_analysis()
    return seen_from_above(analysis, stand(analysis, STAGE, changes))


def test_markers_and_crossings_stand_to_scale() -> None:
    above = drawn()
    middle = (above.left_x + above.right_x) / 2
    per_m = (above.right_x - above.left_x) / WIDTH_M
    assert middle == WIDTH / 2 and per_m > 0
    found = {mark.number: (mark.x - middle) / per_m for mark in above.marks}
    assert found == pytest.approx(CROSSINGS_M, abs=0.01)
    assert above.unplaced == ("shot 4 (miss)",)
    words = {mark.number: mark.words for mark in above.marks}
    assert words[2] == "shot 2, miss, 1.70 m left"  # the same for whoever does not see it


def test_numbers_never_lie_on_one_another() -> None:
    analysis = example_analysis()
    near = [replace(shot, crossing_x_m=Estimate(0.3, 0.05)) for shot in analysis.shots]
    above = seen_from_above(
        replace(analysis, shots=tuple(near)), stand(replace(analysis, shots=tuple(near)), STAGE, ())
    )
    heights = sorted(mark.label_y for mark in above.marks)
    steps = [high - low for low, high in pairwise(heights)]
    assert len(heights) == 6 and min(steps) >= LABEL_STEP


def test_what_a_person_said_is_drawn_and_what_does_not_count_is_not() -> None:
    at = {shot.number: shot.kick_time_s for shot in example_analysis().shots}
    above = drawn(Answered(at[5], Answer.MISS), Answered(at[1], Answer.NOT_A_SHOT))
    calls = {mark.number: mark.call for mark in above.marks}
    assert calls == {2: Call.MISS, 3: Call.MAKE, 5: Call.MISS, 6: Call.MAKE}


def test_what_lies_far_out_is_drawn_at_the_edge() -> None:
    analysis = example_analysis()
    far = replace(analysis.shots[1], crossing_x_m=Estimate(-9.0, 0.05))
    shots = (far, *analysis.shots[2:])
    analysis = replace(analysis, shots=shots)
    above = seen_from_above(analysis, stand(analysis, STAGE, ()))
    assert 0 < above.marks[0].x < above.left_x
