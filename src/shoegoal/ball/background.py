"""The background model: what the yard looks like once everything that moves has gone.

A pixel settles when it has kept its value over three samples, ``SETTLE_STEP_S`` apart. The model
has two uses: moving things stand out against it, and where a round patch of it changes from one
settled value to another, a ball was put down or has left.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

from shoegoal.clip.frame import Frame
from shoegoal.clip.reduced import Halvings, Planes, SmallFrame

SETTLE_STEP_S = 0.2
REFRESH_S = 1.0  # how often the native picture takes in slow changes of the light
MARKS_KEPT = 3
NEW_MARGIN_PX = 4  # small pixels round what has newly settled that the native picture takes in
MIN_CONTRAST = 10.0  # grey levels; below this, H.264 blocks flicker on textured ground
NOISE_MULTIPLE = 5.0  # times the grain that a place shows from frame to frame
GRAIN_STEP = 1.0  # levels per sample by which the grain estimate follows
GRAIN_QUANTILE = 0.75
GRAIN_REACH_PX = 9  # small pixels over which the grain is pooled
SHADOW_DARKEST = 0.4  # of the unshaded light: the sky lights even hard shadows
SHADOW_TINT = 6  # chroma levels that a blue sky's fill light may shift
CHROMA_GAIN = 2.0  # chroma swings are about half as large as luma swings for the same paint

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]
SNAPSHOT_EVERY_S = 1.0
SNAPSHOTS_KEPT = MARKS_KEPT  # compared over two: behind a kicker, a patch settles bit by bit
MIN_SIDE = 0.006  # of the long side
MAX_SIDE = 0.3
MAX_ASPECT = 4.0
MIN_FILL = 0.15
MAX_GUESSES = 8  # per comparison, reading and band of sizes
BANDS = (0.01, 0.02, 0.05)  # radii as shares of the long side
POOL_PX = 9  # small pixels over which a near ball's paint is taken together
POOLED_CONTRAST = 9.0
NEAR_RADIUS = 0.02  # of the long side: a ball at least this large is near


def paint_difference(a: tuple[U8, U8, U8], b: tuple[U8, U8, U8]) -> U8:
    """Difference of two pictures per pixel, in luma levels, chroma included.

    Parameters
    ----------
    a, b : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2) or (H, W).

    Returns
    -------
    (H, W) uint8, saturating at 255.
    """
    luma = cv2.absdiff(a[0], b[0])
    chroma = cv2.absdiff(a[1], b[1])
    chroma = cv2.max(chroma, cv2.absdiff(a[2], b[2]), dst=chroma)
    chroma = cv2.convertScaleAbs(chroma, dst=chroma, alpha=CHROMA_GAIN)
    if chroma.shape != luma.shape:
        chroma = _doubled(chroma, luma.shape)
    return np.asarray(cv2.max(luma, chroma, dst=luma), dtype=np.uint8)


def _doubled(plane: MatLike, shape: tuple[int, ...]) -> U8:
    """Repeat every pixel two by two, as far as ``shape`` goes.

    What ``cv2.INTER_NEAREST`` does, in an eighth of its time (OpenCV 4.14).
    """
    height, width = plane.shape
    wide = cv2.merge([plane, plane]).reshape(height, 2 * width)
    twice = cv2.hconcat([wide, wide]).reshape(2 * height, 2 * width)
    return np.asarray(twice[: shape[0], : shape[1]], np.uint8)


def shadow_like(now: tuple[U8, U8, U8], before: tuple[U8, U8, U8]) -> U8:
    """Where a picture may only be shaded: darker than before, of the same colour.

    A shadow scales the light that a surface sends back (Cucchiara et al. 2003, there in HSV), so
    chroma keeps its sign and shrinks with the luma. A dark ball may pass this test too, so callers
    keep both readings.

    Parameters
    ----------
    now, before : (luma, u, v) planes; luma (H, W), chroma (H/2, W/2) or (H, W).

    Returns
    -------
    (H, W) uint8, 1 where shadow-like.
    """
    darkest = cv2.convertScaleAbs(before[0], alpha=SHADOW_DARKEST)
    darker = cv2.bitwise_and(
        cv2.compare(now[0], before[0], cv2.CMP_LT), cv2.compare(now[0], darkest, cv2.CMP_GE)
    )
    same_hue = cv2.bitwise_and(_paler(now[1], before[1]), _paler(now[2], before[2]))
    if same_hue.shape != darker.shape:
        same_hue = _doubled(same_hue, darker.shape)
    both: U8 = np.asarray(cv2.bitwise_and(darker, same_hue), np.uint8)
    return np.asarray(both >> 7, np.uint8)


def _paler(now: U8, before: U8) -> cv2.typing.MatLike:
    """255 where a chroma plane kept its sign and lost strength, within `SHADOW_TINT`."""
    return cv2.bitwise_and(
        cv2.compare(now, cv2.LUT(before, _PALEST), cv2.CMP_GE),
        cv2.compare(now, cv2.LUT(before, _FULLEST), cv2.CMP_LE),
    )


def _chroma_limits() -> tuple[U8, U8]:
    """Lower and upper chroma that a shaded surface may show, by its lit chroma, (256,) each."""
    lit = np.arange(256) - 128.0
    ends = np.stack([lit, SHADOW_DARKEST * lit])
    low = np.clip(ends.min(axis=0) - SHADOW_TINT + 128, 0, 255).astype(np.uint8)
    high = np.clip(ends.max(axis=0) + SHADOW_TINT + 128, 0, 255).astype(np.uint8)
    return low, high


_PALEST, _FULLEST = _chroma_limits()


class BackgroundModel:
    """Keeps the background model small (for motion) and native (for measuring).

    Attributes
    ----------
    scale : small pixels per native pixel.
    small : (luma, u, v) of the background model, updated in place.
    native : the same at its own size; a new one takes its place whenever it changes.
    contrast : (h, w) levels from which on a difference is paint rather than noise.
    levels : the same, rounded up to whole levels, for comparing with differences fast.
    last_match_s : (h, w) when the frame last looked like the background model there.
    """

    def __init__(self, first: Frame, first_small: SmallFrame) -> None:
        self.scale = first_small.scale
        self.small: Planes = _copied(first_small.planes)
        self.native = Halvings(_copied(first.planes))
        self.contrast: F32 = np.full(self.small[0].shape, MIN_CONTRAST, np.float32)
        self.levels: U8 = _whole_levels(self.contrast)
        self._grain: F32 | None = None
        self._samples: list[tuple[float, Planes]] = [(first.time_s, first_small.planes)]
        self._latest: tuple[Frame, SmallFrame] = (first, first_small)
        self._refreshed_s = first.time_s
        self.last_match_s: F32 = np.full(self.small[0].shape, first.time_s, np.float32)
        self._left_since: deque[F32] = deque(maxlen=MARKS_KEPT)

    def mark(self) -> F32:
        """Return (h, w) of when each look of this moment was last seen; NaN while it is there.

        It is filled in as the looks go, until so many later marks were set as are kept. What hides
        a place for a while may become a look of its own: a ball has left when its own look did.
        """
        left_s: F32 = np.full(self.small[0].shape, np.nan, np.float32)
        self._left_since.append(left_s)
        return left_s

    def difference(self, small: SmallFrame) -> U8:
        """(h, w) difference of a small frame from the background model, luma levels."""
        return paint_difference(small.planes, self.small)

    def _watch_grain(self, step: U8) -> None:
        """Follow how much each place flickers by itself (noise, grass, wind, a shaky tripod).

        The grain is a running upper quantile (Robbins & Monro 1951) of the difference between
        samples, so a kicker who crosses now and then does not raise it.
        """
        pooled = cv2.blur(step, (3, 3)).astype(np.float32)
        if self._grain is None:
            self._grain = np.minimum(pooled, 2 * float(np.median(pooled)) + 1)
        else:
            rises = cv2.compare(pooled, self._grain, cv2.CMP_GT)
            down = -GRAIN_STEP * (1 - GRAIN_QUANTILE)
            moved = cv2.addWeighted(
                self._grain, 1.0, rises, GRAIN_STEP / 255, down, dtype=cv2.CV_32F
            )
            self._grain = np.maximum(np.asarray(moved, np.float32), np.float32(0))
        local = cv2.blur(self._grain, (GRAIN_REACH_PX, GRAIN_REACH_PX))
        self.contrast = np.maximum(np.float32(NOISE_MULTIPLE) * local, np.float32(MIN_CONTRAST))
        self.levels = _whole_levels(self.contrast)

    def update(self, frame: Frame, small: SmallFrame) -> None:
        """Take one frame; every ``SETTLE_STEP_S``, places that have not changed are absorbed."""
        self._latest = (frame, small)
        if frame.time_s - self._samples[-1][0] < SETTLE_STEP_S:
            return
        planes = small.planes
        step = paint_difference(planes, self._samples[-1][1])
        self._watch_grain(step)
        self._samples.append((frame.time_s, planes))
        if len(self._samples) < 3:
            return
        _, oldest = self._samples.pop(0)
        moved = cv2.max(step, paint_difference(planes, oldest))
        self._absorb(frame, small, cv2.compare(moved, self.levels, cv2.CMP_LT))

    def finish(self) -> None:
        """At the clip's end, absorb what has only just begun to settle."""
        frame, small = self._latest
        earlier = [planes for time_s, planes in self._samples if time_s < small.time_s]
        if earlier:
            self._refreshed_s = -np.inf
            step = paint_difference(small.planes, earlier[-1])
            self._absorb(frame, small, cv2.compare(step, self.levels, cv2.CMP_LT))

    def _absorb(self, frame: Frame, small: SmallFrame, stable: MatLike) -> None:
        """Take in what is ``stable`` (255, else 0).

        The native picture takes in what looks new at once, and the rest, where only the light has
        drifted, from time to time.
        """
        alike = cv2.compare(self.difference(small), self.levels, cv2.CMP_LT)
        new = cv2.bitwise_and(stable, cv2.bitwise_not(alike))
        x, y, w, h = cv2.boundingRect(new)
        changed = np.asarray(new[y : y + h, x : x + w]) > 0
        last_match_s = self.last_match_s[y : y + h, x : x + w]
        for mark in self._left_since:
            left_s = mark[y : y + h, x : x + w]
            np.copyto(left_s, last_match_s, where=changed & np.isnan(left_s))
        seen = cv2.bitwise_or(stable, alike)
        now_s = np.full_like(self.last_match_s, frame.time_s)
        cv2.copyTo(now_s, seen, self.last_match_s)  # with a mask, numpy's takes many times as long
        height, width = self.small[0].shape
        everywhere = (0, 0, width, height)
        _take_in(small.planes, self.small, stable, everywhere)
        if frame.time_s - self._refreshed_s >= REFRESH_S:
            self._refreshed_s = frame.time_s
            self._renew(frame, stable, everywhere)
        elif w:
            x0, y0 = max(0, x - NEW_MARGIN_PX), max(0, y - NEW_MARGIN_PX)
            x1, y1 = min(width, x + w + NEW_MARGIN_PX), min(height, y + h + NEW_MARGIN_PX)
            self._renew(frame, stable, (x0, y0, x1 - x0, y1 - y0))

    def _renew(self, frame: Frame, stable: MatLike, box: Box) -> None:
        planes = _copied(self.native.planes)
        _take_in(frame.planes, planes, stable, box)
        self.native = Halvings(planes)


