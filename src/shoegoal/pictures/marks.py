"""Drawing over pictures: windows into a still, outlined lines and shapes, smooth text, rows.

Every mark has a dark rim and a light core, so that it stands out on grass and on snow alike, and
every call has a shape and a word of its own besides its colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8
from shoegoal.pictures.stills import F64, StillPicture
from shoegoal.types import Call

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

Colour = tuple[int, int, int]  # blue, green, red
Spot = tuple[float, float]

INK: Colour = (32, 28, 24)
PAPER: Colour = (250, 250, 248)
# Okabe and Ito's palette, distinct with any colour vision (jfly.uni-koeln.de/color).
SKY: Colour = (233, 180, 86)
YELLOW: Colour = (66, 228, 240)
CALL_COLOURS: dict[Call, Colour] = {
    Call.MAKE: (178, 114, 0),
    Call.MISS: (0, 94, 213),
    Call.UNSURE: (167, 121, 204),
}
CALL_WORDS: dict[Call, str] = {Call.MAKE: "MAKE", Call.MISS: "MISS", Call.UNSURE: "UNSURE"}
JPEG_QUALITY = 88
_SHIFT = 4  # OpenCV draws at 1/16 px
_ONE = 1 << _SHIFT


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle in px of the displayed picture."""

    left: float
    top: float
    width: float
    height: float

    def holds(self, spot: Spot) -> bool:
        """Whether a point lies inside."""
        return (
            self.left <= spot[0] <= self.left + self.width
            and self.top <= spot[1] <= self.top + self.height
        )


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A part of a still, enlarged or shrunk, that displayed-picture px can be drawn on.

    Attributes
    ----------
    canvas : (H, W, 3) uint8, drawn on in place.
    zoom : canvas px per px of the displayed picture.
    left, top : displayed-picture px shown at the canvas's upper left corner.
    """

    canvas: U8
    zoom: float
    left: float
    top: float

    @classmethod
    def onto(cls, still: StillPicture, box: Box, height: int) -> Window:
        """Show a box of the displayed picture at a given canvas height; grey beyond its edge."""
        x0, y0 = round(box.left * still.scale), round(box.top * still.scale)
        x1 = max(x0 + 2, round((box.left + box.width) * still.scale))
        y1 = max(y0 + 2, round((box.top + box.height) * still.scale))
        inside = still.bgr[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)]
        piece = np.full((y1 - y0, x1 - x0, 3), 90, np.uint8)
        if inside.size:
            top, left = max(0, -y0), max(0, -x0)
            piece[top : top + inside.shape[0], left : left + inside.shape[1]] = inside
        size = (max(2, round(height * (x1 - x0) / (y1 - y0))), height)
        shrinks = height < y1 - y0
        way = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
        canvas = np.ascontiguousarray(cv2.resize(piece, size, interpolation=way), dtype=np.uint8)
        return cls(
            canvas,
            zoom=height / (y1 - y0) * still.scale,
            left=x0 / still.scale,
            top=y0 / still.scale,
        )

    def place(self, points_px: npt.ArrayLike) -> F64:
        """Canvas px (N, 2) of displayed-picture px; pixel centres are whole numbers in both."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        placed: F64 = (points + 0.5 - [self.left, self.top]) * self.zoom - 0.5
        return placed

    def spot(self, x_px: float, y_px: float) -> Spot:
        """Canvas px of one point."""
        x, y = self.place([(x_px, y_px)])[0]
        return float(x), float(y)


def side_by_side(
    tiles: Sequence[U8], *, top: int, height: int, gap: int, least_width: int = 0
) -> U8:
    """Put tiles in a row on dark ground, with a gap before, between and after them.

    Parameters
    ----------
    tiles : (h, w, 3) each, h at most ``height``.
    top : rows left free above them; gap : columns between them and rows below, px.
    """
    width = max(least_width, sum(tile.shape[1] for tile in tiles)) + gap * (len(tiles) + 1)
    row = np.full((top + height + gap, width, 3), INK, np.uint8)
    left = gap
    for tile in tiles:
        row[top : top + tile.shape[0], left : left + tile.shape[1]] = tile
        left += tile.shape[1] + gap
    return row


