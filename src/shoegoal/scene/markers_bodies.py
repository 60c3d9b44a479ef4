"""Compact things that stand on the ground, measured: the candidates for a goal's markers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera
from shoegoal.scene.markers_blobs import Blob, best_apart, find_blobs, stacked
from shoegoal.scene.markers_salience import BLUR_UP_M, MAD_TO_SIGMA, LevelStrip

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]

SAME_THING_SHARE = 0.4
FOOT_SHARE = 0.35  # of the height, in which the lower end is looked for
# A ball meets a marker below this height: there its widest part is what counts as its inner edge.
BALL_TOP_M = 0.22
FAINT_SIGMAS = 3.5
FLANK_M = 1.0
LONGEST_FOOT_M = 0.3
UNDER_M = 0.08
BALL_LOG_SIZE = 0.25  # a ball's outline is measured to about this share
FOOT_SIGMA = 0.0015  # of the picture's long side: how well the foot's lower end is found
# A footprint is taken as round, but bags are round below too and touch the ground further back.
MAX_FOOT_RADIUS_M = 0.08
MAX_DEPTH_M = 0.13  # half of what a ball meets along the view, however wide it is across


@dataclass(frozen=True, slots=True, eq=False)
class StandingBody:
    """Something compact that seems to stand on the ground.

    Attributes
    ----------
    place_m : (2,) ground XY of the middle of its footprint.
    radius_m : half its width where a ball would meet it.
    width_m, height_m : of its outline, as if it stood across the view at its base.
    depth_sigma_m : how far off along the view its place may be; large for a low camera.
    base_px : native pixel of the middle of its foot's near edge.
    box_px : left, top, right, bottom of its outline in the native picture.
    excess : how much it stands out, in spreads of its surroundings.
    unrest : how much its surroundings do, in the same measure.
    lab : (3,) mean colour, 8-bit Lab.
    under_lab : (3,) colour of what it stands on, just before its foot.
    edge : how much its surroundings change colour at the height of its foot, 8-bit Lab levels.
    ball_like : round, and as wide and high as the ball would be there.
    shaded : parts that may be mere shade were taken for body.
    partial : only parts of some colours were taken for body.
    """

    place_m: F64
    radius_m: float
    width_m: float
    height_m: float
    depth_sigma_m: float
    base_px: tuple[float, float]
    box_px: tuple[float, float, float, float]
    excess: float
    unrest: float
    lab: F64
    under_lab: F64
    edge: float
    ball_like: bool
    shaded: bool
    partial: bool

    def reach_along(self, way: F64) -> float:
        """Distance from the middle of the footprint to its rim along a unit vector, metres.

        Across the view the width is seen; along it the footprint is taken as no deeper than wide.
        """
        away = self.place_m / max(1e-6, float(np.hypot(*self.place_m)))
        deep = float(way @ away)
        across = max(0.0, 1 - deep**2)
        depth = min(self.radius_m, MAX_DEPTH_M)
        return float(np.sqrt(across * self.radius_m**2 + deep**2 * depth**2))

    def same_thing(self, other: StandingBody) -> bool:
        """Whether one outline covers much of the other: two readings of one thing."""
        a, b = self.box_px, other.box_px
        wide = max(0.0, min(a[2], b[2]) - max(a[0], b[0]))
        high = max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
        smaller = min((box[2] - box[0]) * (box[3] - box[1]) for box in (a, b))
        return wide * high >= SAME_THING_SHARE * smaller

    def overlaps(self, other: StandingBody) -> bool:
        """Whether the outlines touch, or lie one on the other: never two markers of one goal."""
        a, b = self.box_px, other.box_px
        beside = min(a[2], b[2]) - max(a[0], b[0])
        above = min(a[3], b[3]) - max(a[1], b[1])
        half_high = 0.5 * max(a[3] - a[1], b[3] - b[1])
        half_wide = 0.5 * min(a[2] - a[0], b[2] - b[0])
        return (beside > 0 and above > 0) or (beside > half_wide and above > -half_high)


class _Reading(NamedTuple):
    """A blob, the excess that it was found in, and what speaks against that."""

    blob: Blob
    excess: F32
    shaded: bool = False
    partial: bool = False


def standing_bodies(
    strip: LevelStrip, camera: Camera, ball_diameter_m: float
) -> list[StandingBody]:
    """Find compact things of a marker's size.

    Parameters
    ----------
    strip : the level strip.
    camera : the camera over its ground.
    ball_diameter_m : to tell waiting balls from markers.
    """
    if strip.excess.size == 0:
        return []
    whole = best_apart(find_blobs(strip.excess_unshaded, strip))
    readings = [_Reading(b, strip.excess_unshaded) for b in whole + stacked(whole, strip)]
    # A dark body may pass for shade and a shade for a body: both readings are kept, the pair tells.
    shaded = best_apart(find_blobs(strip.excess, strip))
    readings += [_Reading(blob, strip.excess, shaded=True) for blob in shaded]
    for excess in (strip.brighter, strip.warmer, strip.cooler):
        parts = best_apart(find_blobs(excess, strip))
        readings += [_Reading(blob, excess, partial=True) for blob in parts]
    bodies = []
    boxes = set()
    for reading in readings:
        if reading.blob.box not in boxes:
            boxes.add(reading.blob.box)
            bodies.append(_measure(reading, strip, camera, ball_diameter_m))
    return [body for body in bodies if body is not None]


def _measure(
    reading: _Reading, strip: LevelStrip, camera: Camera, ball_diameter_m: float
) -> StandingBody | None:
    blob, excess = reading.blob, reading.excess
    x, y, w, h = blob.box
    rows, cols = strip.excess.shape
    if x <= 0 or x + w >= cols or y + h >= rows:
        return None  # cut off: neither its width nor its base is known
    scale = float(strip.px_per_m[y + h - 1])
    left, right, bottom = _foot(blob, excess, scale)
    near = strip.native([[(left + right) / 2, bottom]])
    edges = camera.ground_points(strip.native([[left, bottom], [right, bottom]]))
    middle = camera.ground_points(near)[0]
    if not (np.isfinite(edges).all() and np.isfinite(middle).all()):
        return None
    radius = float(np.hypot(*(edges[1] - edges[0]))) / 2
    away = middle / max(1e-6, float(np.hypot(*middle)))
    place = middle + away * min(radius, MAX_FOOT_RADIUS_M)
    wide, high = (right - left) / scale, (bottom - _top(blob, excess)) / scale
    if not (wide > 0 and high > 0):
        return None
    same = [abs(np.log(side / ball_diameter_m)) < BALL_LOG_SIZE for side in (wide, high)]
    corners = strip.native([[x, y], [x + w, y], [x, y + h], [x + w, y + h]])
    box = (*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist())
    return StandingBody(
        place_m=place,
        radius_m=radius,
        width_m=wide,
        height_m=high,
        depth_sigma_m=_depth_sigma_m(camera, near[0]),
        base_px=(float(near[0, 0]), float(near[0, 1])),
        box_px=box,
        excess=blob.core,
        unrest=_unrest(blob, strip, scale),
        lab=strip.lab[y : y + h, x : x + w][blob.mask].mean(axis=0).astype(np.float64),
        under_lab=_under(blob, strip, bottom, scale),
        edge=_edge(blob, strip, bottom, scale),
        ball_like=all(same) and abs(np.log(wide / high)) < BALL_LOG_SIZE,
        shaded=reading.shaded,
        partial=reading.partial,
    )


def _depth_sigma_m(camera: Camera, foot_px: F64) -> float:
    """Metres along the view that the uncertainty of a foot in the picture stands for."""
    sigma_px = FOOT_SIGMA * 2 * max(camera.cx_px, camera.cy_px)
    spots = camera.ground_points([foot_px, foot_px + np.array([0.0, sigma_px])])
    return float(np.hypot(*(spots[1] - spots[0])))


def _foot(blob: Blob, excess: F32, scale: float) -> tuple[float, float, float]:
    """Left and right edge and lower end of the foot, strip px: where its excess has halved."""
    x, y, _, h = blob.box
    foot = max(2, round(FOOT_SHARE * h))
    columns = np.flatnonzero(blob.mask[h - foot :].any(axis=0))
    first, last = x + int(columns[0]), x + int(columns[-1])
    inset = (last - first) // 4
    down = excess[y : y + h + foot + 2, first + inset : last - inset + 1].mean(axis=1)
    start = h - foot + int(np.argmax(down[h - foot : h]))
    bottom = y + _half_way(down, start, 1)
    bottom += _further_down(excess, (first + inset, last - inset), bottom, scale)
    upto = max(y + 1, round(bottom))
    since = max(y, min(upto - round(BALL_TOP_M * scale), y + h - foot))
    columns = np.flatnonzero(blob.mask[since - y :].any(axis=0))
    first, last = x + int(columns[0]), x + int(columns[-1])
    origin = max(0, first - foot)
    profile = excess[since : upto + 1, origin : last + foot + 1].max(axis=0)
    inside = slice(first - origin, last - origin + 1)
    peak = first - origin + int(np.argmax(profile[inside]))
    level = float(np.median(profile[inside]))
    left = origin + _half_way(profile, peak, -1, level)
    right = origin + _half_way(profile, peak, 1, level)
    return left, right, bottom


def _top(blob: Blob, excess: F32) -> float:
    """Upper end, strip px: where the excess of the topmost part has halved."""
    x, y, _, h = blob.box
    part = max(2, round(FOOT_SHARE * h))
    columns = np.flatnonzero(blob.mask[:part].any(axis=0))
    since = max(0, y - part)
    across = slice(x + int(columns[0]), x + int(columns[-1]) + 1)
    up = excess[since : y + part, across].max(axis=1)
    start = y - since + int(np.argmax(up[y - since :]))
    return since + _half_way(up, start, -1)


def _further_down(excess: F32, columns: tuple[int, int], bottom: float, scale: float) -> int:
    """Rows below `bottom` on which the columns stand out of their flanks, faintly but all along.

    Before a wall a marker may be clear, and its foot before the ground hardly visible.
    """
    first, last = columns
    width = last - first + 1
    reach = max(4 * width, round(FLANK_M * scale))
    x0, x1 = max(0, first - reach), min(excess.shape[1], last + reach + 1)
    top = round(bottom) + 1
    band = excess[top : top + max(1, round(LONGEST_FOOT_M * scale)), x0:x1]
    if band.size == 0 or band.shape[1] < 6 * width:
        return 0
    sums = np.cumsum(np.pad(band, ((0, 0), (1, 0))), axis=1)
    means = (sums[:, width:] - sums[:, :-width]) / width
    at = first - x0
    starts = np.arange(means.shape[1])
    flanks = means[:, np.abs(starts - at) > 1.6 * width]
    if flanks.shape[1] < 8:
        return 0
    usual = np.median(flanks, axis=1)
    spread = MAD_TO_SIGMA * np.median(np.abs(flanks - usual[:, None]), axis=1) + 0.15
    out = (means[:, at] - usual) / spread > FAINT_SIGMAS
    rows = len(out) if out.all() else int(np.argmin(out))
    tail = round(BLUR_UP_M * scale)  # the blur alone reaches so far
    return rows - tail if rows > 1.3 * tail else 0


def _half_way(profile: F32, start: int, step: int, level: float | None = None) -> float:
    """Walk from `start` outwards to the last place above half the level, to a part of a pixel."""
    half = 0.5 * (float(profile[start]) if level is None else level)
    i = start
    while 0 <= i + step < len(profile) and (profile[i + step] > half):
        i += step
    j = i + step
    if not 0 <= j < len(profile):
        return float(i)
    above, below = float(profile[i]), float(profile[j])
    return i + step * (above - half) / max(1e-6, above - below)


def _under(blob: Blob, strip: LevelStrip, bottom: float, scale: float) -> F64:
    """Median colour of a patch before the foot, beyond the reach of the blur."""
    x, _, w, _ = blob.box
    rows, cols = strip.excess.shape
    top = min(rows - 2, round(bottom + BLUR_UP_M * scale) + 1)
    deep = max(2, round(UNDER_M * scale))
    patch = strip.lab[top : top + deep, max(0, x - w // 2) : min(cols, x + w + w // 2)]
    return np.median(patch.reshape(-1, 3), axis=0).astype(np.float64)


def _edge(blob: Blob, strip: LevelStrip, bottom: float, scale: float) -> float:
    """Colour step of the surroundings from just above the foot's end to just below it."""
    x, _, w, _ = blob.box
    rows, cols = strip.excess.shape
    gap, reach = max(2, round(0.03 * scale)), max(4, round(0.3 * scale))
    beside = np.r_[
        max(0, x - gap - reach) : max(0, x - gap),
        min(cols, x + w + gap) : min(cols, x + w + gap + reach),
    ]
    half = max(2, round(BLUR_UP_M * scale))
    above, below = max(0, round(bottom) - half), min(rows - 1, round(bottom) + half)
    if len(beside) == 0:
        return 0.0
    step = np.median(strip.lab[above, beside], axis=0) - np.median(strip.lab[below, beside], axis=0)
    return float(np.linalg.norm(step))


def _unrest(blob: Blob, strip: LevelStrip, scale: float) -> float:
    """Excess of what lies left, right and below, shade left out: its upper quartile."""
    x, y, w, h = blob.box
    gap, reach = max(2, round(0.03 * scale)), max(4, round(0.3 * scale))
    down = max(2, round(0.5 * h))
    rows, cols = strip.excess.shape
    around = strip.excess_unshaded
    sides = [
        around[y : y + h, max(0, x - gap - reach) : max(0, x - gap)],
        around[y : y + h, min(cols, x + w + gap) : min(cols, x + w + gap + reach)],
        around[min(rows, y + h + 2) : min(rows, y + h + 2 + down), max(0, x - gap) : x + w + gap],
    ]
    values = np.concatenate([side.ravel() for side in sides])
    return float(np.quantile(values, 0.75)) if values.size else 0.0
