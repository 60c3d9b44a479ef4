"""A phone's lens: measured once from a printed board, kept in a small TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shoegoal.errors import BadSettingsError
from shoegoal.outside import parse_toml, read_outside
from shoegoal.written import replace_file

# Two shapes are the same when width over height agrees to this share (1920x1080, 1280x720).
SAME_SHAPE_REL = 0.01
MAX_BYTES = 100_000

# What numbers of a written camera can be; beyond lies nothing but a slip of the pen.
Side = Annotated[int, Field(gt=0, le=16_384)]
Focal = Annotated[float, Field(ge=1, le=1e6)]
Place = Annotated[float, Field(ge=-1e5, le=1e5)]
Bend = Annotated[float, Field(ge=-1e3, le=1e3)]


class LensMismatchError(BadSettingsError):
    """A lens file made for pictures of another shape."""


@dataclass(frozen=True, slots=True)
class Lens:
    """A calibrated lens at one picture size.

    Attributes
    ----------
    width_px, height_px : displayed picture size that the numbers are for.
    focal_px, cx_px, cy_px : pinhole numbers.
    distortion : (k1, k2, p1, p2, k3), OpenCV's model and order.
    focal_sigma_rel : standard deviation of the focal length as a share of it.
    how_made : a sentence on where the numbers come from.
    """

    width_px: int
    height_px: int
    focal_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, ...] = ()
    focal_sigma_rel: float = 0.01
    how_made: str = ""

    def scaled_to(self, image_size_px: tuple[int, int]) -> Lens:
        """Return the lens at another resolution of the same shape.

        Parameters
        ----------
        image_size_px : width and height of the displayed frame.

        Raises
        ------
        LensMismatchError
            The picture has another shape, so the phone cropped it or was turned.
        """
        width, height = image_size_px
        scale = width / self.width_px
        if abs(height / (self.height_px * scale) - 1) > SAME_SHAPE_REL:
            raise LensMismatchError(
                f"The lens file is for {self.width_px}x{self.height_px} pictures, the clip is "
                f"{width}x{height}; film the board in the same mode and the same way up as the "
                "clip, or leave the lens file out."
            )
        return Lens(
            width,
            height,
            self.focal_px * scale,
            # Pixel centres sit at whole numbers, so half a pixel stays half a pixel.
            (self.cx_px + 0.5) * scale - 0.5,
            (self.cy_px + 0.5) * scale - 0.5,
            self.distortion,
            self.focal_sigma_rel,
            self.how_made,
        )


class LensFileError(BadSettingsError):
    """A lens file that is missing or cannot be read."""


class _LensFile(BaseModel):
    """The lens file as written; see the commented example under calibration/."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal["shoegoal lens"]
    version: Literal[1]
    width_px: Side
    height_px: Side
    focal_px: Focal
    cx_px: Place
    cy_px: Place
    distortion: Annotated[list[Bend], Field(min_length=5, max_length=5)] = [0.0] * 5
    focal_sigma_rel: Annotated[float, Field(ge=1e-4, lt=0.5)] = 0.01
    how_made: str = ""


def read_lens(path: Path) -> Lens:
    """Read a lens file.

    Parameters
    ----------
    path : a TOML file as `write_lens` makes it.

    Raises
    ------
    LensFileError
        Missing, not TOML, or with fields missing, unknown or out of range.
    """
    try:
        kept = _LensFile.model_validate(parse_toml(read_outside(path, MAX_BYTES).decode("utf-8")))
    except OSError as error:
        raise LensFileError(
            f"Cannot read the lens file {path}: {error.strerror}; check its name."
        ) from error
    except ValidationError as error:
        raise LensFileError(
            f"The lens file {path} cannot be used: {said_simply(error)}; "
            "make it again from a clip of the board."
        ) from error
    except ValueError as error:
        raise LensFileError(
            f"The lens file {path} is not TOML ({error}); make it again from a clip of the board."
        ) from error
    return Lens(
        kept.width_px,
        kept.height_px,
        kept.focal_px,
        kept.cx_px,
        kept.cy_px,
        tuple(kept.distortion),
        kept.focal_sigma_rel,
        kept.how_made,
    )


def write_lens(path: Path, lens: Lens) -> None:
    """Write a lens file.

    Parameters
    ----------
    path : where to.
    lens : what to write.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    bend = ", ".join(repr(float(value)) for value in (*lens.distortion, *[0.0] * 5)[:5])
    text = f"""# How this phone's camera sees, measured from a clip of a printed board.
format = "shoegoal lens"
version = 1
width_px = {lens.width_px}
height_px = {lens.height_px}
focal_px = {float(lens.focal_px)!r}
cx_px = {float(lens.cx_px)!r}
cy_px = {float(lens.cy_px)!r}
distortion = [{bend}]  # k1, k2, p1, p2, k3
focal_sigma_rel = {float(lens.focal_sigma_rel)!r}
how_made = {toml_text(lens.how_made)}
"""
    replace_file(path, text.encode())


def toml_text(text: str) -> str:
    """Quote a string for TOML (1.0.0, basic strings)."""
    quoted = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in quoted) + '"'


def said_simply(error: ValidationError) -> str:
    """Return the first complaint of a validation in one line."""
    first = error.errors()[0]
    return f"{'.'.join(str(part) for part in first['loc']) or 'file'}: {first['msg']}"
