"""Things that stand on the ground, seen by a small network: the candidates for a goal's markers.

The network looks at the bands of `markers_bands`. It was trained on drawn yards alone
(``training/markers``), with things of many kinds; it knows none of a goal.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.networks import Network, load_network
from shoegoal.scene.camera import Camera
from shoegoal.scene.markers_bands import Band, bands_of

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

CELL_PX = 4
OFF_PX, HALF_PX, HIGH_PX = 8.0, 12.0, 24.0  # by which the network tells places and sizes
SIGMA_LOGS = (-4.0, 1.0)
FAINTEST = -3.0  # logit below which nothing is taken for a thing
BEYOND_PX = 4.0  # a foot so far beyond a band's own may still be the band's
ONE_PLACE_M = 0.12  # two things' middles are further apart, across the view
ALONG_MORE = 4.0  # times that, along it, where places are told worse
SEEN_SHARE = 0.34  # of the pictures, in which a thing must be in view
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
    """

    logit: float
    place_m: F64
    half_m: float
    height_m: float
    across_sigma_m: float
    along_sigma_m: float
    foot_px: tuple[float, float]

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
    levels = np.ascontiguousarray(band.bgr.transpose(2, 0, 1)[None], dtype=np.float32)
    answers: F32 = _network().run(levels)[0][0]
    return answers


def _together(answers: F32) -> F32:
    """Mean of the pictures (K, A, h, w) in which each cell looks most like a thing, (A, h, w)."""
    most = max(1, round(SEEN_SHARE * len(answers)))
    best = np.argsort(-answers[:, 0], axis=0)[:most]
    return np.asarray(np.take_along_axis(answers, best[:, None], axis=0).mean(axis=0), np.float32)


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
            )
        )
    return found


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
