"""Corners of one picture, found again in another: whether the background stayed in place."""

from __future__ import annotations

from dataclasses import dataclass

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
_LEVELS = 3  # halvings
_STAYED = 0.012  # followed corners within this have stayed in place
_INLIER = 0.002
_MAX_MISFIT = 0.6  # unrelated noise gives 1.4, the square root of two
SURE_SUPPORT = 0.5  # of the corners, before a move is measured by them: clothes hold fewer
_MIN_CORNERS = 6
_MIN_CELLS = 3
_CONTRAST = 10.0  # levels; mean deviation that the flattened picture is brought to
_MAX_GAIN = 4.0  # beyond it a dull picture's noise would pass for corners


@dataclass(frozen=True, slots=True)
class Match:
    """The motion that most of the picture followed since the reference.

    Attributes
    ----------
    motion : (2, 3) similarity from reference to now, units of the longer side.
    low, high : (2,) the box that the supporting corners span, shares of the longer side; the
        motion is known there and only guessed beyond.
    has_stayed : the corners did so within about a hundredth of the longer side.
    support : share of the reference's corners that agree with it.
    """

    motion: F64
    low: F64
    high: F64
    has_stayed: bool
    support: float


@dataclass(frozen=True, slots=True)
class Corners:
    """The corners of a reference picture, spread over it so that no one thing owns them all.

    Attributes
    ----------
    points : (n, 2) float32 px.
    contrasts : (n,) float32, mean deviation within each corner's patch, levels.
    cells : (n,) which cell of the picture each lies in.
    flat : (h, w) the picture, its brightness evened out.
    long_side_px : longer side of the picture.
    """

    points: F32
    contrasts: F32
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
        points: F32 = np.zeros((0, 2), np.float32)
        if found is not None:
            points = np.asarray(found.reshape(-1, 2), dtype=np.float32)
        side = long_side_px / _CELLS_ACROSS
        at = (points // side).astype(np.intp)
        cells = at[:, 1] * (_CELLS_ACROSS + 1) + at[:, 0]
        kept: list[int] = []
        used: dict[int, int] = {}
        for index, cell in enumerate(cells.tolist()):  # strongest first
            used[cell] = used.get(cell, 0) + 1
            if used[cell] <= _CORNERS_PER_CELL:
                kept.append(index)
        points = np.asarray(points[kept], dtype=np.float32)
        window = _window_px(long_side_px)
        deviation = cv2.blur(cv2.absdiff(flat, np.full_like(flat, 128)), (window, window))
        column, row = points.astype(np.intp).T
        return cls(
            points,
            deviation[row, column].astype(np.float32),
            cells[kept],
            flat,
            long_side_px,
        )

    def match(self, luma: U8) -> Match | None:
        """Compare a picture of the same size; None where too little can be followed."""
        if len(self.points) < _MIN_CORNERS:
            return None
        now = _flatten(luma)
        match = self._follow(now, np.zeros(2))
        if match is not None and (match.has_stayed or match.support >= SURE_SUPPORT):
            return match
        shift_px = _coarse_shift_px(self.flat, now)
        if np.abs(shift_px).max() < _STAYED * self.long_side_px:
            return match
        other = self._follow(now, shift_px)
        if match is None or (other is not None and other.support > match.support):
            return other
        return match

    def _follow(self, now: U8, shift_px: F64) -> Match | None:
        """Follow the corners into a flattened picture, searching from shifted places."""
        side = _window_px(self.long_side_px)
        there, status, error = cv2.calcOpticalFlowPyrLK(
            self.flat,
            now,
            self.points,
            self.points + shift_px.astype(np.float32),
            winSize=(side, side),
            maxLevel=_LEVELS,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 10, 0.03),
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )
        # Any patch is "found" somewhere; one that differs by much of its own contrast is not it.
        followed = (status.ravel() > 0) & (error.ravel() < _MAX_MISFIT * self.contrasts)
        before = self.points[followed].astype(np.float64) / self.long_side_px
        after = there.reshape(-1, 2)[followed].astype(np.float64) / self.long_side_px
        cells = self.cells[followed]
        if len(before) < _MIN_CORNERS:
            return None
        stayed = np.linalg.norm(after - before, axis=1) < _STAYED
        if np.count_nonzero(stayed) >= _MIN_CORNERS:
            stayed = _agreeing(before, after, stayed)
        together = stayed
        if _count_cells(cells, stayed) * 2 < len(np.unique(cells)):
            moved = _moving_together(before, after)
            if _count_cells(cells, moved) > _count_cells(cells, stayed):
                together = moved
        if np.count_nonzero(together) < _MIN_CORNERS or _count_cells(cells, together) < _MIN_CELLS:
            return None
        return Match(
            motion=_similarity(before[together], after[together]),
            low=before[together].min(axis=0),
            high=before[together].max(axis=0),
            has_stayed=together is stayed,
            support=float(np.count_nonzero(together) / len(self.points)),
        )


def _count_cells(cells: npt.NDArray[np.intp], chosen: npt.NDArray[np.bool_]) -> int:
    return len(np.unique(cells[chosen]))


def _coarse_shift_px(before: U8, after: U8) -> F64:
    """Estimate one shift of the whole picture, however large.

    Phase correlation (Kuglin & Hines 1975) on quarter-size pictures.
    """
    height, width = before.shape
    size = (width // 4, height // 4)
    small = [
        cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        for picture in (before, after)
    ]
    (dx, dy), _ = cv2.phaseCorrelate(small[0], small[1], cv2.createHanningWindow(size, cv2.CV_32F))
    return np.array([dx * width / size[0], dy * height / size[1]])


def _moving_together(before: F64, after: F64) -> npt.NDArray[np.bool_]:
    """Find the largest group of corners that one similarity explains."""
    found, inliers = cv2.estimateAffinePartial2D(
        before, after, method=cv2.RANSAC, ransacReprojThreshold=_INLIER, maxIters=300
    )
    if found is None:
        return np.zeros(len(before), dtype=np.bool_)
    return np.asarray(inliers.ravel() > 0, dtype=np.bool_)


def _agreeing(before: F64, after: F64, among: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Of the corners in ``among``, keep those that follow one similarity together."""
    shift = after - before
    middle = np.median(shift[among], axis=0)
    kept = among & (np.linalg.norm(shift - middle, axis=1) < _STAYED / 2)
    for _ in range(2):
        if np.count_nonzero(kept) < 3:
            break
        motion = _similarity(before[kept], after[kept])
        residual = after - (before @ motion[:, :2].T + motion[:, 2])
        kept = among & (np.linalg.norm(residual, axis=1) < _INLIER)
    return np.asarray(kept, dtype=np.bool_)


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


def displacement_over(low: F64, high: F64, motion: F64) -> float:
    """How far a motion takes a box: root mean square over a 3 x 3 grid.

    Parameters
    ----------
    low, high : (2,) opposite corners of the box, shares of the longer side.
    motion : (2, 3) similarity in those units.
    """
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
