"""A calibration file: where camera and goal are, kept for later clips of the same set-up."""

from __future__ import annotations

import base64
import binascii
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shoegoal.errors import BadSettingsError
from shoegoal.outside import parse_toml, read_outside
from shoegoal.scene.camera import Camera
from shoegoal.scene.lens import Bend, Focal, Place, Side, said_simply, toml_text
from shoegoal.types import ImagePoint
from shoegoal.written import replace_file

U8 = npt.NDArray[np.uint8]
F64 = npt.NDArray[np.float64]

MAX_BYTES = 1_000_000
THUMBNAIL_LONG_SIDE = 160
TILE_PX = 20
BROAD_LIGHT_PX = 8.0
MIN_TILES = 4
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
MIN_TEXTURE = 2.0  # grey levels; flatter tiles say nothing
# Measured on 9 locked clips: later stills of a clip 0.91-1.00 in 7, 0.81 in a blocky 320-wide one,
# 0.45 where player and ball crossed the few edges before a plain wall (refused: the markers are
# asked for anew). Moved sideways by 1% of the width 0.60-0.87, by 2% 0.20-0.79, but 0.98 before
# another plain wall; moved up by 1% 0.66-0.99. Other places: 0.27 at most. So a phone that moved a
# little can pass where the yard shows little structure: show the markers on a still as well.
SAME_SCENE_LIKENESS = 0.88


class CalibrationFileError(BadSettingsError):
    """A calibration file that is missing or cannot be read."""


class SceneMovedError(BadSettingsError):
    """The clip does not show the scene that the calibration file was made for."""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What a calibration file holds.

    Attributes
    ----------
    image_size_px : width and height of the displayed frame.
    left_px, right_px : markers' inner bases as the kicker sees them.
    camera : the fitted camera, or None when only the markers were confirmed.
    thumbnail : (H, W) small grey picture of the still scene, or None for a file written by hand.
    note : who or what made it.
    """

    image_size_px: tuple[int, int]
    left_px: ImagePoint
    right_px: ImagePoint
    camera: Camera | None = None
    thumbnail: U8 | None = None
    note: str = ""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _CameraPart(_Part):
    focal_px: Focal
    cx_px: Place
    cy_px: Place
    height_m: Annotated[float, Field(ge=0.01, le=50)]
    pitch_deg: Annotated[float, Field(gt=-90, lt=90)]
    roll_deg: Annotated[float, Field(gt=-90, lt=90)]
    distortion: Annotated[list[Bend], Field(min_length=5, max_length=5)] = [0.0] * 5


class _CalibrationFile(_Part):
    """The file as written; see the commented example under calibration/."""

    format: Literal["shoegoal calibration"]
    version: Literal[1]
    width_px: Side
    height_px: Side
    left_px: tuple[Place, Place]
    right_px: tuple[Place, Place]
    note: str = ""
    thumbnail_png: str = ""
    camera: _CameraPart | None = None


def thumbnail_of(luma: U8) -> U8:
    """Shrink a grey picture (H, W) to the size kept in a calibration file."""
    size = _thumbnail_size((luma.shape[1], luma.shape[0]))
    return np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _thumbnail_size(image_size_px: tuple[int, int]) -> tuple[int, int]:
    scale = THUMBNAIL_LONG_SIDE / max(image_size_px)
    return max(1, round(image_size_px[0] * scale)), max(1, round(image_size_px[1] * scale))


def likeness(thumbnail: U8, other: U8) -> float:
    """How alike two thumbnails are: the median over tiles of the correlation of fine structure.

    Broad light and shade are taken out first: the sun moves, the fence and the ground's edges stay.
    The median leaves out people, who fill the lesser part of the tiles.

    Parameters
    ----------
    thumbnail, other : (H, W) of one shape.

    Returns
    -------
    -1 to 1; 0 when hardly any tile has structure to compare.
    """
    first, second = _structure(thumbnail), _structure(other)
    found = []
    for top in range(0, thumbnail.shape[0] - TILE_PX // 2, TILE_PX):
        for left in range(0, thumbnail.shape[1] - TILE_PX // 2, TILE_PX):
            tile = (slice(top, top + TILE_PX), slice(left, left + TILE_PX))
            one, two = first[tile] - first[tile].mean(), second[tile] - second[tile].mean()
            if one.std() >= MIN_TEXTURE:
                size = float(np.linalg.norm(one) * np.linalg.norm(two))
                found.append(float((one * two).sum()) / size if size > 0 else 0.0)
    return float(np.median(found)) if len(found) >= MIN_TILES else 0.0


def matches(calibration: Calibration, luma: U8) -> bool:
    """Whether a still of the clip shows the scene that the file was made for.

    Parameters
    ----------
    calibration : as read from the file.
    luma : (H, W) grey still at the displayed size, preferably without people.

    Returns
    -------
    False when the size differs, or the picture does; True for a file without a thumbnail when the
    size agrees, since nothing more can be said.
    """
    if (luma.shape[1], luma.shape[0]) != calibration.image_size_px:
        return False
    if calibration.thumbnail is None:
        return True
    return likeness(calibration.thumbnail, thumbnail_of(luma)) >= SAME_SCENE_LIKENESS


def refuse_another_scene(calibration: Calibration, luma: U8) -> None:
    """Raise unless `matches`.

    Raises
    ------
    SceneMovedError
        Another picture size or another scene.
    """
    if matches(calibration, luma):
        return
    wide, high = calibration.image_size_px
    if (luma.shape[1], luma.shape[0]) != (wide, high):
        raise SceneMovedError(
            f"The calibration file is for {wide}x{high} pictures, the clip is "
            f"{luma.shape[1]}x{luma.shape[0]}; give the markers anew."
        )
    raise SceneMovedError(
        "The clip does not look like the scene in the calibration file: the phone or the goal was "
        "moved; give the markers anew."
    )


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file.

    Parameters
    ----------
    path : a TOML file as `write_calibration` makes it.

    Raises
    ------
    CalibrationFileError
        Missing, not TOML, or with fields missing, unknown or out of range.
    """
    try:
        kept = _CalibrationFile.model_validate(
            parse_toml(read_outside(path, MAX_BYTES).decode("utf-8"))
        )
        thumbnail = _unpack(kept.thumbnail_png, (kept.width_px, kept.height_px))
    except OSError as error:
        raise CalibrationFileError(
            f"Cannot read the calibration file {path}: {error.strerror}; check its name."
        ) from error
    except ValidationError as error:
        raise CalibrationFileError(
            f"The calibration file {path} cannot be used: {said_simply(error)}; correct it or "
            "give the markers anew."
        ) from error
    except (binascii.Error, ValueError, cv2.error) as error:
        raise CalibrationFileError(
            f"The calibration file {path} is damaged ({error}); give the markers anew."
        ) from error
    camera = None
    if kept.camera is not None:
        bend = tuple(kept.camera.distortion)
        camera = Camera(
            kept.camera.focal_px,
            kept.camera.cx_px,
            kept.camera.cy_px,
            kept.camera.height_m,
            kept.camera.pitch_deg,
            kept.camera.roll_deg,
            bend if any(bend) else (),
        )
    return Calibration(
        (kept.width_px, kept.height_px),
        ImagePoint(*kept.left_px),
        ImagePoint(*kept.right_px),
        camera,
        thumbnail,
        kept.note,
    )


