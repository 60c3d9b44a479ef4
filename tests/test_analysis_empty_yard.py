"""Looking behind people: what is filled in, from which pictures, and what is left as it was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.analysis.empty_yard import CELL_PX, behind_people, empty_yard

U8 = npt.NDArray[np.uint8]
HEIGHT, WIDTH = 20 * CELL_PX, 30 * CELL_PX
MARKER = slice(80, 96), slice(120, 136)
SAMPLE = Path(__file__).parents[1] / "sample_clips" / "side_view.mp4"


def yard(seed: int = 0) -> U8:
    """Noisy grass with a marker on it."""
    picture = np.random.default_rng(seed).normal(110, 3, (HEIGHT, WIDTH, 3))
    picture[MARKER] = (20, 60, 230)
    return np.clip(picture, 0, 255).astype(np.uint8)


def with_person(picture: U8, left: int, score: float) -> tuple[U8, npt.NDArray[np.float32]]:
    """Somebody from row 40 down, 40 px wide, and the score that a detector gives for it."""
    there = picture.copy()
    there[40:, left : left + 40] = (90, 30, 30)
    scores = np.zeros((HEIGHT // CELL_PX, WIDTH // CELL_PX), np.float32)
    scores[5:, left // CELL_PX : left // CELL_PX + 5] = score
    return there, scores


def filled(lefts: list[int], scores: list[float], *, lighter: int = 0) -> U8:
    settled, _ = with_person(yard(), 112, 0.9)  # who waits there hides the marker
    seen = [
        with_person(yard(i + 1), left, score)
        for i, (left, score) in enumerate(zip(lefts, scores, strict=True))
    ]
    pictures = [(p.astype(np.int16) - lighter).clip(0, 255).astype(np.uint8) for p, _ in seen]
    return behind_people(settled, pictures, [s for _, s in seen])


def off(picture: U8) -> float:
    return float(np.abs(picture.astype(float) - yard()[: len(picture)])[MARKER].mean())


def test_a_marker_is_seen_where_the_kicker_stood_aside() -> None:
    picture = filled([112, 112, 8, 16, 24], [0.9, 0.8, 0.9, 0.7, 0.9])
    assert off(picture) < 2
    assert np.abs(picture.astype(float) - yard()).mean() < 6  # and nobody is left anywhere


def test_one_glimpse_is_enough_and_a_faint_mistake_beside_it_does_no_harm() -> None:
    """The detector takes the bare place for somebody, too, but far less surely."""
    settled, _ = with_person(yard(), 112, 0.9)
    hidden, sure = with_person(yard(1), 112, 0.6)
    free, faint = yard(2), with_person(yard(2), 112, 0.1)[1]
    assert off(behind_people(settled, [hidden, free], [sure, faint])) < 2


def test_who_never_moves_away_stays_in_the_picture() -> None:
    settled, score = with_person(yard(), 112, 0.9)
    assert (behind_people(settled, [settled, settled], [score, score]) == settled).all()


def test_other_light_is_made_up_for() -> None:
    assert off(filled([112, 8, 16], [0.9, 0.9, 0.9], lighter=30)) < 4


def test_nobody_in_sight_changes_nothing() -> None:
    bare = np.zeros((HEIGHT // CELL_PX, WIDTH // CELL_PX), np.float32)
    assert (behind_people(yard(), [yard(1), yard(2)], [bare, bare]) == yard()).all()
    assert (behind_people(yard(), [], []) == yard()).all()


@pytest.mark.parametrize("rows", [HEIGHT, HEIGHT - 3])
def test_sizes_that_cells_do_not_divide(rows: int) -> None:
    settled, score = with_person(yard(), 112, 0.9)
    out = behind_people(settled[:rows], [yard(1)[:rows]] * 3, [score * 0.0, score, score])
    assert out.shape == (rows, WIDTH, 3)
    assert off(out) < 3


def test_of_a_clip_it_is_of_the_same_size_and_light() -> None:
    settled = np.full((720, 1280, 3), 128, np.uint8)
    assert empty_yard(SAMPLE, settled, 5).shape == settled.shape