def coded_picture(bgr: U8, suffix: str = ".jpg", quality: int = JPEG_QUALITY) -> bytes:
    """Code a picture as a file's bytes; the quality is JPEG's, 0..100.

    Raises
    ------
    OSError
        It cannot be coded.
    """
    # cv2.imwrite only says that it failed; writing the bytes ourselves says why.
    how = [cv2.IMWRITE_JPEG_QUALITY, quality] if suffix == ".jpg" else []
    done, coded = cv2.imencode(suffix, bgr, how)
    if not done:
        raise OSError(f"a picture could not be coded as {suffix}")
    return coded.tobytes()


def draw_line(canvas: U8, points: F64, colour: Colour, width: int = 2, rim: int = 2) -> None:
    """Draw a line through canvas points (N, 2), with a dark rim; gaps where a point is NaN."""
    for part in _finite_runs(points):
        fixed = [np.round(part * _ONE).astype(np.int32)]
        for tint, thick in ((INK, width + 2 * rim), (colour, width)):
            if thick > 0:
                cv2.polylines(canvas, fixed, False, tint, thick, cv2.LINE_AA, _SHIFT)


def draw_dots(canvas: U8, points: F64, colour: Colour, radius: float = 2.0) -> None:
    """Draw a dot at each canvas point (N, 2)."""
    for x, y in points[np.isfinite(points).all(axis=1)]:
        draw_disc(canvas, (float(x), float(y)), radius + 1.0, INK)
        draw_disc(canvas, (float(x), float(y)), radius, colour)


def draw_disc(canvas: U8, spot: Spot, radius: float, colour: Colour) -> None:
    """Fill a disc."""
    cv2.circle(canvas, _fixed(spot), round(radius * _ONE), colour, -1, cv2.LINE_AA, _SHIFT)


def draw_ring(
    canvas: U8, spot: Spot, radius: float, colour: Colour, *, dashed: bool = False
) -> None:
    """Outline a disc; dashed for what is expected rather than measured."""
    radius = max(radius, 2.0)
    if not dashed:
        for tint, thick in ((INK, 4), (colour, 2)):
            cv2.circle(canvas, _fixed(spot), round(radius * _ONE), tint, thick, cv2.LINE_AA, _SHIFT)
        return
    for start_deg in range(0, 360, 45):
        angles = np.deg2rad(np.linspace(start_deg, start_deg + 25, 6))
        arc = np.column_stack(
            [spot[0] + radius * np.cos(angles), spot[1] + radius * np.sin(angles)]
        )
        draw_line(canvas, arc, colour, 2, 1)


def draw_marker(canvas: U8, spot: Spot, letter: str, size: float) -> None:
    """Point at a marker's base from below with a triangle and a letter."""
    if not np.isfinite(spot).all():
        return
    x, y = spot
    corners = np.array([(x, y), (x - size / 2, y + size), (x + size / 2, y + size)])
    fixed = [np.round(corners * _ONE).astype(np.int32)]
    cv2.fillPoly(canvas, fixed, YELLOW, cv2.LINE_AA, _SHIFT)
    cv2.polylines(canvas, fixed, True, INK, 2, cv2.LINE_AA, _SHIFT)
    write_text(canvas, (x, y + 1.1 * size), letter, 1.1 * size, anchor="middle top")


def draw_call(canvas: U8, spot: Spot, call: Call, size: float) -> None:
    """Draw a call's own shape: make a disc, miss a cross, unsure a diamond with a question mark."""
    x, y = spot
    half = size / 2
    colour = CALL_COLOURS[call]
    if call is Call.MAKE:
        draw_disc(canvas, spot, half + 2, INK)
        draw_disc(canvas, spot, half, colour)
    elif call is Call.MISS:
        for slope in (1, -1):
            ends = np.array([(x - half, y - slope * half), (x + half, y + slope * half)])
            draw_line(canvas, ends, colour, max(3, round(size / 5)), 2)
    else:
        corners = np.array([(x, y - half), (x + half, y), (x, y + half), (x - half, y)])
        fixed = [np.round(corners * _ONE).astype(np.int32)]
        cv2.fillPoly(canvas, fixed, colour, cv2.LINE_AA, _SHIFT)
        cv2.polylines(canvas, fixed, True, INK, 2, cv2.LINE_AA, _SHIFT)
        write_text(canvas, spot, "?", 0.72 * size, rim=None, anchor="middle middle", bold=True)


