"""The renderer's camera and ray hits, against OpenCV and against brute force."""

import math

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from truth.arrays import Floats
from truth.camera import Camera, look_from, pixel_ray
from truth.record import camera_record
from truth.shapes import FAR, ellipsoid, hit_solid, oval_cone, round_cone, sky_left, sun_left


def camera(k1: float = 0.0) -> Camera:
    return look_from((0.4, -9.0, 1.3), 1280, 720, 66.0, (4.0, 9.0, 2.5), k1)


def goal_points(rng: np.random.Generator, n: int = 40) -> Floats:
    return np.stack([rng.uniform(-2, 2, n), rng.uniform(-2, 5, n), rng.uniform(0, 1.5, n)], axis=1)


@pytest.mark.parametrize("k1", [0.0, -0.06])
def test_projection_agrees_with_opencv(k1: float) -> None:
    points = goal_points(np.random.default_rng(1))
    cam = camera(k1)
    inner = points * [1, -1, 1]
    rotation = cam.rotation()
    assert_allclose(np.linalg.det(rotation), 1.0)
    turn, _ = cv2.Rodrigues(rotation)
    matrix = np.array([[cam.focal_px, 0, cam.cx_px], [0, cam.focal_px, cam.cy_px], [0, 0, 1]])
    shift = -rotation @ np.array(cam.position_m)
    expected, _ = cv2.projectPoints(inner, turn, shift, matrix, np.array([k1, 0, 0, 0.0]))
    assert_allclose(cam.project(inner), expected[:, 0], atol=1e-6)


def test_recorded_matrix_takes_goal_points_to_pixels() -> None:
    points = goal_points(np.random.default_rng(2))
    cam = camera()
    matrix = np.array(camera_record(cam)["projection_goal_to_px"])
    flat = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    assert_allclose(flat[:, :2] / flat[:, 2:], cam.project(points * [1, -1, 1]), atol=1e-8)


def test_camera_turns_the_way_its_angles_say() -> None:
    # Looking at the goal from behind: right in the world is right in the picture, up is up;
    # yaw to the right moves things left, pitch down moves them up, roll clockwise tips them
    # counter-clockwise.
    at = np.array([0.0, 0.0, 1.0])
    level = look_from((0.0, -8.0, 1.0), 1280, 720, 66.0, (0, 0, 0))
    u0, v0 = level.project(at)
    assert level.project(np.add(at, [0.3, 0, 0]))[0] > u0
    assert level.project(np.add(at, [0, 0, 0.3]))[1] < v0
    assert look_from((0.0, -8.0, 1.0), 1280, 720, 66.0, (3, 0, 0)).project(at)[0] < u0
    assert look_from((0.0, -8.0, 1.0), 1280, 720, 66.0, (0, 3, 0)).project(at)[1] < v0
    rolled = look_from((0.0, -8.0, 1.0), 1280, 720, 66.0, (0, 0, 3))
    assert rolled.project(np.add(at, [1, 0, 0]))[1] < v0


@pytest.mark.parametrize("k1", [0.0, -0.06])
def test_pixel_rays_undo_the_projection(k1: float) -> None:
    cam = camera(k1)
    lens = cam.numbers()
    for point in goal_points(np.random.default_rng(3), 10) * [1, -1, 1]:
        u, v = cam.project(point)
        ray = np.array(pixel_ray(lens, float(u), float(v)))
        way = point - np.array(cam.position_m)
        assert_allclose(ray, way / np.linalg.norm(way), atol=1e-5)


def test_apparent_size_is_linear_over_the_ground() -> None:
    # d = a u + b v + c for a pinhole over a plane: the identity that the tool's ruler rests on.
    cam = camera()
    rng = np.random.default_rng(4)
    centres = np.stack([rng.uniform(-2, 2, 30), rng.uniform(-5, 1, 30), np.full(30, 0.11)], 1)
    sizes = cam.diameter_px(centres, 0.22)
    design = np.column_stack([cam.project(centres), np.ones(30)])
    fit, *_ = np.linalg.lstsq(design, sizes, rcond=None)
    assert_allclose(design @ fit, sizes, rtol=1e-9)


def test_outline_is_the_hull_of_the_projected_sphere() -> None:
    cam = camera()
    centre, r = np.array([1.9, -5.2, 0.11]), 0.11
    x, y, long_px, short_px = cam.outline_px(centre, r)
    rng = np.random.default_rng(5)
    dots = rng.normal(size=(200000, 3))
    dots = centre + r * dots / np.linalg.norm(dots, axis=1, keepdims=True)
    flat = cam.project(dots) - [x, y]
    out = np.array([x - cam.cx_px, y - cam.cy_px])
    out /= np.linalg.norm(out)
    along, across = flat @ out, flat @ np.array([-out[1], out[0]])
    assert_allclose([along.max(), -along.min()], long_px / 2, rtol=2e-3)
    assert_allclose([across.max(), -across.min()], short_px / 2, rtol=2e-3)
    assert long_px > short_px > cam.diameter_px(centre, 2 * r) * 0.999


