"""One picture of a clip, as displayed: luma and chroma planes at their native size."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]


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
        """(luma, u, v) in one go."""
        return self.luma, self.chroma_u, self.chroma_v

    def bgr(self) -> U8:
        """Return the picture as (H, W, 3) uint8 blue-green-red, worked out anew at each call."""
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
