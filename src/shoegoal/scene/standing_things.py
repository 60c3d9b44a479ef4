"""Things that stand on the ground, seen by a small network: the candidates for a goal's markers.

The network was trained on drawn yards alone (``training/markers``), with things of many kinds; it
knows none of a goal. It looks at bands: pieces of the picture brought to one scale.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.networks import Network, load_network
from shoegoal.scene.camera import Camera

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

PX_PER_M = 80.0  # in the middle of a band, across the view
DEPTH_RATIO = 1.2  # of a band's far to its near end
NEAREST_M = 1.0  # nearer to the camera, no goal line is filmed
TALLEST_M = 0.7
BESIDE_M = 0.6  # beyond the patch, so that what stands on its rim is seen whole
BELOW_PX = 24
MOST_COLUMNS = 2400

CELL_PX = 4
OFF_PX, HALF_PX, HIGH_PX = 8.0, 12.0, 24.0  # by which the network tells places and sizes
SIGMA_LOGS = (-4.0, 1.0)
FAINTEST = -3.0  # logit below which nothing is taken for a thing
BEYOND_PX = 4.0  # a foot so far beyond a band's own may still be the band's
ONE_PLACE_M = 0.12  # two things' middles are further apart, across the view
ALONG_MORE = 2.5  # times that, along it, where places are told worse
SEEN_SHARE = 0.34  # of the pictures, in which a thing must be in view
SAME_LEVELS = 10.0  # a place that changes by less is the same, as for the ball's background
# A footprint is taken as round, but bags are round below too and touch the ground further back.
MAX_DEPTH_M = 0.13  # half of what a ball meets along the view, however wide it is across


@dataclass(frozen=True, slots=True, eq=False)
class StandingThing:
    """Something compact that seems to stand on the ground.

    Attributes
    ----------
    logit : how surely it does, as the network tells it.
    place_m : (2,) ground XY of the middle of its footprint.
    half_m : half its length across the view where a ball would meet it.
    height_m : of its top.
    across_sigma_m, along_sigma_m : how far off its place may be, across the view and along it.
    foot_px : native pixel of its place.
    colour : mean B, G, R of its body, levels.
    """

    logit: float
    place_m: F64
    half_m: float
    height_m: float
    across_sigma_m: float
    along_sigma_m: float
    foot_px: tuple[float, float]
    colour: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def sight(self) -> F64:
        """Unit vector along the view to it, (2,)."""
        return self.place_m / max(1e-6, float(np.hypot(*self.place_m)))

    def reach_along(self, way: F64) -> float:
        """Distance from the middle of the footprint to its rim along a unit vector, metres.

        Across the view the length is seen; along it the footprint is taken as no deeper than long.
        """
        deep = float(way @ self.sight)
        depth = min(self.half_m, MAX_DEPTH_M)
        return math.hypot(math.sqrt(max(0.0, 1 - deep**2)) * self.half_m, deep * depth)

    def sigma_along(self, way: F64) -> float:
        """How far off its place may be along a unit vector, metres."""
        deep = float(way @ self.sight)
        across = math.sqrt(max(0.0, 1 - deep**2)) * self.across_sigma_m
        return math.hypot(across, deep * self.along_sigma_m)

    def is_at(self, other: StandingThing) -> bool:
        """Whether two readings are of one thing."""
        off = other.place_m - self.place_m
        along = float(off @ self.sight)
        across = math.sqrt(max(0.0, float(off @ off) - along**2))
        return across < ONE_PLACE_M and abs(along) < ALONG_MORE * ONE_PLACE_M


def standing_things(pictures: Iterable[U8], camera: Camera, patch_m: F64) -> list[StandingThing]:
    """Find what stands on a patch of ground, surest first.

    Parameters
    ----------
    pictures : (H, W, 3) native pictures of one view at different times, taken one by one; what is
        hidden in some of them is found in the others.
    camera : the camera over its ground.
    patch_m : (N, 2) ground points all over the patch.
    """
    bands: list[Band] = []
    answers: list[list[F32]] = []
    for picture in pictures:
        bands = list(bands_of(picture, camera, patch_m))
        answers.append([_answers(band) for band in bands])
    found = [
        thing
        for band, told in zip(bands, zip(*answers, strict=True), strict=True)
        for thing in _things(_together(np.stack(told)), band, camera)
    ]
    kept: list[StandingThing] = []
    for thing in sorted(found, key=lambda t: -t.logit):
        if not any(thing.is_at(other) for other in kept):
            kept.append(thing)
    return kept


def _answers(band: Band) -> F32:
    """Return what the network says of each cell, and below it the cell's colour."""
    levels = np.ascontiguousarray(band.bgr.transpose(2, 0, 1)[None], dtype=np.float32)
    answers: F32 = _network().run(levels)[0][0]
    small = cv2.resize(band.bgr, answers.shape[:0:-1], interpolation=cv2.INTER_AREA)
    return np.concatenate([answers, small.transpose(2, 0, 1).astype(np.float32)])


