"""Measuring a ball in a difference picture, against drawn discs whose truth is exact.

The discs are drawn by counting sub-samples (ball_pictures), never by the code under test. Places
must be good to a quarter of a pixel and sizes to 0.4 px or 1.5%, whichever is more: DESIGN asks for
sub-pixel places, and the scene fit trusts sizes to 2% (`scene.fit.DIAMETER_BIAS_REL`).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from ball_pictures import F64, U8, box_share, difference_picture, disc_share
from shoegoal.ball.flight import SIZE_SHARE
from shoegoal.ball.measure import Disc, _taubin, measure_disc, measure_round, rim_strength
from shoegoal.ball.sightings import MIN_MEAN_RIM

CONTRAST = 12.0
PLACE_PX = 0.25
SIZE_PX, SIZE_REL = 0.4, 0.015
SIZES_PX = (10, 14, 20, 30, 45, 60)


def check(found: Disc | None, x_px: float, y_px: float, diameter_px: float) -> Disc:
    assert found is not None
    assert np.hypot(found.x_px - x_px, found.y_px - y_px) <= PLACE_PX
    assert abs(found.diameter_px - diameter_px) <= max(SIZE_PX, SIZE_REL * diameter_px)
    assert found.streak_px == 0
    return found


@pytest.mark.parametrize("diameter_px", SIZES_PX)
@pytest.mark.parametrize(
    ("blur_px", "noise"), [(0.0, 0.0), (0.8, 0.0), (1.0, 4.0)], ids=["sharp", "soft", "grainy"]
)
def test_a_disc_anywhere_between_the_pixels(diameter_px: int, blur_px: float, noise: float) -> None:
    rng = np.random.default_rng([diameter_px, int(10 * blur_px)])
    side = int(1.8 * diameter_px) + 14
    for _ in range(12):
        x, y = side / 2 + rng.uniform(-1, 1, 2)
        size = diameter_px * rng.uniform(0.96, 1.04)
        share = disc_share((side, side), x, y, size)
        level = rng.uniform(60, 150)
        picture = difference_picture(share, level=level, blur_px=blur_px, noise=noise, rng=rng)
        found = check(measure_disc(picture, CONTRAST), x, y, size)
        assert found.rim_share > 0.9
        assert found.fill > 0.95
        assert np.hypot(found.x_px - x, found.y_px - y) <= 3 * found.sigma_px
        assert abs(found.diameter_px - size) <= 3 * found.diameter_sigma_px


@pytest.mark.parametrize("diameter_px", SIZES_PX)
def test_a_ball_lit_from_one_side(diameter_px: int) -> None:
    rng = np.random.default_rng(diameter_px)
    side = int(1.8 * diameter_px) + 14
    ys, xs = np.mgrid[:side, :side]
    for turn in np.linspace(0, 2 * np.pi, 9)[:-1]:
        x, y = side / 2 + rng.uniform(-1, 1, 2)
        along = ((xs - x) * np.cos(turn) + (ys - y) * np.sin(turn)) / (diameter_px / 2)
        share = disc_share((side, side), x, y, diameter_px)
        picture = difference_picture(share, level=90 + 50 * along, blur_px=0.8, noise=2, rng=rng)
        check(measure_disc(picture, CONTRAST), x, y, diameter_px)


@pytest.mark.parametrize("diameter_px", [20, 30, 45, 60])
@pytest.mark.parametrize("what", ["shoe", "shoe as bright as the ball", "shadow"])
def test_a_thing_that_touches_the_rim_spoils_only_that_part(diameter_px: int, what: str) -> None:
    rng = np.random.default_rng([diameter_px, len(what)])
    side = 3 * diameter_px
    ys, xs = np.mgrid[:side, :side]
    for turn in np.linspace(0, 2 * np.pi, 9)[:-1]:
        x, y = side / 2 + rng.uniform(-1, 1, 2)
        ball = disc_share((side, side), x, y, diameter_px)
        if what == "shadow":
            away = ((xs - x) / diameter_px - 0.45, (ys - y) / diameter_px - 0.4)
            other = 35.0 * ((away[0] / 0.6) ** 2 + (away[1] / 0.2) ** 2 <= 1)
        else:
            left = x + diameter_px * (0.68 * np.cos(turn) - 0.3)
            top = y + diameter_px * (0.68 * np.sin(turn) - 0.2)
            box = (left, top, left + 0.6 * diameter_px, top + 0.4 * diameter_px)
            other = box_share((side, side), box) * (60.0 if what == "shoe" else 100.0)
        scene = other * (1 - ball) + 100.0 * ball
        picture = difference_picture(scene, level=1.0, blur_px=0.8, noise=2, rng=rng)
        check(measure_disc(picture, CONTRAST, (x, y)), x, y, diameter_px)


@pytest.mark.parametrize("diameter_px", [16, 30, 60])
def test_a_ball_merged_with_a_leg_is_measured_from_a_rough_guess(diameter_px: int) -> None:
    rng = np.random.default_rng(diameter_px)
    side = 4 * diameter_px
    for _ in range(12):
        x, y = side / 2 + rng.uniform(-1, 1, 2)
        ball = disc_share((side, side), x, y, diameter_px)
        leg = box_share((side, side), (x + 0.4 * diameter_px, -1, x + 0.9 * diameter_px, y))
        scene = 70.0 * leg * (1 - ball) + 100.0 * ball
        picture = difference_picture(scene, level=1.0, blur_px=0.8, noise=2, rng=rng)
        near_x, near_y = np.array([x, y]) + rng.uniform(-0.08, 0.08, 2) * diameter_px
        radius = diameter_px / 2 * rng.uniform(0.85, 1.1)
        found = measure_round(picture, CONTRAST, near_x, near_y, radius)
        check(found, x, y, diameter_px)


def swept_share(side: int, x: float, y: float, diameter_px: float, sweep: F64) -> F64:
    """Share of the exposure for which each pixel was covered by a disc that moved by ``sweep``."""
    steps = (np.arange(24) + 0.5) / 24 - 0.5
    shares = [disc_share((side, side), x + sweep[0] * t, y + sweep[1] * t, diameter_px, 4)
              for t in steps]  # fmt: skip
    return np.asarray(np.mean(shares, axis=0), np.float64)


@pytest.mark.parametrize("diameter_px", [12, 20, 40])
@pytest.mark.parametrize("turn_rad", [0.0, 0.6, np.pi / 2])
@pytest.mark.parametrize("smear", [2.0, 3.0])
def test_a_streak_is_as_wide_as_the_ball(diameter_px: int, turn_rad: float, smear: float) -> None:
    """The width across the motion is untouched by motion blur; the length is not."""
    rng = np.random.default_rng(diameter_px)
    side = int(diameter_px * (smear + 2.5))
    x, y = side / 2 + 0.3, side / 2 - 0.2
    sweep = smear * diameter_px * np.array([np.cos(turn_rad), np.sin(turn_rad)])
    share = swept_share(side, x, y, diameter_px, sweep)
    picture = difference_picture(share, level=110.0, blur_px=0.7, noise=2, rng=rng)
    found = measure_disc(picture, CONTRAST)
    assert found is not None
    assert np.hypot(found.x_px - x, found.y_px - y) <= found.sigma_px
    assert abs(found.diameter_px - diameter_px) <= found.diameter_sigma_px
    # The faint tips of the streak are lost, never more than 0.7 ball in all.
    assert (smear - 0.7) * diameter_px <= found.streak_px <= (smear + 0.1) * diameter_px


@pytest.mark.parametrize("diameter_px", [12, 20, 40])
@pytest.mark.parametrize("turn_rad", [0.0, 0.6, np.pi / 2])
@pytest.mark.parametrize("smear", [0.25, 0.5, 0.75, 1.0, 1.5])
def test_a_short_smear_never_makes_a_bigger_ball(
    diameter_px: int, turn_rad: float, smear: float
) -> None:
    """A size read too big would bring the ball nearer: say None, or give a sigma that covers it.

    The flight fit adds `SIZE_SHARE` of the diameter to a disc's own sigma; three of those are met.
    """
    rng = np.random.default_rng(diameter_px)
    side = int(diameter_px * (smear + 2.5))
    x, y = side / 2 + 0.3, side / 2 - 0.2
    sweep = smear * diameter_px * np.array([np.cos(turn_rad), np.sin(turn_rad)])
    share = swept_share(side, x, y, diameter_px, sweep)
    picture = difference_picture(share, level=110.0, blur_px=0.7, noise=2, rng=rng)
    found = measure_disc(picture, CONTRAST)
    if found is None or found.rim_share < MIN_MEAN_RIM:
        return
    sigma_px = np.hypot(found.diameter_sigma_px, SIZE_SHARE * diameter_px)
    assert abs(found.diameter_px - diameter_px) <= 3 * sigma_px
    off_px = np.hypot(found.x_px - x, found.y_px - y)
    assert off_px <= max(3 * found.sigma_px, 0.1 * diameter_px)


def shape_picture(points: list[list[tuple[float, float]]]) -> U8:
    picture = np.zeros((80, 80), np.uint8)
    for polygon in points:
        cv2.fillPoly(picture, [np.array(polygon).round().astype(np.int32)], (90,))
    return picture


def star() -> list[tuple[float, float]]:
    radii = [32 if k % 2 else 11 for k in range(10)]
    return [
        (40 + r * float(np.cos(k * np.pi / 5)), 40 + r * float(np.sin(k * np.pi / 5)))
        for k, r in enumerate(radii)
    ]


NOT_ROUND: dict[str, list[list[tuple[float, float]]]] = {
    "thin slanting line": [[(4, 20), (76, 58), (76, 61), (4, 23)]],
    "thin level line": [[(4, 40), (76, 40), (76, 42), (4, 42)]],
    "cross": [[(10, 37), (70, 37), (70, 43), (10, 43)], [(37, 10), (43, 10), (43, 70), (37, 70)]],
    "corner": [[(15, 10), (25, 10), (25, 60), (65, 60), (65, 70), (15, 70)]],
    "star": [star()],
}


@pytest.mark.parametrize("name", NOT_ROUND)
def test_what_is_not_round_is_no_ball(name: str) -> None:
    found = measure_disc(shape_picture(NOT_ROUND[name]), CONTRAST)
    # A bar may pass for a streak, which claims no size along its length; a disc it is never:
    # a rim seen so little is not taken for a ball by any caller.
    assert found is None or found.streak_px > 0 or found.rim_share < MIN_MEAN_RIM


def test_nothing_and_noise_are_no_ball() -> None:
    assert measure_disc(np.zeros((60, 60), np.uint8), CONTRAST) is None
    assert measure_round(np.zeros((60, 60), np.uint8), CONTRAST, 30, 30, 10) is None
    rng = np.random.default_rng(1)
    for _ in range(20):
        grain = np.abs(rng.normal(0, 4, (60, 60))).astype(np.uint8)
        assert measure_disc(grain, CONTRAST) is None
        assert measure_round(grain, CONTRAST, 30, 30, 10) is None


def test_the_nearest_of_two_balls_is_measured() -> None:
    share = disc_share((60, 120), 28.3, 30.4, 24.0) + disc_share((60, 120), 88.7, 29.6, 24.0)
    picture = difference_picture(share, blur_px=0.8)
    check(measure_disc(picture, CONTRAST, (30.0, 30.0)), 28.3, 30.4, 24.0)
    check(measure_disc(picture, CONTRAST, (90.0, 30.0)), 88.7, 29.6, 24.0)


def test_circle_through_exact_points() -> None:
    """Points of the circle x^2 + y^2 = 5^2 with whole coordinates (3-4-5 triangle), moved."""
    points = np.array([(3, 4), (-4, 3), (0, -5), (5, 0), (4, -3), (-3, -4)], float)
    points += (11.0, -7.0)
    assert _taubin(points) == pytest.approx((11.0, -7.0, 5.0), abs=1e-9)
    *_, radius = _taubin(np.column_stack([np.arange(9.0), 2 * np.arange(9.0)]))
    assert radius > 1e3  # a straight line is a circle without end


@pytest.mark.parametrize("arc_deg", [360, 180, 120])
def test_circle_fit_agrees_with_geometric_least_squares(arc_deg: int) -> None:
    """scipy's least squares on true distances: the maximum likelihood that Taubin approaches."""
    rng = np.random.default_rng(arc_deg)
    errors = []
    for _ in range(40):
        angles = rng.uniform(0, np.deg2rad(arc_deg), 80)
        points = 20 * np.column_stack([np.cos(angles), np.sin(angles)]) + (3.0, 8.0)
        points += rng.normal(0, 0.2, points.shape)

        def distances(p: F64, points: F64 = points) -> F64:
            return np.asarray(np.hypot(points[:, 0] - p[0], points[:, 1] - p[1]) - p[2])

        geometric = least_squares(distances, [0.0, 0.0, 15.0], xtol=1e-12).x
        assert _taubin(points) == pytest.approx(geometric, abs=0.02)
        errors.append(_taubin(points)[2] - 20)
    assert abs(np.mean(errors)) < 3 * np.std(errors) / np.sqrt(len(errors)) + 0.01


def test_rim_strength_of_a_drawn_step() -> None:
    """A disc of 60 levels over the ground has a step of 60 all round; bare ground has none."""
    disc = difference_picture(disc_share((80, 80), 40.2, 39.7, 30.0), level=60.0)
    assert rim_strength(disc, 40.2, 39.7, 30.0) == pytest.approx(60.0, abs=1.0)
    assert rim_strength(disc, 40.2, 39.7, 50.0) == pytest.approx(0.0, abs=1.0)
    half = disc.copy()
    half[:, 40:] = 0  # half the ball hidden by ground of the same look
    assert 20 < rim_strength(half, 40.2, 39.7, 30.0) < 40
    rng = np.random.default_rng(2)
    grass = np.clip(rng.normal(100, 14, (80, 80)), 0, 255).astype(np.uint8)
    strengths = [rim_strength(grass, 40, 40, d) for d in (16.0, 24.0, 36.0, 50.0)]
    assert max(strengths) < 12  # nine neighbours' mean: 14 sqrt(2) / 3 = 6.6 at one sigma
