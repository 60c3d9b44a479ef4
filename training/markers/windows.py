"""Windows cut from the bands of yards' pictures, with where things stand in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera
from shoegoal.scene.standing_things import Band, bands_of, px_per_m
from training.markers.yards import YardPicture, yard_pictures

HIGH, WIDE = 96, 192  # of a window, px
MOST_THINGS = 10
ROWS = 5  # of a thing: x, y, half length, height (px of the window), and whether it counts
LOOKS = 2
BARE_KEPT = 0.5  # of the windows in which nothing stands

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]


@dataclass(slots=True)
class Windows:
    """Windows of many scenes.

    Attributes
    ----------
    bgr : (n, HIGH, WIDE, 3).
    things : (n, MOST_THINGS, ROWS); rows of NaN where there are fewer. What something else hides
        does not count, nor what stands in another band.
    feet : (n, 2) first and last row in which things of the band stand.
    scene : (n,) the scene's number.
    """

    bgr: U8
    things: F32
    feet: F32
    scene: npt.NDArray[np.int32]

    @classmethod
    def of(cls, parts: Sequence[Windows]) -> Windows:
        """Lay the windows of yards together."""
        return cls(
            np.concatenate([p.bgr for p in parts]),
            np.concatenate([p.things for p in parts]),
            np.concatenate([p.feet for p in parts]),
            np.concatenate([p.scene for p in parts]),
        )

    def part(self, rows: npt.NDArray[np.bool_]) -> Windows:
        """Return some of the windows."""
        return Windows(self.bgr[rows], self.things[rows], self.feet[rows], self.scene[rows])


def windows_of_yard(number: int) -> Windows:
    """All windows of a yard."""
    rng = np.random.default_rng([number, 59])
    parts = []
    for look in yard_pictures(number, LOOKS):
        for band in bands_of(look.bgr, _as_fitted(look.camera, rng), look.patch_m):
            parts += _tiles(band, look, rng)
    return Windows(
        np.stack([p[0] for p in parts]),
        np.stack([p[1] for p in parts]),
        np.stack([p[2] for p in parts]),
        np.full(len(parts), number, np.int32),
    )


def _as_fitted(camera: Camera, rng: np.random.Generator) -> Camera:
    """Return the camera as a fit may know it."""
    return replace(
        camera,
        focal_px=camera.focal_px * float(np.exp(rng.normal(0, 0.06))),
        height_m=camera.height_m * float(np.exp(rng.normal(0, 0.04))),
        pitch_deg=camera.pitch_deg + float(rng.normal(0, 0.25)),
        roll_deg=camera.roll_deg + float(rng.normal(0, 0.6)),
    )


def _tiles(band: Band, look: YardPicture, rng: np.random.Generator) -> list[tuple[U8, F32, F32]]:
    here = _things_here(band, look)
    rows, columns = band.bgr.shape[:2]
    top = int(rng.integers(min(0, rows - HIGH), max(0, rows - HIGH) + 1))
    out = []
    first = -int(rng.integers(0, WIDE // 2))
    for left in range(first, columns - WIDE // 4, WIDE):
        shift = np.array([left, top, 0, 0, 0])
        inside = (here[:, 0] > left - 60) & (here[:, 0] < left + WIDE + 60)
        things = np.full((MOST_THINGS, ROWS), np.nan, np.float32)
        chosen = (here[inside] - shift)[:MOST_THINGS]
        things[: len(chosen)] = chosen
        if len(chosen) or rng.random() < BARE_KEPT:
            feet = np.array([band.feet[0] - top, band.feet[1] - top], np.float32)
            out.append((_piece(band.bgr, left, top), things, feet))
    return out


def _piece(bgr: U8, left: int, top: int) -> U8:
    rows, columns = bgr.shape[:2]
    y = np.clip(np.arange(top, top + HIGH), 0, rows - 1)
    x = np.clip(np.arange(left, left + WIDE), 0, columns - 1)
    return bgr[y][:, x]


def _things_here(band: Band, look: YardPicture) -> F32:
    n = len(look.spots_m)
    if not n:
        return np.empty((0, ROWS), np.float32)
    native = look.camera.project(np.column_stack([look.spots_m, np.zeros(n)]))
    zoom = 1 / float(np.sqrt(abs(np.linalg.det(band.to_native[:, :2]))))
    flat = np.column_stack([look.ends_m.reshape(-1, 2), np.zeros(2 * n)])
    ends = band.here(look.camera.project(flat))[:, 0].reshape(n, 2)
    here = band.here(native)
    # A shoe that points at the camera is seen from its middle: the ends say where that is.
    here[:, 0] = ends.mean(axis=1)
    heights = look.heights_m * px_per_m(look.camera, look.spots_m) * zoom
    halves = np.abs(ends[:, 1] - ends[:, 0]) / 2
    return np.column_stack([here, halves, heights, look.seen]).astype(np.float32)