def _together(answers: F32) -> F32:
    """Join what pictures (K, A, h, w) tell of each cell, (A, h, w).

    The clearer a picture shows a thing, the more it counts: a ball may come to lie behind a marker,
    and then the two look like one. What is there in a few pictures only counts in none.
    """
    most = max(1, round(SEEN_SHARE * len(answers)))
    # The cell's and that above it: where a thing's foot is, and its body.
    paint = (answers[:, -3:] + np.roll(answers[:, -3:], 1, axis=2)) / 2
    alike = [(np.abs(paint - one).max(axis=1) < SAME_LEVELS).sum(axis=0) for one in paint]
    stays = np.array(alike) >= most
    logit = np.where(stays | ~stays.any(axis=0), answers[:, 0], -np.inf)
    best = np.argsort(-logit, axis=0)[:most]
    logit = np.take_along_axis(logit, best, axis=0)
    share = np.exp(logit - logit[0])
    told = np.take_along_axis(answers, best[:, None], axis=0)
    return np.asarray((share[:, None] * told).sum(axis=0) / share.sum(axis=0), np.float32)


def _things(answers: F32, band: Band, camera: Camera) -> list[StandingThing]:
    logit = answers[0]
    around = np.asarray(cv2.dilate(logit, np.ones((3, 3), np.uint8)))
    found = []
    for row, column in zip(*np.nonzero((logit >= around) & (logit > FAINTEST)), strict=True):
        x, y, half_px, high_px, sigma_x, sigma_y = _read(answers, int(row), int(column))
        if not band.feet[0] - BEYOND_PX < y < band.feet[1] + BEYOND_PX:
            continue
        spots = [[x, y], [x - half_px, y], [x + half_px, y], [x + sigma_x, y], [x, y + sigma_y]]
        native = band.native(spots)
        ground = camera.ground_points(native)
        if not np.isfinite(ground).all():
            continue
        long_m = float(np.hypot(*(ground[2] - ground[1])))
        found.append(
            StandingThing(
                float(logit[row, column]),
                ground[0],
                long_m / 2,
                high_px / (2 * half_px) * long_m,
                float(np.hypot(*(ground[3] - ground[0]))),
                float(np.hypot(*(ground[4] - ground[0]))),
                (float(native[0, 0]), float(native[0, 1])),
                _colour(answers, x, y, half_px, high_px),
            )
        )
    return found


def _colour(
    answers: F32, x: float, y: float, half_px: float, high_px: float
) -> tuple[float, float, float]:
    """Mean colour of the middle of a thing that stands at (x, y)."""
    rows, columns = answers.shape[1:]
    left, right = (int((x + s * 0.5 * half_px) / CELL_PX) for s in (-1, 1))
    top, low = (int((y - share * high_px) / CELL_PX) for share in (0.75, 0.2))
    left, top = min(max(0, left), columns - 1), min(max(0, top), rows - 1)
    part = answers[-3:, top : max(top, low) + 1, left : max(left, right) + 1]
    b, g, r = part.reshape(3, -1).mean(axis=1)
    return float(b), float(g), float(r)


def _read(answers: F32, row: int, column: int) -> tuple[float, ...]:
    """Foot x, y, half length, height and sigmas of x, y, px, as a peak and the cells round it say.

    The neighbours were taught to tell the same foot; each counts by how sure it is.
    """
    rows, columns = np.mgrid[row - 1 : row + 2, column - 1 : column + 2].reshape(2, -1)
    inside = (rows >= 0) & (rows < answers.shape[1]) & (columns >= 0) & (columns < answers.shape[2])
    rows, columns = rows[inside], columns[inside]
    told = answers[:, rows, columns].astype(np.float64)
    logs = np.clip(told[5:8], *SIGMA_LOGS)
    sure = np.exp(np.minimum(0.0, told[0] - answers[0, row, column]) - 2 * logs)
    middles = np.stack([columns, rows]) * CELL_PX + (CELL_PX - 1) / 2
    x, y = np.average(middles + OFF_PX * told[1:3], axis=1, weights=sure[:2])
    half = np.average(told[3], weights=sure[2])
    high = np.average(told[4], weights=sure[2])
    peak = answers[5:7, row, column].astype(np.float64)
    sigma_x, sigma_y = OFF_PX * np.exp(np.clip(peak, *SIGMA_LOGS))
    return float(x), float(y), HALF_PX * np.exp(half), HIGH_PX * np.exp(high), sigma_x, sigma_y


