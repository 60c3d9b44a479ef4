"""Is the camera still? Followed on corners of the background, a few times a second.

Corners of one picture are found again in another. All lengths are shares of the picture's longer
side. The limits were chosen from measurements on real clips: locked cameras stay within 0.002, one
on soft ground drifts to 0.006, hand-held, panned and dollied ones leave 0.02 within 0.2 s.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.clock import clock_text

F64 = npt.NDArray[np.float64]

STILL_LIMIT = 0.003  # a seventh of a size-5 ball beside a 2 m goal that fills a fifth of the view
NEARLY_STILL_LIMIT = 0.01
_SAMPLE_EVERY_S = 0.2
_MIN_SPAN_S = 1.0
_HANDLING_S = 4.0  # starting and stopping the recording shakes the phone
_BUMPED_MIN_STILL_SHARE = 0.7
_UNCLEAR_SHARE = 0.5
_GIVE_UP_AFTER_S = 2.0  # without anything to follow: start again from the current picture
_THIN_SUPPORT = 0.4  # of the corners that a reference began with
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
_CELLS_ACROSS = 8  # along the longer side
_CORNERS_PER_CELL = 3
_MAX_FOUND = 400
_QUALITY = 0.005
_WINDOW = 0.024  # side of the patch that is followed, as a share of the longer side
_LEVELS = 3  # halvings
_STAYED = 0.012  # followed corners within this have stayed in place
_INLIER = 0.002
_MAX_MISFIT = 0.6  # unrelated noise gives the square root of two
SURE_SUPPORT = 0.5  # of the corners before they measure a move: clothes hold fewer
_MIN_CORNERS = 6
_MIN_CELLS = 3
_CONTRAST = 10.0  # levels; mean deviation that the flattened picture is brought to
_MAX_GAIN = 4.0  # beyond it, noise in a dull picture would pass for corners


class Stillness(StrEnum):
    """What the camera did, from best to worst."""

    STILL = "still"
    NEARLY_STILL = "nearly still"
    BUMPED = "bumped"
    MOVING = "moving"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class StillSpan:
    """A stretch of time over which the camera kept its place.

    Attributes
    ----------
    start_s, end_s : presentation times of its first and last sample.
    displacement : the farthest it strayed, as a share of the longer side.
    """

    start_s: float
    end_s: float
    displacement: float


@dataclass(frozen=True, slots=True)
class Sample:
    """The camera at one time.

    Attributes
    ----------
    time_s : presentation time.
    displacement : from where the running span began, as a share of the longer side; None where
        too little background was seen.
    registration : (2, 3) similarity from picture points at the clip's first sample to points now,
        in units of the longer side; None where the connection to the first sample was lost.
    """

    time_s: float
    displacement: float | None
    registration: F64 | None


@dataclass(frozen=True, slots=True)
class StillnessReport:
    """How still the camera was.

    Attributes
    ----------
    verdict : STILL and NEARLY_STILL allow for handling at the very start and end; outside of
        ``spans`` nothing may be judged. NEARLY_STILL asks for `registration_px`.
    spans : the still stretches, in order of time.
    bumps_s : times at which the camera left its place between two spans.
    samples : every sample, in order of time.
    """

    verdict: Stillness
    spans: tuple[StillSpan, ...]
    bumps_s: tuple[float, ...]
    samples: tuple[Sample, ...]

    @property
    def message(self) -> str:
        """One line for a person: what happened and what to do."""
        if self.verdict is Stillness.STILL:
            return "the camera stood still"
        if self.verdict is Stillness.NEARLY_STILL:
            share = max(span.displacement for span in self.spans)
            return f"the camera stood nearly still (strayed by {share:.1%} of the picture)"
        if self.verdict is Stillness.BUMPED:
            times = ", ".join(clock_text(time_s) for time_s in self.bumps_s)
            return f"the camera was moved at {times}: look at the shots around that time"
        if self.verdict is Stillness.MOVING:
            return "the camera moves: stand the phone on something firm and film again"
        return "too little of the background can be followed to tell whether the camera stood still"

    @property
    def bumped_s(self) -> float | None:
        """When the camera left the place where it had stood; None where it was not bumped."""
        return self.spans[0].end_s if self.verdict is Stillness.BUMPED and self.spans else None

    def is_still_at(self, time_s: float) -> bool:
        """Whether a time lies within a still span."""
        return any(span.start_s <= time_s <= span.end_s for span in self.spans)

    def registration_px(self, time_s: float, long_side_px: int) -> F64 | None:
        """Return the (2, 3) similarity from the first sample's pixels to those at ``time_s``.

        Parameters
        ----------
        time_s : presentation time; the nearest sample counts.
        long_side_px : longer side of the picture whose pixels are meant.

        Returns
        -------
        None where the connection was lost (as after a large bump).
        """
        if not self.samples:
            return None
        nearest = min(self.samples, key=lambda sample: abs(sample.time_s - time_s))
        if nearest.registration is None:
            return None
        scaled = nearest.registration.copy()
        scaled[:, 2] *= long_side_px
        return scaled


@dataclass(frozen=True, slots=True)
class _Place:
    """Corners to compare with, and the (3, 3) similarity that leads to them from the start."""

    corners: Corners
    pose: F64


@dataclass(slots=True)
class _OpenSpan:
    start_s: float
    end_s: float
    pose: F64
    displacement: float = 0.0

    def displacement_to(self, pose: F64, match: Match) -> float:
        return displacement_over(match.low, match.high, (pose @ np.linalg.inv(self.pose))[:2])

    def closed(self) -> StillSpan:
        return StillSpan(self.start_s, self.end_s, self.displacement)


@dataclass(frozen=True, slots=True)
class _LostPlace:
    place: _Place
    span: _OpenSpan
    spans_before: int


class StillnessWatcher:
    """Follows the camera through a clip; feed it every frame, it samples by time."""

    def __init__(self) -> None:
        self._place: _Place | None = None
        self._span = _OpenSpan(0.0, 0.0, np.eye(3))
        self._spans: list[StillSpan] = []  # closed ones, in order of time
        self._lost: _LostPlace | None = None
        self._loose: list[tuple[int, F64]] = []  # samples and poses since the last giving up
        self._last_clear_s = 0.0
        self._samples: list[Sample] = []

    def update(self, time_s: float, luma_small: npt.NDArray[np.uint8]) -> None:
        """Take one frame.

        Parameters
        ----------
        time_s : presentation time, rising.
        luma_small : (h, w) uint8, about 640 px on its longer side, the same size every time.
        """
        if self._samples and time_s - self._samples[-1].time_s < _SAMPLE_EVERY_S * 0.98:
            return
        if self._place is None:
            self._settle(time_s, _Place(Corners.of(luma_small), np.eye(3)))
            self._samples.append(Sample(time_s, 0.0, np.eye(3)[:2]))
            return
        place = self._place
        if self._lost is not None:
            place = self._look_for_the_lost_place(time_s, luma_small, self._lost) or place
        match = place.corners.match(luma_small)
        if match is None:
            self._samples.append(Sample(time_s, None, None))
            if time_s - self._last_clear_s > _GIVE_UP_AFTER_S:
                self._give_up(time_s, luma_small, place)
            return
        self._last_clear_s = time_s
        pose = _square(match.motion) @ place.pose
        displacement = self._span.displacement_to(pose, match)
        is_far = displacement > NEARLY_STILL_LIMIT
        is_known = self._lost is None and not (is_far and match.support < SURE_SUPPORT)
        self._samples.append(Sample(time_s, displacement, pose[:2] if is_known else None))
        if self._lost is not None:
            self._loose.append((len(self._samples) - 1, pose))
        if is_far and match.support < SURE_SUPPORT:
            self._give_up(time_s, luma_small, place)
            return
        if is_far:
            self._spans.append(self._span.closed())
            self._settle(time_s, _Place(Corners.of(luma_small), pose))
            return
        self._span.end_s = time_s
        self._span.displacement = max(self._span.displacement, displacement)
        if match.support < _THIN_SUPPORT:
            # Shadows move and light fades over minutes: take fresh corners, keep place and span.
            self._place = _Place(Corners.of(luma_small), pose)

    def report(self) -> StillnessReport:
        """Judge what was seen so far."""
        samples = tuple(self._samples)
        if len(samples) < 2:
            return StillnessReport(Stillness.UNCLEAR, (), (), samples)
        start_s, end_s = samples[0].time_s, samples[-1].time_s
        total_s = end_s - start_s
        least_s = min(_MIN_SPAN_S, total_s / 2)
        every = [*self._spans, self._span.closed()]
        spans = tuple(span for span in every if span.end_s - span.start_s >= least_s)
        bumps_s = tuple(before.end_s for before, _ in pairwise(spans))
        still_s = sum(span.end_s - span.start_s for span in spans)
        unclear = sum(sample.displacement is None for sample in samples) / len(samples)
        if unclear > _UNCLEAR_SHARE:
            verdict = Stillness.UNCLEAR
        elif still_s < _BUMPED_MIN_STILL_SHARE * total_s and not _is_only_handled(spans, samples):
            verdict = Stillness.MOVING
        elif len(spans) > 1 or not _is_only_handled(spans, samples):
            verdict = Stillness.BUMPED
        elif spans[0].displacement > STILL_LIMIT:
            verdict = Stillness.NEARLY_STILL
        else:
            verdict = Stillness.STILL
        return StillnessReport(verdict, spans, bumps_s, samples)

    def _settle(self, time_s: float, place: _Place) -> None:
        self._place = place
        self._span = _OpenSpan(time_s, time_s, place.pose)
        self._last_clear_s = time_s

    def _give_up(self, time_s: float, luma_small: npt.NDArray[np.uint8], place: _Place) -> None:
        """Start again from the current picture, but remember the place in case it comes back."""
        if self._lost is None:
            self._lost = _LostPlace(place, self._span, len(self._spans))
        self._spans.append(self._span.closed())
        self._settle(time_s, _Place(Corners.of(luma_small), np.eye(3)))
        self._loose = [(len(self._samples) - 1, np.eye(3))]

    def _look_for_the_lost_place(
        self, time_s: float, luma_small: npt.NDArray[np.uint8], lost: _LostPlace
    ) -> _Place | None:
        """Find the lost place again, for instance after someone stood right before the lens."""
        match = lost.place.corners.match(luma_small)
        if match is None or match.support < SURE_SUPPORT:
            return None
        pose = _square(match.motion) @ lost.place.pose
        self._lost = None
        if lost.span.displacement_to(pose, match) <= NEARLY_STILL_LIMIT:
            del self._spans[lost.spans_before :]
            self._place, self._span = lost.place, lost.span
            return lost.place
        here = self._place.corners.match(luma_small) if self._place else None
        if here is None or self._place is None:
            self._spans.append(self._span.closed())
            self._settle(time_s, _Place(Corners.of(luma_small), pose))
        else:  # connect the samples since then to the start
            link = np.linalg.inv(_square(here.motion) @ self._place.pose) @ pose
            self._place = _Place(self._place.corners, self._place.pose @ link)
            self._span.pose = self._span.pose @ link
            for index, loose in self._loose:
                self._samples[index] = replace(
                    self._samples[index], registration=(loose @ link)[:2]
                )
        return self._place


def _square(motion: F64) -> F64:
    return np.vstack([motion, [0.0, 0.0, 1.0]])


def _is_only_handled(spans: tuple[StillSpan, ...], samples: tuple[Sample, ...]) -> bool:
    """Whether one span covers all but the handling of the phone at the start and the end."""
    if len(spans) != 1:
        return False
    before_s = spans[0].start_s - samples[0].time_s
    after_s = samples[-1].time_s - spans[0].end_s
    still_s = spans[0].end_s - spans[0].start_s
    return max(before_s, after_s) <= _HANDLING_S and still_s >= (before_s + after_s)


@dataclass(frozen=True, slots=True)
class Match:
    """The motion that most of the picture followed since the reference.

    Attributes
    ----------
    motion : (2, 3) similarity from reference to now, units of the longer side.
    low, high : (2,) the box that the supporting corners span, shares of the longer side; the
        motion is known there and only guessed beyond.
    has_stayed : the corners stayed in place, within about a hundredth of the longer side.
    support : share of the reference's corners that agree with it.
    """

    motion: F64
    low: F64
    high: F64
    has_stayed: bool
    support: float


@dataclass(frozen=True, slots=True)
class Corners:
    """The corners of a reference picture, spread over it so that no single thing holds them all.

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

    Following patches assumes equal brightness, which lamps and auto exposure upset.
    """
    side = max(luma.shape) // 40 * 2 + 1
    mean = cv2.blur(luma, (side, side))
    contrast = cv2.mean(cv2.absdiff(luma, mean))[0]
    gain = min(_MAX_GAIN, _CONTRAST / max(contrast, 1e-6))
    return np.asarray(cv2.addWeighted(luma, gain, mean, -gain, 128.0), dtype=np.uint8)


def _window_px(long_side_px: int) -> int:
    return max(7, round(long_side_px * _WINDOW) // 2 * 2 + 1)
