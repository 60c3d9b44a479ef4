"""One picture of a clip: 8-bit 4:2:0 planes at their native size, turned as they are displayed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import atan2, degrees
from typing import TypeVar, cast

import av
import cv2
import numpy as np
import numpy.typing as npt
from av.sidedata.sidedata import SideData
from av.sidedata.sidedata import Type as SideDataType
from av.video.plane import VideoPlane
from av.video.reformatter import ColorRange

from shoegoal.errors import ClipNotJudgeableError

U8 = npt.NDArray[np.uint8]
_Sample = TypeVar("_Sample", np.uint8, np.uint16)
_PLANAR_8 = ("yuv420p", "yuvj420p")
_PLANAR_10 = "yuv420p10le"
_SQUARE_TOLERANCE = 0.002
_MOST_ASPECT = 4.0  # tape cameras went up to two
_LEAST_SIDE_PX = 32
_HD_HEIGHT_PX = 720  # untagged video: BT.709 from here up, BT.601 below (common practice)


class ColourMatrix(StrEnum):
    """Which published matrix the chroma planes were made with."""

    BT601 = "bt601"
    BT709 = "bt709"
    BT2020 = "bt2020"


# Luma weights of red and blue. ITU-R BT.601-7 2.5.1, BT.709-6 3.2, BT.2020-2 table 4.
_RED_BLUE_WEIGHTS = {
    ColourMatrix.BT601: (0.299, 0.114),
    ColourMatrix.BT709: (0.2126, 0.0722),
    ColourMatrix.BT2020: (0.2627, 0.0593),
}


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A decoded picture, already turned the way it is displayed.

    Attributes
    ----------
    time_s : presentation time, pts x time_base; not shifted to start at 0.
    luma : (H, W) uint8, read-only.
    chroma_u, chroma_v : (ceil(H/2), ceil(W/2)) uint8, read-only.
    index : count of the pictures handed out before this one; never a measure of time.
    full_range : luma spans 0..255 when True, 16..235 when False.
    matrix : how the chroma turns into colour.
    """

    time_s: float
    luma: U8
    chroma_u: U8
    chroma_v: U8
    index: int = 0
    full_range: bool = False
    matrix: ColourMatrix = ColourMatrix.BT709

    @property
    def planes(self) -> tuple[U8, U8, U8]:
        """(luma, u, v) together."""
        return self.luma, self.chroma_u, self.chroma_v

    def bgr(self) -> U8:
        """Return the picture as (H, W, 3) uint8 blue-green-red, converted at each call."""
        return planes_to_bgr(
            self.luma, self.chroma_u, self.chroma_v, full_range=self.full_range, matrix=self.matrix
        )


def planes_to_bgr(
    luma: U8, chroma_u: U8, chroma_v: U8, *, full_range: bool, matrix: ColourMatrix
) -> U8:
    """Turn planes into blue-green-red.

    Parameters
    ----------
    luma : (H, W) uint8.
    chroma_u, chroma_v : uint8, any smaller size; stretched to the luma's.
    full_range : see `Frame`.
    matrix : see `Frame`.

    Returns
    -------
    (H, W, 3) uint8. The inverse of the equations of ITU-R BT.709-6 section 3 (and its siblings).
    """
    height, width = luma.shape
    wide_u = cv2.resize(chroma_u, (width, height), interpolation=cv2.INTER_LINEAR)
    wide_v = cv2.resize(chroma_v, (width, height), interpolation=cv2.INTER_LINEAR)
    picture = cv2.transform(cv2.merge([luma, wide_u, wide_v]), _yuv_to_bgr(full_range, matrix))
    return np.asarray(picture, dtype=np.uint8)