@cache
def _network() -> Network:
    return load_network("scene", "standing_things.onnx")


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A level piece of a picture in which all that stands on the ground has about one scale.

    It shows a strip of ground between two distances from the camera and what stands on it, turned
    level and brought to `PX_PER_M`.

    Attributes
    ----------
    bgr : (H, W, 3).
    to_native : (2, 3) affine map from (x, y) here to native (x, y).
    feet : first and last row at which a thing of this band can stand, px.
    """

    bgr: U8
    to_native: F64
    feet: tuple[float, float]

    def native(self, points: npt.ArrayLike) -> F64:
        """Native pixels (N, 2) of points (N, 2)."""
        xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        moved: F64 = xy @ self.to_native[:, :2].T + self.to_native[:, 2]
        return moved

    def here(self, native: npt.ArrayLike) -> F64:
        """Points (N, 2) of native pixels (N, 2)."""
        xy = np.asarray(native, dtype=np.float64).reshape(-1, 2) - self.to_native[:, 2]
        return np.asarray(np.linalg.solve(self.to_native[:, :2], xy.T).T, dtype=np.float64)


def bands_of(picture_bgr: U8, camera: Camera, patch_m: F64) -> Iterator[Band]:
    """Cut a picture into bands, nearest first.

    Parameters
    ----------
    picture_bgr : (H, W, 3) native picture.
    camera : the camera over its ground.
    patch_m : (N, 2) ground points all over the patch on which things are looked for.
    """
    ahead = patch_m[patch_m[:, 1] > NEAREST_M]
    if not len(ahead):
        return
    near_m, end_m = float(ahead[:, 1].min()), float(ahead[:, 1].max())
    while near_m < end_m:
        far_m = near_m * DEPTH_RATIO
        # Points lie apart: the ends of the patch at this depth are those of its surroundings.
        inside = ahead[(ahead[:, 1] > near_m / DEPTH_RATIO) & (ahead[:, 1] < far_m * DEPTH_RATIO)]
        if len(inside):
            across = float(inside[:, 0].min()) - BESIDE_M, float(inside[:, 0].max()) + BESIDE_M
            band = _band(picture_bgr, camera, (near_m, far_m), across)
            if band is not None:
                yield band
        near_m = far_m


def px_per_m(camera: Camera, ground_m: npt.ArrayLike) -> F64:
    """Native pixels for a metre across the view at ground points (N, 2), (N,)."""
    spots = np.asarray(ground_m, dtype=np.float64).reshape(-1, 2)
    flat = np.column_stack([spots, np.zeros(len(spots))])
    aside = flat + np.array([0.5, 0.0, 0.0])
    scale: F64 = 2 * np.hypot(*(camera.project(aside) - camera.project(flat)).T)
    return scale


def _band(
    picture_bgr: U8, camera: Camera, depths_m: tuple[float, float], across_m: tuple[float, float]
) -> Band | None:
    height, width = picture_bgr.shape[:2]
    middle_m = float(np.sqrt(depths_m[0] * depths_m[1]))
    scale = PX_PER_M / float(px_per_m(camera, [[0.0, middle_m]])[0])
    roll = np.deg2rad(camera.roll_deg)
    turn = scale * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    centre = np.array([camera.cx_px, camera.cy_px])
    ends = np.array([[x, y, z] for x in across_m for y in depths_m for z in (0.0, TALLEST_M)])
    seen = (camera.project(ends) - centre) @ turn.T
    if not np.isfinite(seen).all():
        return None
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
    frame = (corners - centre) @ turn.T
    low = np.maximum(seen.min(axis=0), frame.min(axis=0))
    high = np.minimum(seen.max(axis=0) + np.array([0.0, BELOW_PX]), frame.max(axis=0))
    start = np.floor(low)
    columns, rows = (int(n) for n in np.ceil(high) - start)
    if columns < 32 or rows < 32:
        return None
    columns = min(columns, MOST_COLUMNS)
    back = np.linalg.inv(turn)
    to_native = np.column_stack([back, back @ start + centre])
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    source, shift = _cut(picture_bgr, to_native, (columns, rows), scale)
    moved = to_native.copy()
    moved[:, 2] -= shift
    bgr = cv2.warpAffine(
        source, moved, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    on_ground = np.array([[0.0, depth, 0.0] for depth in depths_m])
    feet = (camera.project(on_ground) - centre) @ turn.T - start
    return Band(np.asarray(bgr, np.uint8), to_native, (float(feet[1, 1]), float(feet[0, 1])))


def _cut(picture: U8, to_native: F64, size: tuple[int, int], scale: float) -> tuple[U8, F64]:
    """Cut what a warp needs out of a picture, smoothed as a shrinking warp needs it."""
    corners = np.array([[0, 0], [size[0], 0], [0, size[1]], [size[0], size[1]]], dtype=np.float64)
    native = corners @ to_native[:, :2].T + to_native[:, 2]
    rim = 3 + round(1.5 / scale)
    height, width = picture.shape[:2]
    x0, y0 = (max(0, int(v) - rim) for v in native.min(axis=0))
    x1, y1 = (int(v) + rim for v in native.max(axis=0))
    x0, y0 = min(x0, width - 1), min(y0, height - 1)
    piece = picture[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
    if scale < 0.75:
        piece = np.asarray(cv2.GaussianBlur(piece, (0, 0), 0.45 / scale), np.uint8)
    return piece, np.array([x0, y0], dtype=np.float64)