def gap_to_cone(p: Floats, a: Floats, ra: float, b: Floats, rb: float) -> float:
    """Signed distance to the union of spheres between two, by dense sampling."""
    t = np.linspace(0, 1, 4001)[:, None]
    spheres = a + t * (b - a)
    return float(np.min(np.linalg.norm(p - spheres, axis=1) - (ra + t[:, 0] * (rb - ra))))


def test_round_cone_hits_lie_on_the_hull() -> None:
    rng = np.random.default_rng(6)
    a, b, ra, rb = np.array([0.1, 0.2, -0.1]), np.array([0.5, 0.9, 0.4]), 0.30, 0.12
    solid, _ = round_cone(a, ra, b, rb)
    hits = 0
    for _ in range(100):
        origin = rng.normal(size=3) * 3 + [0, 0, 5]
        way = 0.5 * (a + b) + rng.normal(size=3) * 0.35 - origin
        way /= np.linalg.norm(way)
        t, nx, ny, nz, _ = hit_solid(solid, *origin, *way)
        samples = [gap_to_cone(origin + s * way, a, ra, b, rb) for s in np.linspace(2, 12, 60)]
        if t >= FAR:
            assert min(samples) > -0.01
            continue
        hits += 1
        assert abs(gap_to_cone(origin + t * way, a, ra, b, rb)) < 1e-4
        assert all(g > -1e-3 for g, s in zip(samples, np.linspace(2, 12, 60), strict=True) if s < t)
        n = np.array([nx, ny, nz])
        assert_allclose(np.linalg.norm(n), 1.0, rtol=1e-6)
        assert gap_to_cone(origin + t * way + 0.01 * n, a, ra, b, rb) == pytest.approx(
            0.01, abs=3e-4
        )
    assert hits > 20


def test_ellipsoid_and_oval_cone_hits_lie_on_their_surfaces() -> None:
    rng = np.random.default_rng(7)
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    centre, radii = np.array([0.2, 0.1, 0.3]), (0.3, 0.5, 0.2)
    egg, _ = ellipsoid(centre, axes, radii)
    oval, _ = oval_cone(centre, axes, 0.4, 0.25, 0.15, 0.6)
    count = 0
    for _ in range(60):
        origin = rng.normal((0, 0, 4), 1.0)
        way = centre + rng.normal(size=3) * 0.2 - origin
        way /= np.linalg.norm(way)
        t, *_ = hit_solid(egg, *origin, *way)
        if t < FAR:
            local = axes @ (origin + t * way - centre) / np.array(radii)
            assert_allclose(np.linalg.norm(local), 1.0, atol=1e-6)
            count += 1
        t, nx, ny, nz, _ = hit_solid(oval, *origin, *way)
        if t < FAR:
            p = axes @ (origin + t * way - centre) / [1, 1, 0.6]
            gap = gap_to_cone(p, np.zeros(3), 0.25, np.array([0, 0.4, 0]), 0.15)
            assert abs(gap) < 1e-4
            assert nx * way[0] + ny * way[1] + nz * way[2] < 0
            count += 1
    assert count > 60


def test_shade_of_a_sphere_on_the_ground() -> None:
    _, sphere = round_cone(np.array([0, 0, 0.5]), 0.2, np.array([0, 0, 0.5]), 0.2)
    sun = (0.0, math.sin(math.radians(30)), math.cos(math.radians(30)))
    foot = -0.5 * math.tan(math.radians(30))
    assert sun_left(sphere, 0.0, foot, 0.0, *sun, 0.0047) == 0.0
    # The rim of the shade across the sun lies one radius aside.
    assert sun_left(sphere, 0.2, foot, 0.0, *sun, 0.0047) == pytest.approx(0.5, abs=0.05)
    assert sun_left(sphere, 0.24, foot, 0.0, *sun, 0.0047) == 1.0
    # Nothing between the point and the sun when the sphere lies on the other side.
    assert sun_left(sphere, 0.0, foot, 1.2, *sun, 0.0047) == 1.0


def test_sky_share_taken_by_a_sphere_is_its_form_factor() -> None:
    # Small plane facing a sphere: F = (r / d)^2 (Howell's catalogue of configuration factors,
    # from memory); the renderer takes 85 % of it, since a body gives some light back.
    _, sphere = round_cone(np.array([0, 0, 0.6]), 0.2, np.array([0, 0, 0.6]), 0.2)
    left = sky_left(sphere, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
    assert 1.0 - left == pytest.approx(0.85 * (0.2 / 0.6) ** 2, rel=1e-6)