def write_text(
    canvas: U8,
    spot: Spot,
    text: str,
    size: float,
    *,
    colour: Colour = PAPER,
    rim: Colour | None = INK,
    anchor: str = "left top",
    bold: bool = False,
) -> float:
    """Write one line of text.

    Parameters
    ----------
    canvas : drawn on in place.
    spot : canvas px of the anchor.
    size : height of the letters' body, px.
    colour, rim : of the letters and round them (None for no rim).
    anchor : ``left``, ``middle`` or ``right``, then ``top`` or ``middle``.
    bold : heavier letters.

    Returns
    -------
    Width of the text, px.
    """
    mask = _text_mask(text, max(8, round(size)), bold)
    rows, columns = mask.shape
    across, down = anchor.split()
    x = round(spot[0] - {"left": 0.0, "middle": 0.5, "right": 1.0}[across] * columns)
    y = round(spot[1] - {"top": 0.0, "middle": 0.5}[down] * rows)
    if rim is not None:
        reach = max(3, round(size / 6) | 1)
        wide = cv2.dilate(
            cv2.copyMakeBorder(mask, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0),
            cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)),
        )
        _tint(canvas, np.asarray(wide, np.uint8), x - reach, y - reach, rim)
    _tint(canvas, mask, x, y, colour)
    return float(columns)


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width that `write_text` would need, px."""
    return float(_columns(text, _font(max(8, round(size)), bold)))


def fitted_text(text: str, size: float, room: float) -> str:
    """Shorten a text to the room there is, px, ending in an ellipsis."""
    if text_width(text, size) <= room:
        return text
    while text and text_width(text + "…", size) > room:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped_text(text: str, size: float, room: float) -> list[str]:
    """Break a text into lines that fit into the room there is, px; single words may not."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _tint(canvas: U8, mask: U8, x: int, y: int, colour: Colour) -> None:
    rows, columns = mask.shape
    top, left = max(0, y), max(0, x)
    bottom, right = min(canvas.shape[0], y + rows), min(canvas.shape[1], x + columns)
    if top >= bottom or left >= right:
        return
    share = mask[top - y : bottom - y, left - x : right - x, None].astype(np.float32) / 255
    under = canvas[top:bottom, left:right].astype(np.float32)
    blended = under + (np.array(colour, np.float32) - under) * share
    canvas[top:bottom, left:right] = np.round(blended).astype(np.uint8)


def _text_mask(text: str, size: int, bold: bool) -> U8:
    from PIL import Image, ImageDraw

    font = _font(size, bold)
    ascent, descent = font.getmetrics()
    picture = Image.new("L", (_columns(text, font), ascent + descent), 0)
    ImageDraw.Draw(picture).text((1, 0), text, fill=255, font=font)
    return np.array(picture, dtype=np.uint8)


def _columns(text: str, font: FreeTypeFont) -> int:
    return max(1, round(font.getlength(text)) + 2)


@cache
def _font(size: int, bold: bool) -> FreeTypeFont:
    # Matplotlib ships DejaVu Sans, so the letters are the same on every machine.
    import matplotlib as mpl
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / name), size)


def _fixed(spot: Spot) -> tuple[int, int]:
    return round(spot[0] * _ONE), round(spot[1] * _ONE)


def _finite_runs(points: F64) -> list[F64]:
    finite = np.isfinite(points).all(axis=1)
    edges = np.flatnonzero(np.diff(finite.astype(np.int8))) + 1
    parts = np.split(points, edges)
    return [part for part in parts if len(part) > 1 and np.isfinite(part).all()]