def write_calibration(path: Path, calibration: Calibration) -> None:
    """Write a calibration file, whole or not at all.

    Parameters
    ----------
    path : where to; an older file stays until the new one is whole.
    calibration : what to write.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    left, right = calibration.left_px, calibration.right_px
    lines = [
        "# Where camera and goal are; made by shoegoal, good for clips of the same set-up.",
        'format = "shoegoal calibration"',
        "version = 1",
        f"width_px = {calibration.image_size_px[0]}",
        f"height_px = {calibration.image_size_px[1]}",
        "# Inner bases of the markers, left and right as the kicker sees them.",
        f"left_px = [{float(left.x_px)!r}, {float(left.y_px)!r}]",
        f"right_px = [{float(right.x_px)!r}, {float(right.y_px)!r}]",
        f"note = {toml_text(calibration.note)}",
    ]
    if calibration.thumbnail is not None:
        _, coded = cv2.imencode(".png", calibration.thumbnail)
        packed = base64.b64encode(bytes(coded)).decode()
        lines += [
            "# A small picture of the scene, to notice when phone or goal was moved.",
            f'thumbnail_png = "{packed}"',
        ]
    if calibration.camera is not None:
        camera = calibration.camera
        bend = (*camera.distortion, *[0.0] * 5)[:5]
        lines += [
            "",
            "[camera]",
            *(
                f"{name} = {float(getattr(camera, name))!r}"
                for name in ("focal_px", "cx_px", "cy_px", "height_m", "pitch_deg", "roll_deg")
            ),
            f"distortion = [{', '.join(repr(float(value)) for value in bend)}]",
        ]
    replace_file(path, ("\n".join(lines) + "\n").encode())


def _unpack(packed: str, image_size_px: tuple[int, int]) -> U8 | None:
    if not packed:
        return None
    coded = base64.b64decode(packed, validate=True)
    # The size stands at the front (PNG, third edition, 5.2 and 11.2.1): nothing large is unpacked.
    if coded[:8] != PNG_SIGNATURE or coded[12:16] != b"IHDR":
        raise ValueError("its small picture is no PNG")
    if struct.unpack(">II", coded[16:24].ljust(8, b"\0")) != _thumbnail_size(image_size_px):
        raise ValueError("its small picture has another shape than the clip")
    picture = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_GRAYSCALE)
    if picture is None:
        raise ValueError("its small picture is no PNG")
    return np.asarray(picture, dtype=np.uint8)


def _structure(thumbnail: U8) -> F64:
    picture = thumbnail.astype(np.float64)
    return np.asarray(picture - cv2.GaussianBlur(picture, (0, 0), BROAD_LIGHT_PX), dtype=np.float64)