def _yuv_to_bgr(full_range: bool, matrix: ColourMatrix) -> npt.NDArray[np.float32]:
    red, blue = _RED_BLUE_WEIGHTS[matrix]
    green = 1.0 - red - blue
    luma_gain, chroma_gain, black = (1.0, 1.0, 0.0) if full_range else (255 / 219, 255 / 224, 16.0)
    to_blue = 2.0 * (1.0 - blue) * chroma_gain
    to_red = 2.0 * (1.0 - red) * chroma_gain
    rows = np.array(
        [
            [luma_gain, to_blue, 0.0],
            [luma_gain, -blue / green * to_blue, -red / green * to_red],
            [luma_gain, 0.0, to_red],
        ]
    )
    offset = -rows @ np.array([black, 128.0, 128.0])
    return np.hstack([rows, offset[:, None]]).astype(np.float32)


# ITU-T H.273 table 4: the codes of MatrixCoefficients that phones and cameras write.
_MATRICES = {
    1: ColourMatrix.BT709,
    5: ColourMatrix.BT601,
    6: ColourMatrix.BT601,
    9: ColourMatrix.BT2020,
}


@dataclass(frozen=True, slots=True)
class Turn:
    """How stored pictures become displayed ones: transpose first, then flip.

    Attributes
    ----------
    transpose : rows become columns.
    flip_rows, flip_columns : upside down, left to right (after transposing).
    is_exact : the file asks for nothing finer than quarter turns and mirroring.
    """

    transpose: bool = False
    flip_rows: bool = False
    flip_columns: bool = False
    is_exact: bool = True

    @property
    def is_mirrored(self) -> bool:
        """Whether the displayed picture is a mirror image of the stored one."""
        return self.transpose ^ self.flip_rows ^ self.flip_columns

    @property
    def rotation_deg(self) -> int:
        """Clockwise turn from stored to displayed, 0/90/180/270, after any left-right mirroring."""
        if self.transpose:
            return 90 if self.flip_columns else 270
        return 180 if self.flip_rows else 0

    def apply(self, plane: U8) -> U8:
        """Turn one plane; the result owns its memory unless nothing had to be done."""
        if self.transpose:
            plane = np.asarray(cv2.transpose(plane), dtype=np.uint8)
        if self.flip_rows or self.flip_columns:
            code = -1 if self.flip_rows and self.flip_columns else int(self.flip_columns)
            plane = np.asarray(cv2.flip(plane, code), dtype=np.uint8)
        return plane


def turn_from_matrix(matrix: npt.NDArray[np.int32]) -> Turn:
    """Read a display matrix.

    Parameters
    ----------
    matrix : (9,) int32, a b u c d v x y w as in ISO/IEC 14496-12 section 6.2.2: a stored point
        (p, q) is displayed at (a p + c q + x, b p + d q + y); a..d in 16.16 fixed point.

    Returns
    -------
    Turn, the nearest of the eight quarter turns and mirrorings.
    """
    a, b, c, d = (float(v) / 65536 for v in matrix[[0, 1, 3, 4]])
    if a == b == c == d == 0:
        return Turn()
    angle_deg = degrees(atan2(b, a)) if (a, b) != (0.0, 0.0) else degrees(atan2(-c, d))
    is_exact = abs(angle_deg / 90 - round(angle_deg / 90)) < 1 / 90
    if abs(b) > abs(a):
        return Turn(True, flip_rows=b < 0, flip_columns=c < 0, is_exact=is_exact)
    return Turn(False, flip_rows=d < 0, flip_columns=a < 0, is_exact=is_exact)


