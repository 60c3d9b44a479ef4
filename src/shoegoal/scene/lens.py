"""A phone's lens: measured once from a printed board, kept in a small TOML file."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shoegoal.errors import BadSettingsError, ClipNotJudgeableError, OutputError
from shoegoal.outside import parse_toml, read_outside
from shoegoal.written import replace_file

# Two shapes are the same when width over height agrees to this share (1920x1080, 1280x720).
SAME_SHAPE_REL = 0.01
MAX_BYTES = 100_000

# Bounds of a written camera's numbers; anything beyond is a slip of the pen.
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


# CIPA DCG-001 (from memory): focal lengths compare by the diagonal, that of 36 x 24 mm film is
# 43.27 mm. What a phone states is of its whole sensor; steadying a film crops about a tenth off, so
# it is known to about so much. No source; our estimate.
FILM_DIAGONAL_MM = 43.27
STATED_FOCAL_SIGMA_REL = 0.06
STATED = "the focal length that the clip's file states"
UPRIGHTS = "how upright lines in the picture run together"


def stated_lens(focal_35mm: float | None, image_size_px: tuple[int, int]) -> Lens | None:
    """Return the lens that follows from a clip's stated focal length, or None.

    Parameters
    ----------
    focal_35mm : focal length as that of a 35 mm film camera, mm, where the file states one.
    image_size_px : width and height of the displayed frame.
    """
    if focal_35mm is None:
        return None
    width, height = image_size_px
    focal_px = focal_35mm / FILM_DIAGONAL_MM * float(np.hypot(width, height))
    return Lens(
        width,
        height,
        focal_px,
        (width - 1) / 2,
        (height - 1) / 2,
        focal_sigma_rel=STATED_FOCAL_SIGMA_REL,
        how_made=STATED,
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


U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

DPI = 300
A4_MM = (210.0, 297.0)  # ISO 216
MM_PER_INCH = 25.4
COLUMNS, ROWS = 6, 9
SQUARE_MM = 29.0
CODE_MM = 21.0
DICTIONARY = cv2.aruco.DICT_4X4_50

MIN_CORNERS = 12  # in a view; a homography needs 4, noise asks for more
MIN_VIEWS = 6
MAX_VIEWS = 40
NEW_VIEW_REL = 0.03  # a view counts as new when its corners moved by this share of the long side
MAX_MISS_REL = 1.5e-3  # root mean square corner error, as a share of the long side
MIN_TILT_DEG = 15.0  # flat-on views alone cannot tell focal length from distance


class BoardNotSeenError(ClipNotJudgeableError):
    """The clip does not show the board well enough to measure the lens."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardView:
    """One sighting of the board: named corners and where they were seen.

    Attributes
    ----------
    names : (N,) corner numbers.
    board_m : (N, 3) places on the board.
    pixels : (N, 2) places in the picture.
    """

    names: npt.NDArray[np.int32]
    board_m: F32
    pixels: F32


def charuco_board() -> cv2.aruco.CharucoBoard:
    """Return the board that `board_picture` prints, in metres."""
    return cv2.aruco.CharucoBoard(
        (COLUMNS, ROWS),
        SQUARE_MM / 1000,
        CODE_MM / 1000,
        cv2.aruco.getPredefinedDictionary(DICTIONARY),
    )


