"""Corners of one picture, found again in another: whether the background stayed in place."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

_CELLS_ACROSS = 8  # along the longer side
_CORNERS_PER_CELL = 3
_MAX_FOUND = 400
_QUALITY = 0.005
_WINDOW = 0.024  # side of the patch that is followed, as a share of the longer side
_LEVELS = 2
_STAYED = 0.012  # followed corners within this have stayed in place
_INLIER = 0.002
_MIN_CORNERS = 6
_MIN_CELLS = 3
_CONTRAST = 10.0  # levels; mean deviation that the flattened picture is brought to
_MAX_GAIN = 4.0  # beyond it a dull picture's noise would pass for corners


class MatchKind(StrEnum):
    """How a picture compares with the reference."""

    STAYED = "stayed"
    MOVED = "moved"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Match:
    """A comparison with the reference picture.

    Attributes
    ----------
    displacement : root mean square over the supporting corners' area, share of the longer side.
    motion : (2, 3) similarity from reference to now, units of the longer side; None if unknown.
    support : share of the reference's corners that agree with it.
    """

    kind: MatchKind
    displacement: float
    motion: F64 | None
    support: float


@dataclass(frozen=True, slots=True)
class Corners:
    """The corners of a reference picture, spread over it so that no one thing owns them all.

    Attributes
    ----------
    points : (n, 2) float32 px.
    cells : (n,) which cell of the picture each lies in.
    flat : (h, w) the picture, its brightness evened out.
    long_side_px : longer side of the picture.
    """

    points: F32
    cells: npt.NDArray[np.intp]
    flat: U8
    long_side_px: int

    @classmethod
    def of(cls, luma: U8) -> Corners:
        """Find corners in a (h, w) uint8 picture."""
        flat = _flatten(luma)
        long_side_px = max(luma.shape)
        gap_px = max(4.0, long_side_px / 60)
        found = cv2.goodFeaturesToTrack(flat, _MAX_FOUND, _QUALITY, gap_px, blockSize=5)
        points = np.zeros((0, 2), np.float32) if found is None else found.reshape(-1, 2)
        side = long_side_px / _CELLS_ACROSS
        at = (points // side).astype(np.intp)
        cells = at[:, 1] * (_CELLS_ACROSS + 1) + at[:, 0]
        kept: list[int] = []
        used: dict[int, int] = {}
        for index, cell in enumerate(cells.tolist()):  # strongest first
            used[cell] = used.get(cell, 0) + 1
            if used[cell] <= _CORNERS_PER_CELL:
                kept.append(index)
        return cls(
            np.ascontiguousarray(points[kept], dtype=np.float32),
            cells[kept],
            flat,
            long_side_px,
        )

    def match(self, luma: U8) -> Match:
        """Compare a picture of the same size with the reference."""
        unclear = Match(MatchKind.UNCLEAR, 0.0, None, 0.0)
        if len(self.points) < _MIN_CORNERS:
            return unclear
        side = _window_px(self.long_side_px)
        there, status, _ = cv2.calcOpticalFlowPyrLK(
            self.flat,
            _flatten(luma),
            self.points,
            self.points.copy(),
            winSize=(side, side),
            maxLevel=_LEVELS,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 10, 0.03),
        )
        followed = status.ravel() > 0
        before = self.points[followed].astype(np.float64) / self.long_side_px
        after = there.reshape(-1, 2)[followed].astype(np.float64) / self.long_side_px
        cells = self.cells[followed]
        if len(before) < _MIN_CORNERS:
            return unclear
        stayed = np.linalg.norm(after - before, axis=1) < _STAYED
        if np.count_nonzero(stayed) >= 3:
            stayed = _agreeing(before, after, stayed)
        stayed_cells = len(np.unique(cells[stayed]))
        if stayed_cells * 2 < len(np.unique(cells)):
            moved = self._match_moved(before, after, cells, stayed_cells)
            if moved is not None:
                return moved
        if np.count_nonzero(stayed) < _MIN_CORNERS or stayed_cells < _MIN_CELLS:
            return unclear
        motion = _similarity(before[stayed], after[stayed])
        return Match(
            MatchKind.STAYED,
            _displacement(before[stayed], motion),
            motion,
            np.count_nonzero(stayed) / len(self.points),
        )

    def _match_moved(
        self, before: F64, after: F64, cells: npt.NDArray[np.intp], stayed_cells: int
    ) -> Match | None:
        """Look for one motion that more of the picture follows than stayed in place."""
        found, inliers = cv2.estimateAffinePartial2D(
            before, after, method=cv2.RANSAC, ransacReprojThreshold=_INLIER, maxIters=300
        )
        if found is None:
            return None
        motion = np.asarray(found, dtype=np.float64)
        agree = inliers.ravel() > 0
        moved_cells = len(np.unique(cells[agree]))
        displacement = _displacement(before[agree], motion)
        if (
            np.count_nonzero(agree) < _MIN_CORNERS
            or moved_cells <= max(stayed_cells, _MIN_CELLS)
            or displacement < _STAYED
        ):
            return None
        share = np.count_nonzero(agree) / len(self.points)
        return Match(MatchKind.MOVED, displacement, motion, share)


def _agreeing(before: F64, after: F64, among: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Of the corners in ``among``, keep those that move as their middle does."""
    shift = after - before
    middle = np.median(shift[among], axis=0)
    return np.asarray(among & (np.linalg.norm(shift - middle, axis=1) < 2 * _INLIER))


def _similarity(before: F64, after: F64) -> F64:
    """Least squares similarity (turn, scale, shift) as (2, 3).

    Horn 1987 (closed-form absolute orientation), in two dimensions with complex numbers.
    """
    start, end = before @ np.array([1, 1j]), after @ np.array([1, 1j])
    centre, moved = start.mean(), end.mean()
    spread = float(np.sum(np.abs(start - centre) ** 2))
    turn = np.sum(np.conj(start - centre) * (end - moved)) / spread if spread > 0 else 1.0 + 0j
    shift = moved - turn * centre
    return np.array([[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag]])


def _displacement(points: F64, motion: F64) -> float:
    """How far a motion takes the box that the points span: root mean square over a 3 x 3 grid."""
    low, high = points.min(axis=0), points.max(axis=0)
    xs, ys = np.linspace(low[0], high[0], 3), np.linspace(low[1], high[1], 3)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    moved = grid @ motion[:, :2].T + motion[:, 2]
    return float(np.sqrt(np.mean(np.sum((moved - grid) ** 2, axis=1))))


def _flatten(luma: U8) -> U8:
    """Take out slow brightness changes and bring the contrast to one level.

    Following patches takes equal brightness for granted, which lamps and auto exposure break.
    """
    side = max(luma.shape) // 40 * 2 + 1
    mean = cv2.blur(luma, (side, side))
    contrast = cv2.mean(cv2.absdiff(luma, mean))[0]
    gain = min(_MAX_GAIN, _CONTRAST / max(contrast, 1e-6))
    return np.asarray(cv2.addWeighted(luma, gain, mean, -gain, 128.0), dtype=np.uint8)


def _window_px(long_side_px: int) -> int:
    return max(7, round(long_side_px * _WINDOW) // 2 * 2 + 1)
