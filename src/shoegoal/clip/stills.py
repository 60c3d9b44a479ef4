"""The last seconds of a clip at reduced size, for evidence pictures, in bounded memory."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from dataclasses import dataclass
from math import ceil, sqrt

from shoegoal.clip.frame import U8, ColourMatrix, Frame, planes_to_bgr
from shoegoal.clip.reduce import reduce_plane, reduction_scale

DEFAULT_SPAN_S = 5.0
DEFAULT_BUDGET_BYTES = 120_000_000
MAX_WIDTH_PX = 1280
_FALLBACK_RATE_HZ = 60.0  # where a clip declares no rate: better small pictures than too few
_BYTES_PER_PIXEL = 1.5  # 4:2:0
_SNAP = 0.9  # of the width may be given up
_REACH_S = 0.5  # a still farther than this from the time asked for is no answer


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """A reduced picture.

    Attributes
    ----------
    time_s : presentation time of the frame it was made from.
    luma : (h, w) uint8.
    chroma_u, chroma_v : (h/2, w/2) uint8.
    scale : pixels of the still per native pixel, along x and along y.
    full_range, matrix : see `Frame`.
    """

    time_s: float
    luma: U8
    chroma_u: U8
    chroma_v: U8
    scale: tuple[float, float]
    full_range: bool
    matrix: ColourMatrix

    @property
    def size_bytes(self) -> int:
        """Memory held by the planes."""
        return self.luma.nbytes + self.chroma_u.nbytes + self.chroma_v.nbytes

    def bgr(self) -> U8:
        """Return the picture as (h, w, 3) uint8 blue-green-red, worked out anew at each call."""
        return planes_to_bgr(
            self.luma, self.chroma_u, self.chroma_v, full_range=self.full_range, matrix=self.matrix
        )


class StillRing:
    """Keeps the stills of the last seconds; add every frame in order of time.

    Parameters
    ----------
    width_px, height_px : size of the frames to come.
    rate_hz : expected frames per second, None when unknown; sets the stills' size only.
    span_s : how far back stills are kept.
    budget_bytes : never exceeded; where frames come faster than ``rate_hz`` the span shortens.
    """

    def __init__(
        self,
        width_px: int,
        height_px: int,
        rate_hz: float | None,
        *,
        span_s: float = DEFAULT_SPAN_S,
        budget_bytes: int = DEFAULT_BUDGET_BYTES,
    ) -> None:
        if width_px < 1 or height_px < 1 or span_s <= 0 or budget_bytes <= 0:
            raise ValueError("sizes, span and budget must be positive")
        self._span_s = span_s
        self._budget_bytes = budget_bytes
        count = span_s * (rate_hz or _FALLBACK_RATE_HZ) + 1
        affordable = sqrt(budget_bytes / (count * _BYTES_PER_PIXEL * width_px * height_px))
        factor = min(1.0, MAX_WIDTH_PX / width_px, affordable)
        whole = 1 / ceil(1 / factor - 1e-9)
        if whole > _SNAP * factor:  # whole blocks are cheaper to reduce by and look cleaner
            factor = whole
        # Even sizes, rounded down, so that chroma is exactly half and the budget holds.
        self.width_px = max(2, int(width_px * factor) // 2 * 2)
        self.height_px = max(2, int(height_px * factor) // 2 * 2)
        self._stills: deque[Still] = deque()
        self._size_bytes = 0

    def __len__(self) -> int:
        return len(self._stills)

    @property
    def size_bytes(self) -> int:
        """Memory held by the stills' planes."""
        return self._size_bytes

    def add(self, frame: Frame) -> None:
        """Keep a frame's still and let go of those past the span or the budget."""
        height, width = frame.luma.shape
        still = Still(
            frame.time_s,
            reduce_plane(frame.luma, self.width_px, self.height_px),
            reduce_plane(frame.chroma_u, self.width_px // 2, self.height_px // 2),
            reduce_plane(frame.chroma_v, self.width_px // 2, self.height_px // 2),
            reduction_scale(width, height, self.width_px, self.height_px),
            frame.full_range,
            frame.matrix,
        )
        self._stills.append(still)
        self._size_bytes += still.size_bytes
        while len(self._stills) > 1 and (
            self._size_bytes > self._budget_bytes
            or self._stills[0].time_s < frame.time_s - self._span_s
        ):
            self._size_bytes -= self._stills.popleft().size_bytes

    def at(self, time_s: float) -> Still | None:
        """Return the still nearest in time; None before the oldest or more than 0.5 s off."""
        if not self._stills or time_s < self._stills[0].time_s - 1e-6:
            return None
        after = bisect_left(self._stills, time_s, key=lambda still: still.time_s)
        near = [self._stills[i] for i in (after - 1, after) if 0 <= i < len(self._stills)]
        nearest = min(near, key=lambda still: abs(still.time_s - time_s))
        return nearest if abs(nearest.time_s - time_s) <= _REACH_S else None
