"""The plain painter: its pixels lie where geometry puts them, and it tells the studio's truth."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from truth.arrays import Floats, Picture
from truth.backdrop import Backdrop
from truth.camera import Camera, look_from, pixel_ray
from truth.painter import Reel, swayed
from truth.plain.easel import Easel
from truth.plain.heavens import Heavens
from truth.plain.layers import Cast
from truth.plain.outlines import cover_of
from truth.plain.stamps import flatten
from truth.plain.tiles import Tile, spectral
from truth.render import render_clip
from truth.scenes import Scene, random_scene
from truth.shapes import FAR, ellipsoid, hit_solid, oval_cone, round_cone
from truth.stage import Stage, set_stage
from truth.studio import Studio


def small_scene(**changes: Any) -> Scene:
    chosen: dict[str, Any] = {
        "ground": "concrete",
        "camera": {"position_m": [1.3, 9.0, 1.2], "aim_m": [0, 2.5, 0.3]},
        "picture": {"width_px": 640, "height_px": 360, "fps": 10.0, "noise": 0.5},
        "goal": {"width_steps": 4, "back_steps": 10, "step_m": 0.6},
        "shots": [{"aim_x_m": 0.2, "speed_mps": 6.0}],
        "props": 0,
        "walls": [{"kind": "brick", "y_m": -2.0, "height_m": 2.0}],
    }
    return random_scene(5, **(chosen | changes))


@pytest.fixture(scope="module")
def stage() -> Stage:
    return set_stage(small_scene())


@pytest.fixture(scope="module")
def easel(stage: Stage) -> Easel:
    return Easel.open(stage, stage.camera)


def cast_of(balls: Floats, solids: Floats | None = None, casters: Floats | None = None) -> Cast:
    """Balls (k, 3) at sub-times, and bodies that stand still."""
    k = len(balls)
    n = 0 if solids is None else len(solids)
    return Cast(
        np.zeros((k, 0, 16)) if solids is None else np.tile(solids, (k, 1, 1)),
        np.zeros((k, 0, 8)) if casters is None else np.tile(casters, (k, 1, 1)),
        np.tile([0.9, 0.0, 0.0, 0.0, 0.0], (n, 1)),
        balls[:, None],
        np.tile(np.eye(3), (k, 1, 1, 1)),
    )


def cover(easel: Easel, cast: Cast) -> Picture:
    """How much of each pixel a cast hides: what a white ground no longer adds."""
    h, w = easel.bare.shape
    clear = np.full((h, w), 1e6, np.float32)
    layers, box = easel.lay(cast), (0, 0, w, h)
    black = np.zeros((h, w, 3), np.float32)
    white = np.ones((h, w, 3), np.float32)
    dark = layers.patch(black, clear, box, easel.brush, 4)
    pale = layers.patch(white, clear, box, easel.brush, 4)
    return np.asarray(1.0 - (pale - dark)[..., 0], np.float32)


def middle_and_area(share: Picture) -> tuple[float, float, float]:
    rows, cols = np.indices(share.shape)
    area = float(share.sum())
    return float((share * cols).sum() / area), float((share * rows).sum() / area), area


@pytest.mark.parametrize("at", [(0.0, -6.0, 0.11), (1.7, -1.0, 0.11), (-2.4, 0.3, 1.2)])
def test_ball_is_painted_where_the_closed_form_puts_it(
    easel: Easel, at: tuple[float, float, float]
) -> None:
    ball = np.array(at)
    u, v, area = middle_and_area(cover(easel, cast_of(ball[None])))
    x, y, long, short = easel.camera.outline_px(ball, easel.brush.radius_m)
    assert_allclose([u, v], [x, y], atol=0.06)
    # The area of an ellipse as the measure of its size.
    assert math.sqrt(4.0 * area / math.pi) == pytest.approx(math.sqrt(long * short), rel=0.006)


@pytest.mark.parametrize("k1", [0.0, -0.12])
def test_ball_agrees_with_opencv_projection(stage: Stage, k1: float) -> None:
    # Reference: cv2.projectPoints (radial model of OpenCV's calibration documentation) of the
    # circle in which tangent rays touch the sphere.
    scene = small_scene(
        camera={"position_m": [0, 8, 1.0], "aim_m": [1.2, 2.0, 0.4], "k1": k1, "roll_deg": 4.0}
    )
    curved = set_stage(scene)
    easel = Easel.open(curved, curved.camera)
    camera, r = easel.camera, easel.brush.radius_m
    eye = np.asarray(camera.position_m)
    for ball in np.array([[-0.4, -3.5, 0.11], [2.2, -1.0, 0.6]]):
        away = ball - eye
        far = float(np.linalg.norm(away))
        centre = ball - away * (r / far) ** 2
        aside = np.cross(away, [0.0, 0.0, 1.0])
        aside /= np.linalg.norm(aside)
        up = np.cross(aside, away / far)
        turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)[:, None]
        rim = centre + r * math.sqrt(1 - (r / far) ** 2) * (
            np.cos(turn) * aside + np.sin(turn) * up
        )
        lens = np.array(
            [[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px], [0, 0, 1]]
        )
        rotation = camera.rotation()
        image, _ = cv2.projectPoints(
            rim, cv2.Rodrigues(rotation)[0], -rotation @ eye, lens, np.array([k1, 0, 0, 0.0])
        )
        m = cv2.moments(np.asarray(image, np.float32).reshape(-1, 1, 2))
        u, v, area = middle_and_area(cover(easel, cast_of(ball[None])))
        assert_allclose([u, v], [m["m10"] / m["m00"], m["m01"] / m["m00"]], atol=0.06)
        assert area == pytest.approx(m["m00"], rel=0.012)


def test_blur_is_as_long_as_the_way_in_the_exposure(easel: Easel) -> None:
    # Across the line of sight, so that the image moves evenly.
    camera, r = easel.camera, easel.brush.radius_m
    ends = np.array([[-0.2, -4.0, 0.11], [0.2, -4.0, 0.11]])
    moments = ends[0] + (np.arange(32) + 0.5)[:, None] / 32 * (ends[1] - ends[0])
    share = cover(easel, cast_of(moments))
    a, b = camera.project(ends)
    size = camera.outline_px(ends.mean(axis=0), r)
    # A disc of diameter d moved by s: its shadow on the motion's direction has variance
    # d^2 / 16 + s^2 / 12 (any statistics text: disc, and uniform spread).
    rows, cols = np.indices(share.shape)
    way = (b - a) / np.linalg.norm(b - a)
    along = cols * way[0] + rows * way[1]
    mean = float((share * along).sum() / share.sum())
    variance = float((share * (along - mean) ** 2).sum() / share.sum())
    s = math.sqrt(12.0 * (variance - size[2] * size[3] / 16.0))
    assert s == pytest.approx(float(np.linalg.norm(b - a)), rel=0.02)


@pytest.mark.parametrize(("gap_m", "hides"), [(-0.35, True), (0.35, False)])
def test_the_nearer_thing_hides_the_farther(easel: Easel, gap_m: float, hides: bool) -> None:
    # The eye stands at y = -9: a post at smaller y is nearer than the ball.
    ball = np.array([1.3, -4.0, easel.brush.radius_m])
    low = ball + np.array([0.0, gap_m, -0.1])
    solid, caster = round_cone(low, 0.03, low + np.array([0, 0, 0.5]), 0.03)
    layers = easel.lay(cast_of(ball[None], solid[None], caster[None]))
    h, w = easel.bare.shape
    clear = np.full((h, w), 1e6, np.float32)
    out = layers.patch(np.zeros((h, w, 3), np.float32), clear, (0, 0, w, h), easel.brush, 4)
    u, v = np.round(easel.camera.project(ball)).astype(int)
    red = out[v, u, 0] > 4.0 * out[v, u, 1]
    assert red == hides


def test_stamps_cover_what_rays_hit() -> None:
    # The outline of each solid against the exact ray test of `shapes`.
    rng = np.random.default_rng(3)
    camera: Camera = look_from((0, -4.0, 1.2), 320, 240, 60.0, (0.0, 8.0, 3.0))
    lens = camera.numbers()
    for _ in range(4):
        at = np.append(rng.uniform(-0.6, 0.6, 2), 0.9)
        axes = np.linalg.qr(rng.standard_normal((3, 3)))[0]
        for solid, _ in (
            round_cone(at, 0.12, at + rng.uniform(-0.3, 0.3, 3), 0.06),
            ellipsoid(at, axes, (0.1, 0.2, 0.3)),
            oval_cone(at, axes, 0.3, 0.15, 0.10, 0.6),
        ):
            stamp = flatten(camera, solid)
            both = either = 0
            for row in range(240):
                for col in range(320):
                    ray = pixel_ray(lens, float(col), float(row))
                    hit = hit_solid(solid, *camera.position_m, *ray)[0] < FAR
                    laid = cover_of(stamp, float(col), float(row))[0] > 0.5
                    both += hit and laid
                    either += hit or laid

            assert both / either > 0.94


def test_the_ground_hides_what_sinks_into_it(easel: Easel) -> None:
    # A sphere sunk to its middle, against rays that meet it before they meet the ground.
    at = np.array([1.3, -4.0, 0.0])
    solid, caster = round_cone(at, 0.25, at, 0.25)
    share = cover(easel, cast_of(np.array([[0.0, -20.0, 0.11]]), solid[None], caster[None]))
    camera = easel.camera
    lens = camera.numbers()
    both = either = 0
    for row, col in np.ndindex(share.shape):
        ray = pixel_ray(lens, float(col), float(row))
        reach = hit_solid(solid, *camera.position_m, *ray)[0]
        hit = reach < FAR and camera.position_m[2] + reach * ray[2] > 0.0
        laid = bool(share[row, col] > 0.5)
        both += hit and laid
        either += hit or laid
    assert either > 300
    assert both / either > 0.95


def test_both_painters_tell_the_same_truth(stage: Stage, easel: Easel) -> None:
    scenery = easel.scenery
    base = Backdrop(scenery.sun, scenery.sky, scenery.depth_m)
    studio = Studio(stage, base, scenery.sun, np.zeros((36, 4)), 0.01)
    contact = stage.play.kicks[0].contact_s
    for at in (0.1, contact - 0.05, contact + 0.1, contact + 0.6):
        rays = studio.frame_truth(stage.camera, at, base)
        plain = easel.truth(at, stage.camera, scenery.depth_m)
        assert replace(plain, visible=0.0) == replace(rays, visible=0.0)
        assert plain.visible == pytest.approx(rays.visible, abs=0.08)


def test_a_swaying_camera_still_shows_the_ball_where_it_is() -> None:
    scene = small_scene(
        camera={
            "position_m": [1.3, 9.0, 1.2],
            "aim_m": [0, 2.5, 0.3],
            "bump_at_s": 0.0,
            "bump_deg": (2.5, -1.5, 3.0),
        }
    )
    stage = set_stage(scene)
    reel = Reel.open(stage, [0, 9000])
    looks = []
    for tone in (0.02, 0.9):
        reel.easel.brush.skins[:] = tone
        reel.easel.keeping.clear()  # boxes of the last frame know of no other skin
        _, (picture, truth) = reel.frames()
        planes = reel.darkroom.develop(
            picture, np.full(3, 0.4), reel.easel.changed, reel.to_painted, (640, 360)
        )
        looks.append(planes[:360].astype(float))
    change = np.abs(looks[1] - looks[0])
    change = np.where(change > 25, change, 0.0).astype(np.float32)
    u, v, _ = middle_and_area(np.minimum(change, 26.0))
    assert_allclose([u, v], truth.centre_px, atol=0.6)
    still = stage.camera.project(
        np.array([truth.centre_m[0], -truth.centre_m[1], truth.centre_m[2]])
    )
    assert np.linalg.norm(still - truth.centre_px) > 10
    assert swayed(stage, 0.1).yaw_deg != stage.camera.yaw_deg


def test_a_frame_does_not_depend_on_the_frames_before_it(stage: Stage, easel: Easel) -> None:
    # What is kept from frame to frame (boxes, the canvas) only saves work.
    contact = stage.play.kicks[0].contact_s
    fresh = Easel.open(stage, stage.camera)
    for at in (0.2, 0.3, contact - 0.3, contact - 0.3 + 1e-3, contact + 0.1):
        easel.paint(at)
    assert_allclose(easel.canvas, fresh.paint(contact + 0.1), atol=1e-6)
    changed = np.ones(easel.bare.shape, bool)
    for x0, y0, x1, y1 in easel.changed:
        changed[y0:y1, x0:x1] = False
    assert_allclose(easel.canvas[changed], easel.still[changed], atol=0)


def test_same_seed_same_file(tmp_path: Path) -> None:
    scene = small_scene(picture={"width_px": 256, "height_px": 144, "fps": 5.0})
    paths = [tmp_path / "a.mp4", tmp_path / "b.mp4"]
    first, again = (render_clip(scene, path, painter="plain") for path in paths)
    assert first == again
    assert paths[0].read_bytes() == paths[1].read_bytes()
    other = scene.model_copy(update={"seed": 6})
    render_clip(other, tmp_path / "c.mp4", painter="plain")
    assert (tmp_path / "c.mp4").read_bytes() != paths[0].read_bytes()


def test_tiles_are_seamless_and_keep_their_tone_at_any_distance() -> None:
    rng = np.random.default_rng(1)
    tile = Tile.of(1.0 + 0.1 * spectral(rng, 256, 1.0)[..., None], 2.0)
    step = np.array([[1.999, 2.001, 0.001]], np.float32)
    near = np.full((1, 3), 0.001, np.float32)
    a, b, c = tile.read(step, near, near)[0, :, 0]
    assert abs(a - b) < 0.02
    assert b == pytest.approx(c, abs=1e-4)
    u, v = np.meshgrid(np.linspace(0, 2, 40, dtype=np.float32), np.linspace(0, 2, 40))
    for footprint in (0.01, 0.3, 3.0):
        seen = tile.read(u, v, np.full_like(u, footprint))
        assert float(seen.mean()) == pytest.approx(1.0, abs=0.02)


def test_every_seed_has_a_sky() -> None:
    # The skyline is drawn along the bearings: no house may reach past the last one.
    level = np.zeros((1, 40), np.float32)
    bearing = np.linspace(-np.pi, np.pi, 40, dtype=np.float32)[None]
    for seed in range(60):
        heavens = Heavens.of(0.5, seed)
        light = heavens.light(np.sin(bearing), np.cos(bearing), level + 0.05, 0.001)
        assert np.isfinite(light).all()
        assert float(light.min()) > 0.0