@dataclass(frozen=True, slots=True)
class Layout:
    """How a stream's stored pictures are to be displayed.

    Attributes
    ----------
    turn : from stored to displayed.
    pixel_aspect : displayed width of a stored pixel over its height; 1.0 on phones.
    """

    turn: Turn = Turn()
    pixel_aspect: float = 1.0

    def displayed_size_px(self, raw: av.VideoFrame) -> tuple[int, int]:
        """Return (width, height) of the displayed picture."""
        width = round(raw.width * self.pixel_aspect)
        return (raw.height, width) if self.turn.transpose else (width, raw.height)

    def show(self, raw: av.VideoFrame) -> tuple[U8, U8, U8]:
        """Return read-only luma, u and v with square pixels, turned as displayed."""
        y, u, v = planes_of(raw)
        width = round(raw.width * self.pixel_aspect)
        return (
            self._show_plane(y, width),
            self._show_plane(u, (width + 1) // 2),
            self._show_plane(v, (width + 1) // 2),
        )

    def _show_plane(self, plane: U8, width_px: int) -> U8:
        if plane.shape[1] != width_px:  # the camera model downstream takes pixels as square
            stretched = cv2.resize(plane, (width_px, plane.shape[0]), interpolation=cv2.INTER_AREA)
            plane = np.asarray(stretched, dtype=np.uint8)
        plane = self.turn.apply(plane)
        plane.flags.writeable = False  # the decoder may still refer to this memory
        return plane


def layout_of(raw: av.VideoFrame, sample_aspect_ratio: Fraction | None) -> Layout:
    """Read how a stream's pictures are to be shown from its first picture."""
    # Reading side data costs about a millisecond a frame, and the matrix is the stream's: once.
    turn = Turn()
    for side_data in cast("Iterable[SideData]", raw.side_data):
        if side_data.type is SideDataType.DISPLAYMATRIX:
            turn = turn_from_matrix(np.frombuffer(bytes(side_data), dtype=np.int32, count=9))
    aspect = float(sample_aspect_ratio or 1)
    if aspect <= 0 or abs(aspect - 1.0) < _SQUARE_TOLERANCE:
        aspect = 1.0
    if not 1 / _MOST_ASPECT <= aspect <= _MOST_ASPECT:
        raise ClipNotJudgeableError(
            f"the file says that its pixels are {aspect:.3g} times as wide as they are high; "
            "no camera films so: export the clip again"
        )
    layout = Layout(turn, aspect)
    wide, high = layout.displayed_size_px(raw)
    if min(wide, high) < _LEAST_SIDE_PX:
        raise ClipNotJudgeableError(
            f"its pictures are {wide}x{high} pixels, too small to show anything: film again"
        )
    return layout


def is_full_range(frame: av.VideoFrame) -> bool:
    """Whether luma spans 0..255 (else 16..235)."""
    return frame.color_range == ColorRange.JPEG or frame.format.name.startswith("yuvj")


def matrix_of(frame: av.VideoFrame) -> ColourMatrix:
    """Return the frame's colour matrix; guessed from its height where the file names none."""
    guess = ColourMatrix.BT709 if frame.height >= _HD_HEIGHT_PX else ColourMatrix.BT601
    return _MATRICES.get(int(frame.colorspace), guess)


def planes_of(frame: av.VideoFrame) -> tuple[U8, U8, U8]:
    """Return luma, u and v as stored, 8 bit, chroma at half size.

    Plain 4:2:0 comes as views that keep the decoder's buffer alive; 10-bit 4:2:0 is rounded to
    8 bit; everything else goes through one conversion. Full range stays full range.
    """
    name = frame.format.name
    if any(plane.line_size <= 0 for plane in frame.planes):
        name = ""  # bottom-up buffers: let the converter lay them out
    if name in _PLANAR_8:
        y, u, v = (_view(plane, np.uint8) for plane in frame.planes)
        return y, u, v
    if name == _PLANAR_10:
        y, u, v = (
            np.asarray(cv2.convertScaleAbs(_view(plane, np.uint16), alpha=0.25), dtype=np.uint8)
            for plane in frame.planes
        )
        return y, u, v
    wanted = "yuvj420p" if is_full_range(frame) else "yuv420p"
    y, u, v = (_view(plane, np.uint8) for plane in frame.reformat(format=wanted).planes)
    return y, u, v


def _view(plane: VideoPlane, kind: type[_Sample]) -> npt.NDArray[_Sample]:
    samples: npt.NDArray[_Sample] = np.frombuffer(memoryview(plane), dtype=kind)
    return samples.reshape(plane.height, -1)[:, : plane.width]
