"""Copies of a clip: how they are made and compared, and one counted whole."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from judge_one import settings_of
from sameness import COPIES, Copy, at_rate, changes, counted, of_copy
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, ImagePoint, Outcome, Shot

SAMPLE = Path(__file__).resolve().parents[1] / "sample_clips" / "portrait_vfr.mp4"
CORNER = ImagePoint(-0.5, -0.5)


def copy_named(name: str) -> Copy:
    (found,) = [how for how in COPIES if how.name == name]
    return found


def shot(time_s: float, call: Call, outcome: Outcome = Outcome.INSIDE) -> Shot:
    return replace(unseen_shot(1, time_s, ""), call=call, outcome=outcome)


@pytest.mark.parametrize(
    ("name", "corner"),
    [
        ("H.264 anew", (-0.5, -0.5)),
        ("mirrored", (199.5, -0.5)),
        ("scaled to 0.75", (-0.5, -0.5)),
        ("cropped by 5 %", (-5.5, -3.0)),
    ],
)
def test_the_upper_left_corner_is_where_the_copy_shows_it(
    name: str, corner: tuple[float, float]
) -> None:
    at = copy_named(name).point(CORNER, 200, 100)
    assert (at.x_px, at.y_px) == pytest.approx(corner)


def test_an_even_rate_shows_the_nearer_picture() -> None:
    pictures = [(t, np.full((2, 2, 3), k, np.uint8)) for k, t in enumerate((0.0, 0.03, 0.1, 0.13))]
    shown = [(round(t, 2), int(picture[0, 0, 0])) for t, picture in at_rate(iter(pictures), 20.0)]
    assert shown == [(0.0, 0), (0.05, 1), (0.1, 2), (0.15, 3)]


def test_what_changed_is_counted_by_how_it_changed() -> None:
    before = (
        shot(1.0, Call.MAKE),
        shot(5.0, Call.MISS),
        shot(9.0, Call.MAKE),
        shot(13.0, Call.MAKE),
    )
    after = (
        shot(1.1, Call.MISS),
        shot(5.0, Call.UNSURE),
        shot(9.1, Call.MAKE),
        shot(20.0, Call.MAKE),
    )
    found = changes(before, after, COPIES[0])
    assert (found.opposite, found.asked, found.lost, found.new) == (1, 1, 1, 1)
    assert found.changed == 3
    assert changes(before, "too dark", COPIES[0]).changed == 4


def test_in_a_mirror_the_sides_change_places() -> None:
    wide = (shot(1.0, Call.MISS, Outcome.WIDE_LEFT),)
    mirror = copy_named("mirrored")
    assert changes(wide, (shot(1.0, Call.MISS, Outcome.WIDE_RIGHT),), mirror).opposite == 0
    assert changes(wide, wide, mirror).opposite == 1


def test_ten_bit_hevc_of_a_sample_clip_tells_the_same_shots() -> None:
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text())
    settings = settings_of(truth, given=True)
    before = counted(SAMPLE, settings)
    assert not isinstance(before, str)
    found = of_copy(SAMPLE, copy_named("HEVC, 10 bit"), settings, truth, before)
    assert not found.refused
    assert (found.changed, found.new) == (0, 0)
