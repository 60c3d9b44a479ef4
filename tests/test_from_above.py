"""The set from above is drawn to scale: places follow from the example's own metres."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from analysis_examples import BACK_M, STAGE, WIDTH_M, example_analysis
from shoegoal.pictures.from_above import FromAbove, from_above
from shoegoal.record.status import Answer, Answered, Change, set_status
from shoegoal.types import Call, Estimate

SVG = "{http://www.w3.org/2000/svg}"
# Where each shot ended, (x, y) m; shot 4 stopped 1.5 m before the line.
ENDS_M = {1: (0.30, 0), 2: (-1.70, 0), 3: (-0.55, 0), 4: (0.1, 1.5), 5: (1.02, 0), 6: (0.05, 0)}


def drawn(*changes: Change, near: bool = False) -> FromAbove:
    analysis = example_analysis()
    return from_above(analysis, set_status(analysis, STAGE, changes).to_draw, near=near)


@pytest.mark.parametrize("near", [False, True])
def test_markers_and_ends_stand_to_one_scale(near: bool) -> None:
    above = drawn(near=near)
    ((left, right),) = above.goals
    middle, per_m = (left + right) / 2, (right - left) / WIDTH_M
    assert middle == pytest.approx(above.width / 2, abs=0.1)
    found = {m.number: ((m.x - middle) / per_m, (m.y - above.line_y) / per_m) for m in above.marks}
    for number, place in ENDS_M.items():
        if near and number == 4:  # farther off than what is drawn: at its edge
            assert found[4][0] == pytest.approx(0.1, abs=0.05) and found[4][1] < 1.5
            continue
        assert found[number] == pytest.approx(place, abs=0.05), number
    for mark in above.marks:
        assert (mark.start_y - above.line_y) / per_m == pytest.approx(BACK_M, abs=0.05)
        assert (mark.start_y > above.height) is near
    assert above.unplaced == ()
    words = {mark.number: mark.words for mark in above.marks}
    assert words[2] == "shot 2, miss, 1.70 m left"  # the same for whoever does not see it
    assert words[4].endswith("ended 1.5 m before the line")


def test_what_was_not_seen_is_said() -> None:
    analysis = example_analysis()
    unseen = replace(analysis.shots[0], path=(), crossing_x_m=None)
    analysis = replace(analysis, shots=(unseen, *analysis.shots[1:]))
    above = from_above(analysis)
    assert above.unplaced == ("shot 1 (make)",) and len(above.marks) == 5


def test_numbers_never_lie_on_one_another() -> None:
    analysis = example_analysis()
    near = [replace(shot, crossing_x_m=Estimate(0.3, 0.05)) for shot in analysis.shots]
    analysis = replace(analysis, shots=tuple(near))
    above = from_above(analysis)
    heights = sorted(mark.label_y for mark in above.marks)
    steps = [high - low for low, high in pairwise(heights)]
    assert len(heights) == 6 and min(steps) >= 15  # the letters' height


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
    above = from_above(analysis)
    assert 0 < above.marks[0].x < above.goals[0][0] and above.marks[0].beyond == -1
    assert above.element("A set").count("beyond") == 1


def test_the_drawing_is_svg_whose_marks_stand_where_the_numbers_say() -> None:
    above = drawn()
    root = ElementTree.fromstring(above.element('<A> & "B"'))
    assert root.find(f"{SVG}title") is not None and '<A> & "B": shot 1' in root[0].text  # type: ignore[operator]
    discs = root.findall(f"{SVG}circle[@class='dot make']")
    makes = [mark for mark in above.marks if mark.call is Call.MAKE]
    assert [float(one.attrib["cx"]) for one in discs] == [mark.x for mark in makes]
    bars = root.findall(f"{SVG}line[@class='sigma make']")
    spread = float(bars[0].attrib["x2"]) - float(bars[0].attrib["x1"])
    crossing = example_analysis().shots[0].crossing_x_m
    assert crossing is not None
    assert spread == pytest.approx(2 * crossing.sigma * above.metre, abs=0.2)
    assert "1 m" in [one.text for one in root.findall(f"{SVG}text")]