def _whole_levels(contrast: F32) -> U8:
    return np.asarray(cv2.convertScaleAbs(np.ceil(contrast)), np.uint8)


def _copied(planes: Planes) -> Planes:
    return planes[0].copy(), planes[1].copy(), planes[2].copy()


def _take_in(now: Planes, settled: Planes, stable: MatLike, box: Box) -> None:
    """Copy planes of any size where ``stable`` is set, within a box of ``stable``."""
    x, y, w, h = box
    mask = stable[y : y + h, x : x + w]
    for source, target in zip(now, settled, strict=True):
        zoom_y, zoom_x = (n / m for n, m in zip(target.shape, stable.shape, strict=True))
        rows = slice(round(y * zoom_y), round((y + h) * zoom_y))
        columns = slice(round(x * zoom_x), round((x + w) * zoom_x))
        there = target[rows, columns]
        size = (there.shape[1], there.shape[0])
        fitted = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
        cv2.copyTo(source[rows, columns], fitted, there)


@dataclass(frozen=True, slots=True)
class BackgroundChange:
    """A patch that went from one settled look to another.

    Attributes
    ----------
    before_s : last time at which the old look was seen there.
    after_s : time by which the new look had settled there.
    guess_px : native (x, y, diameter) of the disc that it may be.
    """

    before_s: float
    after_s: float
    guess_px: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two backgrounds, some time apart.

    Attributes
    ----------
    earlier, later : at their own size.
    changes : the patches in which they differ; they may overlap.
    """

    earlier: Halvings
    later: Halvings
    changes: tuple[BackgroundChange, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Snapshot:
    time_s: float
    small: Planes
    native: Halvings
    left_s: F32  # see `BackgroundModel.mark`


class ChangeFinder:
    """Compares the background model with what it was a little earlier."""

    def __init__(self) -> None:
        self._snapshots: deque[_Snapshot] = deque(maxlen=SNAPSHOTS_KEPT)

    def update(
        self, settled: BackgroundModel, time_s: float, *, now: bool = False
    ) -> Comparison | None:
        """Report what changed, at most once per ``SNAPSHOT_EVERY_S`` unless ``now`` is set."""
        due = not self._snapshots or time_s - self._snapshots[-1].time_s >= SNAPSHOT_EVERY_S
        if not due and not now:
            return None
        snapshot = _Snapshot(time_s, _copy(settled.small), settled.native, settled.mark())
        earlier = (
            self._snapshots[1 if len(self._snapshots) == SNAPSHOTS_KEPT else 0]
            if self._snapshots
            else None
        )
        self._snapshots.append(snapshot)
        if earlier is None:
            return None
        changes = _changes(earlier, snapshot, settled)
        return Comparison(earlier.native, snapshot.native, tuple(changes)) if changes else None


def _copy(planes: Planes) -> Planes:
    return planes[0].copy(), planes[1].copy(), planes[2].copy()


def _changes(
    earlier: _Snapshot, later: _Snapshot, settled: BackgroundModel
) -> list[BackgroundChange]:
    difference = paint_difference(later.small, earlier.small)
    changed = (difference >= settled.contrast).astype(np.uint8)
    if not changed.any():
        return []
    shaded = shadow_like(later.small, earlier.small) | shadow_like(earlier.small, later.small)
    solid = np.asarray(changed & (1 - shaded), np.uint8)
    patches: dict[Box, tuple[float, float, float]] = {}
    # A near ball's panels match the ground's colour here and there. Averaged together over
    # some pixels they still stand out from it, while the ground's own flicker averages away.
    pooled = cv2.blur(difference, (POOL_PX, POOL_PX))
    near = (pooled >= np.maximum(POOLED_CONTRAST, settled.contrast / 2)).astype(np.uint8)
    guesses = _disc_guesses(solid, MIN_SIDE / 2) + _disc_guesses(near, NEAR_RADIUS)
    for x, y, radius in guesses:
        box = (int(x - radius), int(y - radius), int(2 * radius) + 1, int(2 * radius) + 1)
        patches[box] = (x, y, 2 * radius)
    for mask in (changed, solid):
        patches.update((box, _disc_in(box)) for box in _ball_sized(mask))
    return [
        _change(earlier, later, settled.scale, changed, box, guess)
        for box, guess in patches.items()
    ]


def _disc_in(box: Box) -> tuple[float, float, float]:
    """Middle and diameter of the disc that a box suggests."""
    x, y, w, h = box
    return x + (w - 1) / 2, y + (h - 1) / 2, float(np.sqrt(w * h))


def _change(
    earlier: _Snapshot,
    later: _Snapshot,
    scale: float,
    changed: U8,
    box: Box,
    disc: tuple[float, float, float],
) -> BackgroundChange:
    x, y, w, h = box
    rows, columns = slice(max(0, y), y + h), slice(max(0, x), x + w)
    seen = earlier.left_s[rows, columns][changed[rows, columns] > 0]
    before_s = float(np.nanmedian(seen)) if np.isfinite(seen).any() else earlier.time_s
    at_x, at_y, diameter = disc
    guess_px = ((at_x + 0.5) / scale - 0.5, (at_y + 0.5) / scale - 0.5, diameter / scale)
    return BackgroundChange(before_s, later.time_s, guess_px)


def _disc_guesses(mask: U8, least: float) -> list[tuple[float, float, float]]:
    """Centres and radii of the largest discs inside the mask's parts: a ball may touch a shoe.

    ``least`` is the smallest radius, as a share of the long side.
    """
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    depth = cv2.distanceTransform(closed, cv2.DIST_L2, 3)
    reach = 2 * int(MIN_SIDE * max(mask.shape)) + 1
    tops = (depth >= cv2.dilate(depth, np.ones((reach, reach), np.uint8))) & (
        depth >= least * max(mask.shape)
    )
    ys, xs = np.nonzero(tops)
    long_side = max(mask.shape)
    chosen: list[tuple[float, float, float]] = []
    counts = [0] * (len(BANDS) + 1)
    # A body that stands still holds many large discs, so each band of sizes has its own guesses.
    for i in np.argsort(-depth[ys, xs]):
        x, y, radius = float(xs[i]), float(ys[i]), float(depth[ys[i], xs[i]])
        band = int(np.searchsorted(BANDS, radius / long_side))
        if 2 * radius > MAX_SIDE * long_side or counts[band] >= MAX_GUESSES:
            continue
        if all(np.hypot(x - a, y - b) > 0.7 * r for a, b, r in chosen):
            chosen.append((x, y, radius))
            counts[band] += 1
    return chosen


def _ball_sized(mask: U8) -> list[Box]:
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    long_side = max(mask.shape)

    def is_ball_sized(width: int, height: int) -> bool:
        longest, shortest = max(width, height), min(width, height)
        return (
            shortest >= MIN_SIDE * long_side
            and longest <= MAX_SIDE * long_side
            and longest <= MAX_ASPECT * shortest
        )

    return [
        (thing.left, thing.top, thing.width, thing.height)
        for thing in things_in(closed, is_ball_sized)
        if thing.area >= MIN_FILL * thing.width * thing.height
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Thing:
    """Pixels that touch each other, corners included.

    Attributes
    ----------
    left, top : of its box, px.
    own : (height, width) uint8, the pixels of its box that are its own, 255.
    area : how many they are.
    middle : their centroid, px.
    """

    left: int
    top: int
    own: U8
    area: int
    middle: tuple[float, float]

    @property
    def width(self) -> int:
        """Of its box, px."""
        return int(self.own.shape[1])

    @property
    def height(self) -> int:
        """Of its box, px."""
        return int(self.own.shape[0])

    def covers(self, x: float, y: float) -> bool:
        """Whether a point lies in its box."""
        return self.left <= x <= self.left + self.width and self.top <= y <= self.top + self.height

    def share_in(self, mask: MatLike) -> float:
        """Share of its pixels that are set in a mask."""
        box = mask[self.top : self.top + self.height, self.left : self.left + self.width]
        return cv2.countNonZero(cv2.bitwise_and(self.own, box)) / self.area


def things_in(mask: MatLike, is_wanted: Callable[[int, int], bool]) -> Iterator[Thing]:
    """Find the things of a mask.

    Parameters
    ----------
    mask : (h, w) uint8, 0 where there is nothing.
    is_wanted : whether a thing is wanted, by its box's width and height, px.
    """
    outlines, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    links = tree[0].tolist() if outlines else []  # the next one, the one before, first hole, parent
    for outline, (_, _, hole, parent) in zip(outlines, links, strict=True):
        if parent >= 0:  # a hole
            continue
        left, top, width, height = cv2.boundingRect(outline)
        if not is_wanted(width, height):
            continue
        rims = [outline]
        while hole >= 0:
            rims.append(outlines[hole])
            hole = links[hole][0]
        own: U8 = np.zeros((height, width), np.uint8)
        cv2.drawContours(own, rims, -1, 255, cv2.FILLED, offset=(-left, -top))
        m = cv2.moments(own, binaryImage=True)
        middle = (left + m["m10"] / m["m00"], top + m["m01"] / m["m00"])
        yield Thing(left, top, own, round(m["m00"]), middle)
