"""Moved markers: the set judged anew from what its count kept, by the judge that counted it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis_examples import example_analysis, old_format
from record_books import TEACHER, analysis_of, file_set
from record_simulation import (
    CAMERA,
    HALF_M,
    LINE_Y_M,
    SPOT,
    Ball,
    bases_px,
    record_of,
    shot_velocity,
)
from scene_simulation import IMAGE_SIZE_PX
from shoegoal.analysis.file import analysis_from_json, analysis_to_json, load_analysis
from shoegoal.analysis.model import Analysis, Evidence, MarkersSource, StageRecord
from shoegoal.errors import ClipNotJudgeableError, RecordChangedError
from shoegoal.ladder.rules import MakesOfShots, Stage
from shoegoal.ladder.verdict import Decision, HiddenTime
from shoegoal.pipeline.judging import recount_with_markers
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot, move_marker, sign, undo
from shoegoal.record.status import Answer, Side
from shoegoal.record.verify import verify_book
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.goal import GoalNotPlausibleError
from shoegoal.types import Call, ImagePoint

SIDES_M = (0.2, -1.9, 0.5)  # crossings by construction: a make, a wide one, a make
STAGE = Stage("two-of-three", "Two of three", MakesOfShots(2, 3), 4, 10.0)


def marker_px(side_m: float) -> ImagePoint:
    """Where a marker this far right of the goal's true middle is seen."""
    x_px, y_px = CAMERA.project([(SPOT[0] + side_m, LINE_Y_M, 0.0)])[0].tolist()
    return ImagePoint(x_px, y_px)


@pytest.fixture(scope="module")
def counted() -> Analysis:
    """Three shots as a count keeps them."""
    return count_of(SIDES_M)


def count_of(sides_m: Sequence[float], clutter: int = 0) -> Analysis:
    """Count shots that are meant to cross the line at these places."""
    ball = Ball()
    for k, side_m in enumerate(sides_m):
        ball.kick(2.0 + 9.0 * k, shot_velocity(side_m)).fetch(9.0 + 9.0 * k)
    example = example_analysis()
    kept = replace(
        example,
        clip=replace(example.clip, start_s=0.0, end_s=28.0, width_px=IMAGE_SIZE_PX[0],
                     height_px=IMAGE_SIZE_PX[1]),
        stage=StageRecord.of(STAGE),
        evidence=Evidence(record_of(ball, seconds=28.0, clutter=clutter), ball=BallSize.FIVE),
        problems=(),
    )  # fmt: skip
    return recount_with_markers(kept, *bases_px())


def calls(analysis: Analysis) -> list[Call]:
    return [shot.call for shot in analysis.shots]


def test_a_marker_moved_by_no_pixel_changes_no_bit(counted: Analysis) -> None:
    assert calls(counted) == [Call.MAKE, Call.MISS, Call.MAKE]
    scene = counted.goal_scene
    again = recount_with_markers(counted, scene.left_px, scene.right_px)
    assert again == counted
    read = analysis_from_json(analysis_to_json(counted).encode(), "again")
    assert read == counted
    assert recount_with_markers(read, scene.left_px, scene.right_px) == counted


@pytest.mark.parametrize("seed", range(20))
def test_by_no_pixel_in_any_of_many_sets(seed: int) -> None:
    rng = np.random.default_rng([seed, 7])
    analysis = count_of(rng.normal(0.0, 1.2, 3).tolist(), clutter=int(rng.integers(12)))
    read = analysis_from_json(analysis_to_json(analysis).encode(), "again")
    scene = analysis.goal_scene
    assert recount_with_markers(read, scene.left_px, scene.right_px) == analysis


def test_a_marker_of_a_counted_clip_moved_by_no_pixel_changes_no_bit(side_view_count: Path) -> None:
    analysis = load_analysis(side_view_count)
    scene = analysis.goal_scene
    again = recount_with_markers(analysis, scene.left_px, scene.right_px)
    assert len(analysis.shots) > 0
    assert again.shots == analysis.shots
    assert again.left_out == analysis.left_out
    assert (again.tally, again.verdict) == (analysis.tally, analysis.verdict)
    assert again.goal_scene.theta == scene.theta


