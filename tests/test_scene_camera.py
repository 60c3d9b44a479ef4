"""The camera against OpenCV and against balls drawn by brute force."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.scene.camera import Camera

F64 = npt.NDArray[np.float64]

BENT = (-0.21, 0.06, 0.001, -0.0015, -0.01)
CAMERAS = [
    Camera(980.0, 640.0, 360.0, 1.3, 9.0, 0.0),
    Camera(980.0, 650.0, 350.0, 0.4, -2.0, 4.0),
    Camera(1450.0, 540.0, 960.0, 1.7, 24.0, -3.0),
    Camera(980.0, 650.0, 350.0, 1.1, 12.0, 2.5, BENT),
]


def opencv_project(camera: Camera, points: F64) -> F64:
    """cv2.projectPoints with its own rotation vector (outside reference)."""
    rotation_vector, _ = cv2.Rodrigues(camera.rotation())
    shift = -camera.rotation() @ np.array([0.0, 0.0, camera.height_m])
    distortion = np.array(camera.distortion or (0.0,) * 5)
    pixels, _ = cv2.projectPoints(points, rotation_vector, shift, camera.matrix(), distortion)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def ground_grid() -> F64:
    xs, ys = np.meshgrid(np.linspace(-2.0, 2.0, 7), np.linspace(4.0, 14.0, 6))
    return np.column_stack([xs.ravel(), ys.ravel(), np.zeros(xs.size)])


@pytest.mark.parametrize("camera", CAMERAS)
def test_project_agrees_with_opencv(camera: Camera) -> None:
    points = ground_grid()
    points[:, 2] = np.linspace(0.0, 2.0, len(points))
    assert np.allclose(camera.project(points), opencv_project(camera, points), atol=1e-6)


@pytest.mark.parametrize("camera", CAMERAS)
def test_ground_points_undo_the_projection(camera: Camera) -> None:
    points = ground_grid()
    assert np.allclose(camera.ground_points(camera.project(points)), points[:, :2], atol=1e-5)
    points[:, 2] = 0.11
    assert np.allclose(camera.ground_points(camera.project(points), 0.11), points[:, :2], atol=1e-5)


def test_undistort_agrees_with_opencv() -> None:
    camera = CAMERAS[3]
    pixels = np.random.default_rng(3).uniform([40, 40], [1240, 680], (60, 2))
    ours = camera.undistort(pixels)
    theirs = cv2.undistortImagePoints(
        pixels,
        camera.matrix(),
        np.array(camera.distortion),
        arg1=(cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-12),
    ).reshape(-1, 2)
    assert np.allclose(ours, theirs, atol=1e-3)


def horizon_y(camera: Camera, x_px: float) -> float:
    """Height in the picture at which the ground ends, from two places far off."""
    (x0, y0), (x1, y1) = camera.project([[-4e5, 1e6, 0.0], [4e5, 1e6, 0.0]])
    return float(y0 + (x_px - x0) / (x1 - x0) * (y1 - y0))


def test_signs_of_pitch_and_roll() -> None:
    """Looking down puts the horizon above the middle; a clockwise camera lifts its right end."""
    down = Camera(1000.0, 640.0, 360.0, 1.2, 10.0, 0.0)
    above_middle = 360.0 - 1000.0 * np.tan(np.deg2rad(10.0))
    assert [horizon_y(down, x) for x in (0.0, 1280.0)] == pytest.approx(
        [above_middle] * 2, abs=0.01
    )
    turned = Camera(1000.0, 640.0, 360.0, 1.2, 10.0, 5.0)
    climbs = horizon_y(turned, 0.0) - horizon_y(turned, 1280.0)
    assert np.rad2deg(np.arctan2(climbs, 1280.0)) == pytest.approx(5.0, abs=1e-3)


@pytest.mark.parametrize("camera", CAMERAS[:3])
def test_the_ground_ends_at_the_horizon(camera: Camera) -> None:
    far = camera.project([[-4e5, 1e6, 0.0], [4e5, 1e6, 0.0]])
    step = np.array([[0.0, 5.0]])
    assert np.all(np.isfinite(camera.ground_points(far + step)))
    assert np.all(np.isnan(camera.ground_points(far - step)))


def silhouette(camera: Camera, center: F64, diameter: float) -> tuple[F64, float]:
    """Centroid and area-equivalent diameter of a ball's outline, traced point by point.

    The outline is the circle where the sight rays touch the sphere (Euclid's tangent circle);
    it is projected by cv2.projectPoints and measured by the shoelace formula.
    """
    eye = np.array([0.0, 0.0, camera.height_m])
    radius = diameter / 2
    axis = center - eye
    reach = float(np.linalg.norm(axis))
    axis = axis / reach
    side = np.cross(axis, [0.0, 0.0, 1.0])
    side = side / np.linalg.norm(side)
    up = np.cross(side, axis)
    middle = center - axis * radius**2 / reach
    ring = radius * np.sqrt(1 - (radius / reach) ** 2)
    turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)[:, None]
    points = middle + ring * (np.cos(turn) * side + np.sin(turn) * up)
    x, y = opencv_project(camera, points).T
    nx, ny = np.roll(x, -1), np.roll(y, -1)
    cross = x * ny - nx * y
    area = cross.sum() / 2
    centroid = np.array([((x + nx) * cross).sum(), ((y + ny) * cross).sum()]) / (6 * area)
    return centroid, float(2 * np.sqrt(abs(area) / np.pi))


@pytest.mark.parametrize("camera", CAMERAS[:3])
@pytest.mark.parametrize("center", [(0.0, 5.0, 0.11), (1.5, 2.5, 0.11), (-2.0, 9.0, 1.4)])
def test_ball_image_is_its_silhouette(camera: Camera, center: tuple[float, float, float]) -> None:
    centroid, diameter = silhouette(camera, np.array(center), 0.22)
    centre_px, diameter_px = camera.ball_image([center], 0.22)
    assert np.allclose(centre_px[0], centroid, atol=1e-3)
    assert diameter_px[0] == pytest.approx(diameter, rel=1e-5)


@pytest.mark.parametrize("center", [(0.0, 5.0, 0.11), (1.5, 2.5, 0.11), (-2.0, 9.0, 1.4)])
def test_ball_image_through_a_bent_lens(center: tuple[float, float, float]) -> None:
    """The lens's enlargement is taken at the disc's centre alone: good to 1% of the ball."""
    centroid, diameter = silhouette(CAMERAS[3], np.array(center), 0.22)
    centre_px, diameter_px = CAMERAS[3].ball_image([center], 0.22)
    assert np.allclose(centre_px[0], centroid, atol=0.01 * diameter)
    assert diameter_px[0] == pytest.approx(diameter, rel=1e-2)


@pytest.mark.parametrize("camera", CAMERAS)
def test_ball_round_trips(camera: Camera) -> None:
    centers = ground_grid()
    centers[:, 2] = 0.11
    pixels, diameters = camera.ball_image(centers, 0.22)
    assert np.allclose(camera.ball_on_ground(pixels, 0.22), centers[:, :2], atol=1e-5)
    assert np.allclose(camera.ball_position(pixels, diameters, 0.22), centers, atol=1e-4)


def test_what_cannot_be_seen_is_nan() -> None:
    camera = CAMERAS[0]
    assert np.all(np.isnan(camera.project([[0.0, -3.0, 0.0]])))
    centre_px, diameter_px = camera.ball_image([[0.0, -3.0, 0.11]], 0.22)
    assert np.all(np.isnan(centre_px))
    assert np.all(np.isnan(diameter_px))
    assert np.all(np.isnan(camera.ball_on_ground([[640.0, 10.0]], 0.22)))


def test_apparent_size_is_linear_in_the_image() -> None:
    """DESIGN's ruler: d = a u + b v + c, once the stretch off the axis is taken out.

    The ellipse of a small sphere is longer than it is wide by 1 / cos(angle off the axis).
    """
    camera = CAMERAS[0]
    centers = ground_grid()
    centers[:, 2] = 0.11
    pixels, diameters = camera.ball_image(centers, 0.22)
    slopes = (pixels - [camera.cx_px, camera.cy_px]) / camera.focal_px
    across = diameters / (1 + (slopes**2).sum(axis=1)) ** 0.25
    design = np.column_stack([pixels, np.ones(len(pixels))])
    weights, *_ = np.linalg.lstsq(design, across, rcond=None)
    assert np.abs(design @ weights / across - 1).max() < 0.005


@pytest.mark.parametrize(
    "fields",
    [(0.0, 1.0, ()), (-5.0, 1.0, ()), (900.0, 0.0, ()), (float("nan"), 1.0, ()), (900.0, 1, (1,))],
)
def test_impossible_cameras_are_refused(fields: tuple[float, float, tuple[float, ...]]) -> None:
    focal, height, distortion = fields
    with pytest.raises(ValueError, match="must"):
        Camera(focal, 640.0, 360.0, height, 5.0, 0.0, distortion)
