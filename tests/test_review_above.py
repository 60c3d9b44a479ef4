"""The set from above is drawn to scale: places follow from the example's own metres."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from analysis_examples import BACK_M, STAGE, WIDTH_M, example_analysis
from shoegoal.record.status import Answer, Answered, Change, set_status
from shoegoal.review.above import LABEL_STEP, Above, seen_from_above
from shoegoal.types import Call, Estimate

# Where each shot ended, (x, y) m; shot 4 stopped 1.5 m before the line.
ENDS_M = {1: (0.30, 0), 2: (-1.70, 0), 3: (-0.55, 0), 4: (0.1, 1.5), 5: (1.02, 0), 6: (0.05, 0)}


def drawn(*changes: Change, near: bool = False) -> Above:
    analysis = example_analysis()
    return seen_from_above(analysis, set_status(analysis, STAGE, changes), near=near)


@pytest.mark.parametrize("near", [False, True])
def test_markers_and_ends_stand_to_one_scale(near: bool) -> None:
    above = drawn(near=near)
    middle = (above.left_x + above.right_x) / 2
    per_m = (above.right_x - above.left_x) / WIDTH_M
    assert middle == pytest.approx(above.width / 2, abs=0.1)
    found = {m.number: ((m.x - middle) / per_m, (m.y - above.line_y) / per_m) for m in above.marks}
    for number, place in ENDS_M.items():
        if near and number == 4:  # farther off than what is drawn: at its edge
            assert found[4][0] == pytest.approx(0.1, abs=0.05) and found[4][1] < 1.5
            continue
        assert found[number] == pytest.approx(place, abs=0.05), number
    assert (above.spot_y - above.line_y) / per_m == pytest.approx(BACK_M, abs=0.05)
    assert (above.spot_y > above.height) is near and above.unplaced == ()
    words = {mark.number: mark.words for mark in above.marks}
    assert words[2] == "shot 2, miss, 1.70 m left"  # the same for whoever does not see it
    assert words[4].endswith("ended 1.5 m before the line")


def test_what_was_not_seen_is_said() -> None:
    analysis = example_analysis()
    unseen = replace(analysis.shots[0], path=(), crossing_x_m=None)
    analysis = replace(analysis, shots=(unseen, *analysis.shots[1:]))
    above = seen_from_above(analysis, set_status(analysis, STAGE, ()))
    assert above.unplaced == ("shot 1 (make)",) and len(above.marks) == 5


def test_numbers_never_lie_on_one_another() -> None:
    analysis = example_analysis()
    near = [replace(shot, crossing_x_m=Estimate(0.3, 0.05)) for shot in analysis.shots]
    analysis = replace(analysis, shots=tuple(near))
    above = seen_from_above(analysis, set_status(analysis, STAGE, ()))
    heights = sorted(mark.label_y for mark in above.marks)
    steps = [high - low for low, high in pairwise(heights)]
    assert len(heights) == 6 and min(steps) >= LABEL_STEP


def test_what_a_person_said_is_drawn_and_what_does_not_count_is_not() -> None:
    at = {shot.number: shot.kick_time_s for shot in example_analysis().shots}
    above = drawn(Answered(at[5], Answer.MISS), Answered(at[1], Answer.NOT_A_SHOT))
    calls = {mark.number: mark.call for mark in above.marks}
    assert calls == {
        2: Call.MISS, 3: Call.MAKE, 4: Call.MISS, 5: Call.MISS, 6: Call.MAKE,
    }  # fmt: skip


def test_what_lies_far_out_is_drawn_at_the_edge() -> None:
    analysis = example_analysis()
    far = replace(analysis.shots[1], crossing_x_m=Estimate(-9.0, 0.05))
    analysis = replace(analysis, shots=(far, *analysis.shots[2:]))
    above = seen_from_above(analysis, set_status(analysis, STAGE, ()))
    assert 0 < above.marks[0].x < above.left_x
