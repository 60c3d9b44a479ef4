"""The last seconds of a clip at reduced size, for evidence pictures, in bounded memory."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from dataclasses import dataclass

from shoegoal.clip.frame import U8, ColourMatrix, Frame, planes_to_bgr
from shoegoal.clip.reduced import Halvings

DEFAULT_SPAN_S = 5.0
DEFAULT_BUDGET_BYTES = 210_000_000  # 5 s of 30 pictures a second, 1280 x 720
MAX_WIDTH_PX = 1280
MOST_HZ = 52.0  # of pictures at a higher rate, some are left out
_FALLBACK_RATE_HZ = 60.0  # where a clip declares no rate; rather small pictures than too few
_BYTES_PER_PIXEL = 1.5  # 4:2:0
_REACH_S = 0.5  # a still further than this from the time asked for will not do


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """A reduced picture.

    Attributes
    ----------
    time_s : presentation time of the frame it was made from.
    luma : (h, w) uint8.
    chroma_u, chroma_v : (h/2, w/2) uint8.
    scale : pixels of the still per native pixel.
    full_range, matrix : see `Frame`.
    """

    time_s: float
    luma: U8
    chroma_u: U8
    chroma_v: U8
    scale: float
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
    width_px, height_px : size of the frames; the stills are a half of it, a quarter, and so on.
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
        count = span_s * min(rate_hz or _FALLBACK_RATE_HZ, MOST_HZ) + 1
        self._halvings = 0
        self.width_px, self.height_px = width_px, height_px
        while self.width_px > MAX_WIDTH_PX or (
            count * _BYTES_PER_PIXEL * self.width_px * self.height_px > budget_bytes
        ):
            self._halvings += 1
            self.width_px, self.height_px = self.width_px // 2, self.height_px // 2
        self._stills: deque[Still] = deque()
        self._size_bytes = 0

    def __len__(self) -> int:
        return len(self._stills)

    @property
    def size_bytes(self) -> int:
        """Memory held by the stills' planes."""
        return self._size_bytes

    def add(self, frame: Frame, halvings: Halvings) -> None:
        """Keep a halving of a frame as its still, and drop those beyond the span or the budget.

        The still shares the frame's memory or its halving's: nothing is copied.
        """
        if self._stills and frame.time_s - self._stills[-1].time_s < 1 / MOST_HZ:
            return
        planes = halvings.at(self._halvings)
        scale = 0.5**self._halvings
        still = Still(frame.time_s, *planes, scale, frame.full_range, frame.matrix)
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
