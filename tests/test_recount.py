"""Moved markers: the set judged anew from its own sightings, on geometry that is known exactly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis_examples import (
    BACK_M,
    GOAL,
    WIDTH_M,
    example_analysis,
    fitted_analysis,
    marker_px,
    only,
)
from record_books import TEACHER, analysis_of
from shoegoal.analysis.file import analysis_from_json, analysis_to_json
from shoegoal.analysis.model import MarkersSource
from shoegoal.analysis.recount import LEFT_OUT_AS_BEFORE, recount_with_markers
from shoegoal.errors import ClipNotJudgeableError, RecordChangedError
from shoegoal.ladder.hidden import HiddenTime
from shoegoal.ladder.verdict import Decision
from shoegoal.record.book import Book
from shoegoal.record.corrections import Answer, Side
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot, move_marker, sign, undo
from shoegoal.record.verify import verify_book
from shoegoal.scene.goal import GoalFrame, GoalNotPlausibleError
from shoegoal.types import Call, ImagePoint

# Crossings of the example's shots by construction; None stops 1.5 m before the line.
CROSSINGS_M = (0.30, -1.70, -0.55, None, 1.02, 0.05)


def test_unmoved_markers_give_the_same_crossings_again() -> None:
    analysis = fitted_analysis()
    again = recount_with_markers(
        analysis, analysis.goal_scene.left_px, analysis.goal_scene.right_px
    )
    for shot, x_m in zip(again.shots, CROSSINGS_M, strict=True):
        if x_m is not None:
            assert shot.crossing_x_m is not None
            assert shot.crossing_x_m.value == pytest.approx(x_m, abs=0.02)
    calls = [shot.call for shot in again.shots]
    assert calls[:3] == [Call.MAKE, Call.MISS, Call.MAKE] and calls[5] is Call.MAKE
    assert calls[3] is not Call.MAKE
    assert calls[4] is Call.UNSURE  # the ball's edge is 2 cm from the marker
    assert again.goal_scene.goal_width_m.value == pytest.approx(WIDTH_M, abs=0.05)
    assert again.goal_scene.kick_distance_m is not None
    assert again.goal_scene.kick_distance_m.value == pytest.approx(BACK_M, abs=0.1)
    assert again.clip == analysis.clip and again.stage == analysis.stage
    assert analysis_from_json(analysis_to_json(again).encode(), "again") == again


def test_what_the_count_left_in_doubt_stays_in_doubt() -> None:
    sure = fitted_analysis()
    doubt = HiddenTime(sure.clip.start_s, sure.clip.end_s, "the camera strayed")
    again = recount_with_markers(
        replace(sure, doubts=(doubt,)), sure.goal_scene.left_px, sure.goal_scene.right_px
    )
    assert again.doubts == (doubt,)
    assert again.verdict.decision is Decision.LOOK
    assert "the camera strayed" in again.verdict.sentence


def test_a_wider_goal_takes_the_wide_shot_in_and_moves_its_middle() -> None:
    analysis = fitted_analysis()
    left_m = -2.4
    moved = recount_with_markers(analysis, marker_px(left_m), analysis.goal_scene.right_px)
    middle_m = (left_m + WIDTH_M / 2) / 2
    second = moved.shots[1]
    assert (second.number, second.call) == (2, Call.MAKE)
    assert second.crossing_x_m is not None
    assert second.crossing_x_m.value == pytest.approx(-1.70 - middle_m, abs=0.03)
    assert moved.goal_scene.goal_width_m.value == pytest.approx(WIDTH_M / 2 - left_m, abs=0.08)
    assert moved.goal_scene.markers_source is MarkersSource.GIVEN
    assert any("moved by hand" in note for note in moved.goal_scene.notes)
    assert LEFT_OUT_AS_BEFORE in moved.problems  # the example left one kick out


def test_a_narrower_goal_makes_a_make_a_miss() -> None:
    analysis = only(fitted_analysis(), 1, 3)
    moved = recount_with_markers(analysis, marker_px(-0.1), analysis.goal_scene.right_px)
    assert [shot.call for shot in moved.shots] == [Call.MAKE, Call.MISS]
    # A gap that sends a count to a person sends it there after a marker was moved, too.
    assert moved.verdict.decision is Decision.NOT_FINISHED
    longer = replace(analysis, clip=replace(analysis.clip, end_s=analysis.clip.end_s + 60.0))
    doubtful = recount_with_markers(longer, marker_px(-0.1), analysis.goal_scene.right_px)
    assert doubtful.verdict.decision is Decision.LOOK
    assert "no shot was found from 0:12.0 to 1:30.0" in doubtful.verdict.sentence


def test_what_makes_no_goal_is_refused() -> None:
    analysis = fitted_analysis()
    left, right = analysis.goal_scene.left_px, analysis.goal_scene.right_px
    with pytest.raises(GoalNotPlausibleError):
        recount_with_markers(analysis, ImagePoint(left.x_px, 20.0), right)  # in the sky
    with pytest.raises(GoalNotPlausibleError, match="check which of the two"):
        recount_with_markers(analysis, right, left)
    with pytest.raises(ClipNotJudgeableError, match="whole fit"):
        recount_with_markers(example_analysis(), left, right)


def test_kicks_that_were_not_followed_still_ask_a_person() -> None:
    analysis = fitted_analysis()
    unseen = replace(
        analysis.shots[1], path=(), fitted_path_px=(), call=Call.UNSURE, p_make=0.5,
        reason="the ball left the kick spot and was not seen again: a shot, and a make?",
    )  # fmt: skip
    analysis = only(replace(analysis, shots=(analysis.shots[0], unseen)), 1, 2)
    again = recount_with_markers(analysis, marker_px(-2.4), analysis.goal_scene.right_px)
    assert again.shots[1] == unseen


def test_a_moved_marker_is_a_correction_like_any_other(book: Book) -> None:
    analysis, _ = analysis_of("yard.mp4")
    with book.writing() as connection:
        file_count(connection, only(fitted_analysis(analysis), 2, 5), Path("nowhere/yard"))
    answer_shot(book, 1, 2, Answer.MISS)
    place = marker_px(-2.4)
    history = move_marker(book, 1, Side.LEFT, place, by=TEACHER, seen=2)
    shots = history.standing().shots
    assert shots[0].call is Call.MAKE  # worked out anew
    assert shots[1].answer is Answer.MISS  # and what a person saw still holds
    assert history.count.analysis().goal_scene.left_px == place
    assert verify_book(book).entries == 3
    with pytest.raises(RecordChangedError, match="changed by somebody else"):
        move_marker(book, 1, Side.LEFT, place, seen=2)
    assert undo(book, 1).standing().shots[0].call is Call.MISS
    signed = sign(book, 1, TEACHER)
    assert signed.signature is not None
    assert signed.signature.content["tally"] == {"makes": 0, "misses": 2, "unsure": 0}
    assert verify_book(book).signatures == 1
    with book.reading() as connection:
        assert len(load_set(connection, 1).counts) == 2


def test_the_goal_frame_of_the_example_is_the_one_that_the_tests_lean_on() -> None:
    assert GoalFrame((-WIDTH_M / 2, 9.0), (WIDTH_M / 2, 9.0)) == GOAL
