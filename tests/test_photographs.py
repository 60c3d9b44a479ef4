"""The ball network on real photographs that nothing was learnt from.

They are open data (ArefMq/SoccerBallDataSet@a98f8fa, MIT licence) and lie outside this project;
where they are missing, nothing is measured. `training/photographs.csv` says where their balls are.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from training.photographs import Photograph, is_kept_apart, labels
from training.photographs_measured import Figures, measure

PHOTOS = Path(__file__).parents[2] / "shared" / "photos"
ARE_HERE = (PHOTOS / "with_ball").is_dir()


@pytest.fixture(scope="module")
def figures() -> Figures:
    if not ARE_HERE:
        pytest.skip("no photographs here")
    return measure(PHOTOS, few=True)


def test_balls_of_photographs_are_found_where_they_are(figures: Figures) -> None:
    assert figures.balls >= 90
    assert figures.moving >= 0.98
    assert figures.lying >= 0.97
    assert figures.at_start >= 0.97
    assert figures.off <= 0.03


def test_what_is_no_ball_is_seldom_taken_for_one(figures: Figures) -> None:
    assert figures.empty == 40
    assert figures.with_ball_shown <= 1
    assert figures.over_half <= 0.005


def test_labels_lie_in_their_pictures_and_runs_of_pictures_are_kept_apart_whole() -> None:
    assert len(labels()) > 450
    for balls in labels().values():
        assert all(0 <= b.x_px < 1280 and 0 <= b.y_px < 720 and b.diameter_px > 8 for b in balls)
    apart = [name for name in labels() if is_kept_apart(name)]
    assert 0.15 < len(apart) / len(labels()) < 0.25
    assert all(is_kept_apart(name[:-1] + "7") for name in apart)


@pytest.mark.skipif(not ARE_HERE, reason="no photographs here")
def test_an_emptied_photograph_differs_only_where_its_ball_was() -> None:
    photo = Photograph.read(PHOTOS / "with_ball" / "p113.jpg")
    (ball,) = photo.balls
    before, after = photo.now.planes[0], photo.emptied(np.random.default_rng(1)).planes[0]
    y, x = np.nonzero(before != after)
    away = np.hypot(x - ball.x_px, y - ball.y_px) / ball.diameter_px
    assert away.max() < 1.0
    rows, columns = np.indices(before.shape)
    disc = np.hypot(columns - ball.x_px, rows - ball.y_px) < 0.4 * ball.diameter_px
    assert np.mean(before[disc] != after[disc]) > 0.9
