"""The ground from ball sizes alone, on scenes drawn by cv2.projectPoints (OpenCV calib3d)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scene_simulation import IMAGE_SIZE_PX, SimulatedScene, ball_disc, simulate
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.ground import SceneNotFittedError, fit_ground
from shoegoal.scene.lens import Lens
from shoegoal.types import Detection

SEEDS = range(12)


def width_error(scene: SimulatedScene, sightings: list[Detection]) -> float:
    """Relative error of the goal's width seen through the fitted ground."""
    camera = fit_ground(sightings, IMAGE_SIZE_PX, ball=BallSize.FIVE).camera
    pixels = [(m.x_px, m.y_px) for m in (scene.left_px, scene.right_px)]
    left, right = camera.ground_points(pixels)
    true_left, true_right = scene.camera.ground_points(pixels)
    return float(np.hypot(*(right - left)) / np.hypot(*(true_right - true_left)) - 1)


def lofted(scene: SimulatedScene, share: float, seed: int) -> list[Detection]:
    """Lift a share of the rolling balls off the ground by up to 1.5 m."""
    rng = np.random.default_rng([seed, 9])
    out = []
    for seen in scene.sightings:
        if seen.at_rest or rng.random() > share:
            out.append(seen)
            continue
        pixel = [(seen.x_px, seen.y_px)]
        ground = scene.camera.ball_on_ground(pixel, scene.ball_diameter_m)[0]
        up = scene.ball_diameter_m / 2 + rng.uniform(0.2, 1.5)
        centre, size = ball_disc(scene.camera, np.array([*ground, up]), scene.ball_diameter_m)
        out.append(
            replace(seen, x_px=float(centre[0]), y_px=float(centre[1]), diameter_px=float(size))
        )
    return out


def test_clean_behind_views() -> None:
    errors = [abs(width_error(s, s.sightings)) for s in map(simulate, SEEDS)]
    # The goal set for good clips: width within 5%.
    assert np.median(errors) < 0.05
    assert max(errors) < 0.15


def test_a_third_in_the_air_does_not_tip_the_ground() -> None:
    errors = []
    for seed in SEEDS:
        scene = simulate(seed)
        errors.append(abs(width_error(scene, lofted(scene, 0.35, seed))))
    assert np.median(errors) < 0.05
    assert max(errors) < 0.2


def test_a_third_of_anything_anywhere() -> None:
    errors = []
    for seed in SEEDS:
        scene = simulate(seed, wrong_share=0.33)
        try:
            errors.append(abs(width_error(scene, scene.sightings)))
        except SceneNotFittedError:
            continue
    assert len(errors) >= len(SEEDS) - 2
    assert np.median(errors) < 0.05


def test_a_lens_file_pins_the_focal_length() -> None:
    scene = simulate(3)
    lens = Lens(*IMAGE_SIZE_PX, scene.camera.focal_px, scene.camera.cx_px, scene.camera.cy_px)
    ground = fit_ground(scene.sightings, IMAGE_SIZE_PX, ball=BallSize.FIVE, lens=lens)
    assert ground.camera.focal_px == pytest.approx(scene.camera.focal_px, rel=0.03)
    # Law 2 of the IFAB Laws of the Game: a size 5 ball is 68 to 70 cm round.
    assert 0.66 / np.pi < ground.ball_diameter_m.value < 0.72 / np.pi


def test_too_few_sightings_say_what_to_film() -> None:
    with pytest.raises(SceneNotFittedError, match="Only 2 ball sightings"):
        fit_ground(simulate(0).sightings[:2], IMAGE_SIZE_PX)


def test_sizes_that_fit_no_ground_are_refused() -> None:
    rng = np.random.default_rng(4)
    nonsense = []
    for k in range(40):
        x, y = rng.uniform((0, 200), IMAGE_SIZE_PX)
        nonsense.append(
            Detection(0.1 * k, float(x), float(y), float(rng.uniform(8, 120)), 0.4, 0.5)
        )
    with pytest.raises(SceneNotFittedError):
        fit_ground(nonsense, IMAGE_SIZE_PX)
