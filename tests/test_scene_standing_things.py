"""Bands and standing things: their feet are known through cv2.projectPoints (OpenCV)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from ground_pictures import CONE_M, SIZE_PX, Yard
from scene_simulation import opencv_pixels
from shoegoal.scene.camera import Camera
from shoegoal.scene.standing_things import (
    DEPTH_RATIO,
    PX_PER_M,
    StandingThing,
    bands_of,
    standing_things,
)

F64 = npt.NDArray[np.float64]
CENTRE = ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)
CAMERA = Camera(960.0, *CENTRE, 1.2, 7.0, 3.0)
PATCH = np.array([[x, y] for x in np.linspace(-2, 2, 9) for y in np.linspace(5, 11, 13)])


def seen_at(spots_m: F64) -> F64:
    return opencv_pixels(CAMERA, np.column_stack([spots_m, np.zeros(len(spots_m))]))


def test_bands_are_level_and_of_one_scale_and_hold_their_ground() -> None:
    picture = Yard(CAMERA, 1).picture
    bands = list(bands_of(picture, CAMERA, PATCH))
    assert len(bands) >= np.log(11 / 5) / np.log(DEPTH_RATIO)
    for number, band in enumerate(bands):
        near_m = 5 * DEPTH_RATIO**number
        for ahead_m in (near_m, near_m * DEPTH_RATIO):
            left, right = band.here(seen_at(np.array([[-0.5, ahead_m], [0.5, ahead_m]])))
            assert left[1] == pytest.approx(right[1], abs=0.1)  # level, though the camera is not
            assert right[0] - left[0] == pytest.approx(PX_PER_M, rel=0.11)
            assert band.feet[0] - 0.1 <= left[1] <= band.feet[1] + 0.1
        some = np.array([[100.0, 200.0], [640.0, 380.0]])
        assert band.native(band.here(some)) == pytest.approx(some)


def test_a_band_shows_what_the_picture_shows() -> None:
    picture = np.zeros((SIZE_PX[1], SIZE_PX[0], 3), np.uint8)
    x, y = (round(float(v)) for v in seen_at(np.array([[0.4, 8.0]]))[0])
    picture[y - 2 : y + 3, x - 2 : x + 3] = 255
    bands = list(bands_of(picture, CAMERA, PATCH))
    shown = [band for band in bands if band.feet[0] <= band.here([[x, y]])[0, 1] <= band.feet[1]]
    assert shown
    for band in shown:
        at = band.here([[x, y]])[0]
        row, column = np.unravel_index(int(band.bgr[..., 0].argmax()), band.bgr.shape[:2])
        assert np.hypot(column - at[0], row - at[1]) < 3


def test_ground_behind_the_camera_or_out_of_view_has_no_bands() -> None:
    picture = Yard(CAMERA, 1).picture
    assert list(bands_of(picture, CAMERA, PATCH * np.array([1, -1]))) == []
    assert list(bands_of(picture, CAMERA, PATCH + np.array([60, 0]))) == []
    assert standing_things([], CAMERA, PATCH) == []


def cone_yard(seed: int, spots_m: list[tuple[float, float]]) -> Yard:
    yard = Yard(CAMERA, seed)
    for spot in spots_m:
        yard.cone(*spot)
    return yard


def test_cones_stand_where_they_were_set() -> None:
    spots = [(-1.0, 8.0), (1.1, 9.0), (0.2, 6.5)]
    found = standing_things(cone_yard(3, spots).filmed(), CAMERA, PATCH)
    assert len([t for t in found if t.logit > 0]) == len(spots)
    for spot in spots:
        thing = min(found, key=lambda t: float(np.hypot(*(t.place_m - spot))))
        # Two centimetres across the view are two pixels here; along it a pixel is ten.
        assert abs(thing.place_m[0] - spot[0]) < 0.03
        assert abs(thing.place_m[1] - spot[1]) < 0.20
        assert thing.half_m == pytest.approx(CONE_M[0], abs=0.035)
        assert thing.height_m == pytest.approx(CONE_M[1], rel=0.25)
        assert thing.across_sigma_m < 0.05 and thing.along_sigma_m < 0.5


def test_what_is_hidden_in_most_pictures_is_found_in_the_others() -> None:
    spot = (-0.6, 8.0)
    free = cone_yard(4, [spot]).filmed(9)
    x, y = (round(float(v)) for v in seen_at(np.array([spot]))[0])
    before = [p.copy() for p in free]
    for picture in before[:6]:
        picture[y - 300 : y + 120, x - 60 : x + 60] = (60, 40, 30)
    (thing,) = (t for t in standing_things(before, CAMERA, PATCH) if t.logit > 0)
    assert float(np.hypot(*(thing.place_m - spot))) < 0.2
    assert not [t for t in standing_things(before[:6], CAMERA, PATCH) if t.logit > 0]


def test_a_ball_that_comes_to_lie_behind_a_marker_does_not_move_it() -> None:
    spot = (-0.6, 8.0)
    later = cone_yard(7, [])
    later.ball(spot[0] + 0.13, spot[1] + 0.15)
    later.cone(*spot)
    alone = cone_yard(7, [spot]).filmed(2)
    found = standing_things([*alone, *later.filmed(7)], CAMERA, PATCH)
    clear = standing_things(alone, CAMERA, PATCH)
    assert found[0].logit > clear[0].logit - 0.5
    assert found[0].place_m == pytest.approx(clear[0].place_m, abs=0.02)
    assert found[0].half_m == pytest.approx(clear[0].half_m, abs=0.02)


def test_what_is_there_in_one_picture_only_stands_nowhere() -> None:
    passing = [*cone_yard(8, [(0.4, 8.0)]).filmed(1), *cone_yard(8, []).filmed(8)]
    assert [t for t in standing_things(passing, CAMERA, PATCH) if t.logit > 0] == []


def test_nothing_stands_on_an_empty_yard() -> None:
    yard = Yard(CAMERA, 5)
    yard.line([[-2.0, 8.0], [2.0, 8.25]], (225, 225, 225), 0.1)
    assert [t for t in standing_things(yard.filmed(), CAMERA, PATCH) if t.logit > 0] == []


def test_reach_and_sigma_turn_with_the_way() -> None:
    """Closed form: an ellipse's half width along a unit vector, its axes across and along."""
    thing = StandingThing(1.0, np.array([3.0, 4.0]), 0.1, 0.3, 0.02, 0.2, (0.0, 0.0))
    across, along = np.array([0.8, -0.6]), np.array([0.6, 0.8])
    assert thing.reach_along(across) == pytest.approx(0.1)
    assert thing.reach_along(along) == pytest.approx(0.1)
    assert thing.sigma_along(across) == pytest.approx(0.02)
    assert thing.sigma_along(along) == pytest.approx(0.2)
    half = (across + along) / np.sqrt(2)
    assert thing.sigma_along(half) == pytest.approx(np.sqrt((0.02**2 + 0.2**2) / 2))
    long = replace(thing, half_m=0.3)
    assert long.reach_along(across) == pytest.approx(0.3)
    assert long.reach_along(along) == pytest.approx(0.13)  # taken as no deeper


def test_two_readings_of_one_thing_are_told_from_two_things() -> None:
    thing = StandingThing(1.0, np.array([0.0, 8.0]), 0.1, 0.3, 0.02, 0.2, (0.0, 0.0))
    beside = replace(thing, place_m=np.array([0.2, 8.0]))
    behind = replace(thing, place_m=np.array([0.02, 8.25]))
    assert thing.is_at(behind) and not thing.is_at(beside)