def board_picture(margin_text: bool = True) -> U8:
    """Draw the board on an A4 page at true scale, 300 dots an inch.

    Parameters
    ----------
    margin_text : print how to use it, and a 100 mm line to check the printer's scale with.

    Returns
    -------
    (3508, 2480) uint8 grey page.
    """
    dots = DPI / MM_PER_INCH
    page = np.full((round(A4_MM[1] * dots), round(A4_MM[0] * dots)), 255, np.uint8)
    size = (round(COLUMNS * SQUARE_MM * dots), round(ROWS * SQUARE_MM * dots))
    drawn = charuco_board().generateImage(size, marginSize=0)
    left, top = (page.shape[1] - size[0]) // 2, round(10 * dots)
    page[top : top + size[1], left : left + size[0]] = drawn
    if margin_text:
        y = top + size[1] + round(9 * dots)
        x = round(18 * dots)
        cv2.line(page, (x, y), (x + round(100 * dots), y), 0, 5)
        for end in (x, x + round(100 * dots)):
            cv2.line(page, (end, y - 18), (end, y + 18), 0, 5)
        text = "100 mm: print at 100%, glue to stiff card, film it slowly from many sides and tilts"
        cv2.putText(
            page, text, (x, y + round(7 * dots)), cv2.FONT_HERSHEY_SIMPLEX, 1.4, 0, 3, cv2.LINE_AA
        )
    return page


def write_board(path: Path) -> None:
    """Write the page as a PNG that says its scale (300 dots an inch), or as a one-page PDF.

    Parameters
    ----------
    path : ends in .png or .pdf.

    Raises
    ------
    OutputError
        The file cannot be written, or its name ends otherwise.
    """
    writers = {".png": _png, ".pdf": _pdf}
    if path.suffix.lower() not in writers:
        raise OutputError(f"Cannot write the board as {path.name}; name it .png or .pdf.")
    replace_file(path, writers[path.suffix.lower()](board_picture()))


def find_board(luma: U8) -> BoardView | None:
    """Find the board in a grey picture (H, W); None when too little of it is seen."""
    board = charuco_board()
    corners, names, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(luma)
    if names is None or len(names) < MIN_CORNERS:
        return None
    numbers = np.asarray(names, dtype=np.int32).ravel()
    places = np.asarray(board.getChessboardCorners(), dtype=np.float32)[numbers]
    if np.linalg.matrix_rank(places[:, :2] - places[0, :2]) < 2:
        return None  # corners on one line do not fix a plane
    return BoardView(numbers, places, np.asarray(corners, dtype=np.float32).reshape(-1, 2))


def calibrate_from_frames(frames: Iterable[U8], how_made: str = "") -> Lens:
    """Measure a lens from pictures of the board (Zhang 2000, by OpenCV's calibrateCamera).

    Pictures are taken one at a time; only corner places are kept.

    Parameters
    ----------
    frames : grey pictures (H, W), all of one size; a few a second of a clip is plenty.
    how_made : a sentence to keep in the lens file; the number of views and the error are added.

    Raises
    ------
    BoardNotSeenError
        Too few different views, all views flat-on, pictures of different sizes, or corners that
        no lens explains (a bent or wrongly printed board).
    """
    views: list[BoardView] = []
    size: tuple[int, int] | None = None
    for luma in frames:
        shape = (luma.shape[1], luma.shape[0])
        if size is not None and shape != size:
            raise BoardNotSeenError(
                "The pictures of the board are not all of one size; film the board in one clip."
            )
        size = shape
        view = find_board(luma)
        if view is not None and all(_moved(view, v) > NEW_VIEW_REL * max(size) for v in views):
            views.append(view)
        if len(views) == MAX_VIEWS:
            break
    if size is None or len(views) < MIN_VIEWS:
        raise BoardNotSeenError(
            f"Only {len(views)} different views of the board were found, {MIN_VIEWS} are needed; "
            "film the printed board slowly, filling half of the picture, from many sides and tilts."
        )
    return _solve(views, size, how_made)


