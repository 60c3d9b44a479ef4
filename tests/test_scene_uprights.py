"""The focal length by upright lines, on fences drawn through cv2.projectPoints (OpenCV calib3d)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ground_pictures import BALL_M, SIZE_PX, Yard
from scene_simulation import opencv_pixels
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit
from shoegoal.scene.lens import STATED, UPRIGHTS, Lens
from shoegoal.scene.posterior import LONG_SIDE_FOV_RAD, focal_of_fov
from shoegoal.scene.uprights import lens_by_uprights
from shoegoal.types import Estimate

USUAL_PX = focal_of_fov(LONG_SIDE_FOV_RAD[0], SIZE_PX)


def camera(focal_px: float) -> Camera:
    return Camera(focal_px, (SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2, 1.4, 9.0, 1.0)


def by_ball_sizes(true: Camera) -> GroundFit:
    """What sizes tell: the horizon, with the usual focal length."""
    pitch = np.arctan(true.focal_px / USUAL_PX * np.tan(np.deg2rad(true.pitch_deg)))
    roll = np.deg2rad(true.roll_deg - 0.3)
    theta = np.array([np.log(USUAL_PX), np.log(true.height_m), pitch, roll, np.log(BALL_M), 0.0])
    sigmas = np.array([0.08, 0.02, 0.01, 0.01, 0.01, 0.01])
    # The horizon is known well, so focal length and pitch go against each other.
    covariance = np.diag(sigmas**2)
    covariance[0, 2] = covariance[2, 0] = -0.98 * sigmas[0] * sigmas[2]
    seen = replace(true, focal_px=USUAL_PX, pitch_deg=float(np.rad2deg(pitch)))
    return GroundFit(seen, Estimate(BALL_M, 0.002), (), theta, covariance, 10, 10, 1.0, 0.01)


def fenced(true: Camera) -> Yard:
    """A yard before a fence of pales."""
    yard, rng = Yard(true, seed=3), np.random.default_rng(5)
    left = -7.0
    while left < 7.0:
        right = left + rng.uniform(0.12, 0.4)
        foot = np.array([[left, 10.0, 0.0], [right, 10.0, 0.0]])
        shade = int(rng.integers(60, 200))
        yard.fill(np.concatenate([foot, foot + np.array([0.0, 0.0, 1.8])]), (shade, shade, shade))
        left = right
    return yard


def luma(yard: Yard) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.asarray(yard.filmed(1)[0].mean(axis=2), np.uint8)


def by_vanishing_points(true: Camera) -> float:
    """Focal length by the points in which directions square to each other vanish.

    v^T w v' = 0, so f^2 = -(v - c) (v' - c) (Hartley & Zisserman, Multiple View Geometry, ch. 8,
    from memory); c is the principal point.
    """
    centre = [true.cx_px, true.cy_px]
    ahead = opencv_pixels(true, np.array([[0.0, 1e6, 0.0]]))[0] - centre
    posts = np.array([[0.0, 5.0, 0.0], [0.0, 5.0, 1.0], [3.0, 5.0, 0.0], [3.0, 5.0, 1.0]])
    a, b, c, d = opencv_pixels(true, posts) - centre
    along, other = b - a, d - c
    cross = along[0] * other[1] - along[1] * other[0]
    below = a + along * ((c - a)[0] * other[1] - (c - a)[1] * other[0]) / cross
    return float(np.sqrt(-ahead @ below))


@pytest.mark.parametrize("focal_px", [880.0, 960.0, 1050.0])
def test_pales_tell_the_focal_length(focal_px: float) -> None:
    true = camera(focal_px)
    lens = lens_by_uprights(luma(fenced(true)), by_ball_sizes(true))
    assert lens is not None
    assert lens.how_made == UPRIGHTS
    assert lens.focal_px == pytest.approx(by_vanishing_points(true), rel=0.025)
    assert 0.01 < lens.focal_sigma_rel < 0.05


def test_a_yard_without_uprights_tells_nothing() -> None:
    true = camera(900.0)
    yard = Yard(true, seed=4)
    assert lens_by_uprights(luma(yard), by_ball_sizes(true)) is None
    rng = np.random.default_rng(6)
    for at in rng.uniform([-4, 4], [4, 12], (60, 2)):
        turn = rng.uniform(0, np.pi)
        way = rng.uniform(0.5, 2) * np.array([np.cos(turn), np.sin(turn)])
        yard.line([at - way, at + way], (220, 220, 220), 0.08)
    assert lens_by_uprights(luma(yard), by_ball_sizes(true)) is None


def test_a_lens_file_is_better_and_a_stated_length_is_weighed_in() -> None:
    true = camera(960.0)
    picture, ground = luma(fenced(true)), by_ball_sizes(true)
    known = Lens(*SIZE_PX, 960.0, true.cx_px, true.cy_px)
    assert lens_by_uprights(picture, ground, known) is None
    stated = replace(known, focal_px=1000.0, focal_sigma_rel=0.06, how_made=STATED)
    free, leaning = (lens_by_uprights(picture, ground, lens) for lens in (None, stated))
    assert free is not None
    assert leaning is not None
    assert free.focal_px < leaning.focal_px < stated.focal_px
    ultra_wide = replace(stated, focal_px=0.3 * SIZE_PX[0])  # 118 degrees
    assert lens_by_uprights(picture, ground, ultra_wide) is None