def test_what_the_count_left_in_doubt_stays_in_doubt(counted: Analysis) -> None:
    doubt = HiddenTime(counted.clip.start_s, counted.clip.end_s, "the camera strayed")
    again = recount_with_markers(replace(counted, doubts=(doubt,)), *bases_px())
    assert again.doubts == (doubt,)
    assert again.verdict.decision is Decision.LOOK
    assert "the camera strayed" in again.verdict.sentence


def test_a_wider_goal_takes_the_wide_shot_in_and_moves_its_middle(counted: Analysis) -> None:
    left_m = -2.8
    moved = recount_with_markers(counted, marker_px(left_m), bases_px()[1])
    assert calls(moved) == [Call.MAKE] * 3
    second = moved.shots[1]
    assert second.crossing_x_m is not None
    assert second.crossing_x_m.value == pytest.approx(-1.9 - (left_m + HALF_M) / 2, abs=0.15)
    assert moved.goal_scene.goal_width_m.value == pytest.approx(HALF_M - left_m, rel=0.1)
    assert moved.goal_scene.markers_source is MarkersSource.GIVEN


def test_a_narrower_goal_makes_a_make_a_miss(counted: Analysis) -> None:
    moved = recount_with_markers(counted, bases_px()[0], marker_px(0.0))
    assert calls(moved)[1:] == [Call.MISS, Call.MISS]


def test_what_makes_no_goal_is_refused(counted: Analysis) -> None:
    left, right = bases_px()
    with pytest.raises(GoalNotPlausibleError):
        recount_with_markers(counted, ImagePoint(left.x_px, 20.0), right)  # in the sky
    with pytest.raises(ClipNotJudgeableError, match="count the clip again"):
        recount_with_markers(example_analysis(), left, right)


def test_a_moved_marker_is_a_correction_like_any_other(book: Book, counted: Analysis) -> None:
    of_a_clip, _ = analysis_of("yard.mp4")
    clip = replace(counted.clip, name="yard.mp4", sha256=of_a_clip.clip.sha256)
    with book.writing() as connection:
        file_count(connection, replace(counted, clip=clip), Path("nowhere/yard"))
    answer_shot(book, 1, 1, Answer.MISS)
    place = marker_px(-2.8)
    history = move_marker(book, 1, Side.LEFT, place, by=TEACHER, seen=2)
    shots = history.status().shots
    assert shots[1].call is Call.MAKE  # worked out anew
    assert shots[0].answer is Answer.MISS  # and what a person saw still holds
    assert history.count.analysis().goal_scene.left_px == place
    with pytest.raises(RecordChangedError, match="changed by somebody else"):
        move_marker(book, 1, Side.LEFT, place, seen=2)
    assert undo(book, 1).status().shots[1].call is Call.MISS
    signed = sign(book, 1, TEACHER)
    assert signed.signature is not None
    assert signed.signature.content["tally"] == {"makes": 1, "misses": 2, "unsure": 0}
    assert verify_book(book).signatures == 1
    with book.reading() as connection:
        assert len(load_set(connection, 1).counts) == 2


def test_a_set_of_an_older_format_stays_in_the_book_and_can_be_signed(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as before:
        before.setattr("shoegoal.record.filing.analysis_to_json", old_format)
        assert file_set(book, unsure=False).news == "new set"
    with book.reading() as connection:
        assert '"format_version": 3' in load_set(connection, 1).count.content
    assert file_set(book, unsure=False).news == "already there"  # the same count, as read today
    with pytest.raises(ClipNotJudgeableError, match="count the clip again"):
        move_marker(book, 1, Side.LEFT, ImagePoint(500.0, 360.0))
    answered = answer_shot(book, 1, 2, Answer.MAKE)
    assert answered.status().shots[1].call is Call.MAKE
    assert sign(book, 1, TEACHER).signature is not None
    assert verify_book(book).signatures == 1
    assert file_set(book, unsure=False).news == "already there"