def _solve(views: list[BoardView], size: tuple[int, int], how_made: str) -> Lens:
    width, height = size
    start = np.array([[1.0, 0, (width - 1) / 2], [0, 1.0, (height - 1) / 2], [0, 0, 1.0]])
    error_px, matrix, bend, turns, _, spread, _, _ = cv2.calibrateCameraExtended(
        [view.board_m for view in views],
        [view.pixels for view in views],
        size,
        start,
        np.zeros(5),
        # Square pixels; the sixth-order term runs wild outside the corners that were seen.
        flags=cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3,
    )
    if error_px > MAX_MISS_REL * max(size):
        raise BoardNotSeenError(
            f"The board's corners are {error_px:.1f} px off on average; glue the print to stiff "
            "card, check its 100 mm line, and film it without blur."
        )
    tilts = [_tilt_deg(np.asarray(turn, dtype=np.float64)) for turn in turns]
    if max(tilts) < MIN_TILT_DEG:
        raise BoardNotSeenError(
            f"The board was held flat-on in all views (at most {max(tilts):.0f} degrees tilted); "
            "tilt it by 30 degrees or so to every side."
        )
    focal = float(matrix[0, 0])
    sigma_rel = float(np.ravel(spread)[0]) / focal
    k1, k2, p1, p2, k3 = (float(value) for value in np.ravel(bend)[:5])
    note = f"{len(views)} views of a ChArUco board, corner error {error_px:.2f} px"
    return Lens(
        width_px=width,
        height_px=height,
        focal_px=focal,
        cx_px=float(matrix[0, 2]),
        cy_px=float(matrix[1, 2]),
        distortion=(k1, k2, p1, p2, k3),
        # Autofocus breathes by about this much between the board's distance and the goal's.
        focal_sigma_rel=max(sigma_rel, 0.01),
        how_made=f"{how_made}; {note}" if how_made else note,
    )


def _moved(view: BoardView, other: BoardView) -> float:
    """Mean move of the corners seen in both, px; endless when none is."""
    _, here, there = np.intersect1d(view.names, other.names, return_indices=True)
    if not len(here):
        return float("inf")
    return float(np.hypot(*(view.pixels[here] - other.pixels[there]).T).mean())


def _tilt_deg(turn: F64) -> float:
    rotation, _ = cv2.Rodrigues(turn)
    return float(np.rad2deg(np.arccos(min(1.0, abs(float(rotation[2, 2]))))))


def _png(page: U8) -> bytes:
    """PNG with a pHYs chunk (W3C PNG specification, 11.3.5.3), so that it prints at true scale."""
    done, coded = cv2.imencode(".png", page)
    if not done:
        raise OutputError("Cannot write the board as a PNG here; write it as a .pdf.")
    plain = bytes(coded)
    dots_per_m = round(DPI / MM_PER_INCH * 1000)
    body = b"pHYs" + struct.pack(">IIB", dots_per_m, dots_per_m, 1)
    chunk = struct.pack(">I", 9) + body + struct.pack(">I", zlib.crc32(body))
    head = 8 + 25  # signature and the header chunk, which must come first
    return plain[:head] + chunk + plain[head:]


def _pdf(page: U8) -> bytes:
    """One A4 page that holds the picture (ISO 32000-1, PDF 1.4, 72 points an inch)."""
    wide, high = (side * 72 / MM_PER_INCH for side in A4_MM)
    paint = f"q {wide:.3f} 0 0 {high:.3f} 0 0 cm /Board Do Q".encode()
    pixels = zlib.compress(page.tobytes(), 9)
    bodies = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        (
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {wide:.3f} {high:.3f}] /Contents 4 0 R "
            "/Resources << /XObject << /Board 5 0 R >> >> >>"
        ).encode(),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(paint), paint),
        (
            f"<< /Type /XObject /Subtype /Image /Width {page.shape[1]} /Height {page.shape[0]} "
            "/ColorSpace /DeviceGray /BitsPerComponent 8 /Filter /FlateDecode "
            f"/Length {len(pixels)} >>\nstream\n"
        ).encode()
        + pixels
        + b"\nendstream",
    ]
    out = bytearray(b"%PDF-1.4\n")
    places = []
    for number, body in enumerate(bodies, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(bodies) + 1)
    for place in places:
        out += b"%010d 00000 n \n" % place
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (
        len(bodies) + 1,
        table,
    )
    return bytes(out)
