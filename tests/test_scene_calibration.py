"""The calibration file: there and back, bad files, and noticing a moved phone."""

from __future__ import annotations

import base64
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.errors import OutputError
from shoegoal.scene.calibration import (
    Calibration,
    CalibrationFileError,
    SceneMovedError,
    likeness,
    matches,
    read_calibration,
    refuse_another_scene,
    thumbnail_of,
    write_calibration,
)
from shoegoal.scene.camera import Camera
from shoegoal.types import ImagePoint

U8 = npt.NDArray[np.uint8]


def yard(seed: int) -> U8:
    """A made-up still, 1280x720: blobs of many sizes and a fence with posts."""
    rng = np.random.default_rng(seed)
    picture = np.zeros((720, 1280))
    for size in (4, 12, 40):
        rough = cv2.GaussianBlur(rng.standard_normal((720, 1280)), (0, 0), size)
        picture += 18 * rough / rough.std()
    for x in range(40, 1280, int(rng.integers(70, 130))):
        cv2.line(picture, (x, 100), (x + 8, 330), 60.0, 6)
    return np.clip(picture + 120, 0, 255).astype(np.uint8)


def moved(picture: U8, right_px: float, down_px: float) -> U8:
    shift = np.array([[1, 0, right_px], [0, 1, down_px]], dtype=np.float64)
    return np.asarray(
        cv2.warpAffine(picture, shift, (1280, 720), borderMode=cv2.BORDER_REFLECT), dtype=np.uint8
    )


def calibration_of(picture: U8) -> Calibration:
    return Calibration(
        (1280, 720),
        ImagePoint(400.5, 300.25),
        ImagePoint(-20.0, 310.0),
        Camera(967.0, 639.5, 359.5, 1.1, 11.0, -0.5, (0.1, 0.0, 0.0, 0.0, 0.0)),
        thumbnail_of(picture),
        'north "yard"',
    )


def test_there_and_back(tmp_path: Path) -> None:
    kept = calibration_of(yard(1))
    write_calibration(tmp_path / "c.toml", kept)
    back = read_calibration(tmp_path / "c.toml")
    assert back.camera == kept.camera
    assert (back.left_px, back.right_px, back.note) == (kept.left_px, kept.right_px, kept.note)
    assert back.thumbnail is not None
    assert kept.thumbnail is not None
    assert np.array_equal(back.thumbnail, kept.thumbnail)
    bare = Calibration((640, 360), ImagePoint(1, 2), ImagePoint(3, 4))
    write_calibration(tmp_path / "c.toml", bare)
    again = read_calibration(tmp_path / "c.toml")
    assert again.camera is None
    assert again.thumbnail is None
    assert [p.name for p in tmp_path.iterdir()] == ["c.toml"]


def test_the_same_scene_in_other_light_with_a_person_matches() -> None:
    picture = yard(2)
    kept = calibration_of(picture)
    darker = (255 * (picture / 255.0) ** 1.5).astype(np.uint8)
    darker[150:700, 500:760] = 30  # a person, 15% of the picture
    noisy = darker + np.random.default_rng(3).normal(0, 4, darker.shape)
    assert matches(kept, np.clip(noisy, 0, 255).astype(np.uint8))


@pytest.mark.parametrize(("right", "down"), [(26.0, 0.0), (0.0, 20.0), (60.0, 10.0)])
def test_a_moved_phone_does_not_match(right: float, down: float) -> None:
    picture = yard(4)
    kept = calibration_of(picture)
    assert matches(kept, moved(picture, 1.0, 0.0))
    with pytest.raises(SceneMovedError, match="moved"):
        refuse_another_scene(kept, moved(picture, right, down))


def test_another_yard_or_size_does_not_match() -> None:
    kept = calibration_of(yard(5))
    assert not matches(kept, yard(6))
    with pytest.raises(SceneMovedError, match="1280x720"):
        refuse_another_scene(kept, yard(5)[:, :1000])
    flat = np.full((720, 1280), 90, np.uint8)
    assert likeness(thumbnail_of(flat), thumbnail_of(flat)) == 0.0


def test_a_file_without_a_picture_matches_by_size_alone() -> None:
    bare = Calibration((1280, 720), ImagePoint(1, 2), ImagePoint(3, 4))
    assert matches(bare, yard(7))
    assert not matches(bare, yard(7)[:700])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("version = 1", "version = 9", "version"),
        ("width_px = 1280", "", "width_px"),
        ("left_px = [400.5, 300.25]", "left_px = [400.5]", "left_px"),
        ("left_px = [400.5, 300.25]", "left_px = [nan, 3]", "left_px"),
        ("height_m = 1.1", "height_m = -1.0", "height_m"),
        ('thumbnail_png = "', 'thumbnail_png = "###', "damaged"),
        ('thumbnail_png = "', 'thumbnail_png = "AAAA', "damaged"),
        ("version = 1", "version = [", "damaged"),
    ],
)
def test_bad_files(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = tmp_path / "c.toml"
    write_calibration(path, calibration_of(yard(8)))
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(CalibrationFileError, match=words):
        read_calibration(path)


def test_a_picture_of_another_shape_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    _, coded = cv2.imencode(".png", np.zeros((50, 50), np.uint8))
    write_calibration(path, Calibration((1280, 720), ImagePoint(1, 2), ImagePoint(3, 4)))
    path.write_text(
        path.read_text() + f'thumbnail_png = "{base64.b64encode(bytes(coded)).decode()}"\n'
    )
    with pytest.raises(CalibrationFileError, match="another shape"):
        read_calibration(path)


def test_missing_files_and_folders(tmp_path: Path) -> None:
    with pytest.raises(CalibrationFileError, match="check its name"):
        read_calibration(tmp_path / "none.toml")
    with pytest.raises(OutputError, match="choose another folder"):
        write_calibration(tmp_path / "no" / "c.toml", calibration_of(yard(9)))


def test_example_file() -> None:
    example = Path(__file__).parent.parent / "calibration" / "example_calibration.toml"
    kept = read_calibration(example)
    assert kept.camera is not None
    assert kept.image_size_px == (1280, 720)
