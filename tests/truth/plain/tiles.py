"""Seamless picture tiles of ground, drawn once a clip, and their reading at any distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Bytes, Field, Floats, Picture

TILE_PX = 1024
# Eight-bit canvases hold the square root of albedo up to this value.
CANVAS_TOP = 0.8
Rgb = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Tile:
    """A seamless picture with its halved copies, finest first; `period_m` is its side."""

    levels: tuple[Picture, ...]
    period_m: float

    @classmethod
    def of(cls, picture: Picture, period_m: float) -> Tile:
        """Stack the halved copies of a square picture (n, n, c)."""
        levels = [np.ascontiguousarray(picture, np.float32)]
        while levels[-1].shape[0] > 4:
            half = levels[-1].shape[0] // 2
            small = cv2.resize(levels[-1], (half, half), interpolation=cv2.INTER_AREA)
            levels.append(np.asarray(small, np.float32))
        return cls(tuple(levels), period_m)

    def read(self, u_m: Field, v_m: Field, footprint_m: Field) -> Field:
        """Colours (h, w, c) at places (h, w) whose pixels cover footprint_m.

        Two neighbouring levels are mixed by the footprint, as texture hardware does.
        """
        texel = self.period_m / self.levels[0].shape[0]
        top = len(self.levels) - 1
        level = np.clip(np.log2(np.maximum(footprint_m / texel, 1.0)), 0.0, top)
        first, last = int(level.min()), min(top, math.ceil(float(level.max())))
        out: Field | None = None
        for i in range(first, last + 1):
            weight = np.maximum(0.0, 1.0 - np.abs(level - i)).astype(np.float32)
            n = self.levels[i].shape[0]
            scale = n / self.period_m
            x = np.mod(u_m * scale - 0.5, n).astype(np.float32)
            y = np.mod(v_m * scale - 0.5, n).astype(np.float32)
            part = cv2.remap(
                self.levels[i], x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
            ).reshape(*u_m.shape, -1)
            part = part * weight[..., None]
            out = part if out is None else out + part
        assert out is not None
        return out


def spectral(
    rng: np.random.Generator, size: int, fall: float, lowest: float = 1.0, highest: float = 1e9
) -> Picture:
    """Seamless noise (size, size) of zero mean and unit spread, shaped in the frequency domain.

    Parameters
    ----------
    fall
        Amplitude falls as frequency to this power.
    lowest, highest
        Band kept, in waves a tile.
    """
    wave = np.fft.rfft2(rng.standard_normal((size, size)))
    fy = np.fft.fftfreq(size)[:, None] * size
    fx = np.fft.rfftfreq(size)[None, :] * size
    k = np.hypot(fx, fy)
    gain = np.where((k >= lowest) & (k <= highest), np.maximum(k, 1.0) ** -fall, 0.0)
    field = np.fft.irfft2(wave * gain, s=(size, size))
    out: Picture = (field / field.std()).astype(np.float32)
    return out


def to_canvas(colour: Rgb | Floats) -> tuple[int, int, int]:
    """Albedo as the eight-bit root that canvases hold."""
    c = 255.0 * np.sqrt(np.clip(np.asarray(colour), 0.0, CANVAS_TOP) / CANVAS_TOP)
    return int(c[0]), int(c[1]), int(c[2])


def from_canvas(canvas: Bytes) -> Picture:
    """Albedo (n, n, 3) of a canvas."""
    table = (np.arange(256, dtype=np.float32) / 255.0) ** 2 * CANVAS_TOP
    out: Picture = table[canvas].astype(np.float32)
    return out


def wrapped(points: Floats, size: int, reach: float) -> Floats:
    """Shapes (n, k, 2) with copies of those that cross the tile's edge on the other side."""
    out = [points]
    middle = points.mean(axis=1)
    for dx in (-size, 0, size):
        for dy in (-size, 0, size):
            if dx == 0 and dy == 0:
                continue
            moved = middle + np.array([dx, dy])
            near = ((moved > -reach) & (moved < size + reach)).all(axis=1)
            out.append(points[near] + np.array([dx, dy]))
    return np.concatenate(out)


def draw_strokes(canvas: Bytes, strokes: Floats, colour: Rgb | Floats, width_px: int) -> None:
    """Draw open lines (n, k, 2), smooth-edged, wrapped round the tile."""
    reach = float(np.abs(strokes - strokes.mean(axis=1, keepdims=True)).max(initial=0.0)) + 2
    fine = np.round(wrapped(strokes, canvas.shape[0], reach) * 8.0).astype(np.int32)
    cv2.polylines(canvas, list(fine), False, to_canvas(colour), width_px, cv2.LINE_AA, 3)


def draw_blobs(
    canvas: Bytes, centres: Floats, radii: Floats, turns: Floats, colours: Floats
) -> None:
    """Draw filled ellipses: centres (n, 2), half axes (n, 2) px, turns (n,) rad, albedo (n, 3)."""
    angle = np.linspace(0.0, 2.0 * np.pi, 10, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    shape = ring[None] * radii[:, None]
    c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
    turned = np.stack(
        [shape[..., 0] * c - shape[..., 1] * s, shape[..., 0] * s + shape[..., 1] * c], -1
    )
    size = canvas.shape[0]
    reach = float(radii.max()) + 2
    for shift_x in (-size, 0, size):
        for shift_y in (-size, 0, size):
            moved = centres + np.array([shift_x, shift_y])
            near = np.flatnonzero(((moved > -reach) & (moved < size + reach)).all(axis=1))
            for i in near:
                fine = np.round((turned[i] + moved[i]) * 8.0).astype(np.int32)
                cv2.fillConvexPoly(canvas, fine, to_canvas(colours[i]), cv2.LINE_AA, 3)


def blades(rng: np.random.Generator, heading_rad: float, young: Rgb, old: Rgb) -> Tile:
    """Grass from above, its blades leaning away from the eye as they seem to at a low view."""
    period = 2.3
    canvas: Bytes = np.zeros((TILE_PX, TILE_PX, 3), np.uint8)
    canvas[:] = to_canvas(np.asarray(young) * 0.28)
    tuft = spectral(rng, TILE_PX, 0.9, 6, 120)
    layers = 44
    for i in range(layers):
        height = i / (layers - 1)
        n = 640
        at = rng.uniform(0, TILE_PX, (n, 2))
        # Tufts stand where the field is high: the upper layers thin out elsewhere.
        stands = tuft[at[:, 1].astype(int), at[:, 0].astype(int)] > rng.normal(
            1.5 * height - 1.6, 0.7, n
        )
        at = at[stands]
        turn = heading_rad + rng.normal(0.0, 0.55, len(at))
        length = rng.uniform(10, 34, len(at))
        bend = rng.normal(0.0, 0.22, len(at))
        way = np.stack([np.sin(turn), np.cos(turn)], axis=1) * length[:, None]
        curl = np.stack([np.sin(turn + bend), np.cos(turn + bend)], axis=1) * length[:, None]
        strokes = np.stack([at, at + 0.55 * way, at + 0.55 * way + 0.45 * curl], axis=1)
        mix = np.clip(rng.beta(1.4, 2.2), 0.0, 1.0)
        colour = (np.asarray(young) * (1 - mix) + np.asarray(old) * mix) * (
            0.42 + 0.95 * height + rng.normal(0, 0.08)
        )
        draw_strokes(canvas, strokes, np.clip(colour, 0.003, 0.7), 1 if rng.random() < 0.6 else 2)
    return Tile.of(from_canvas(canvas), period)


def stones(rng: np.random.Generator, base: Rgb) -> Tile:
    """Loose stones, big over small, each with a paler upper side."""
    period = 1.7
    canvas: Bytes = np.zeros((TILE_PX, TILE_PX, 3), np.uint8)
    canvas[:] = to_canvas(np.asarray(base) * 0.45)
    for size_px, count in ((2.6, 9000), (4.5, 5200), (7.5, 2000), (11.0, 260)):
        centres = rng.uniform(0, TILE_PX, (count, 2))
        radii = size_px * rng.uniform(0.65, 1.2, (count, 2))
        turns = rng.uniform(0, np.pi, count)
        tone = np.exp(rng.normal(0.0, 0.36, (count, 1))) * (1.0 + rng.normal(0, 0.05, (count, 3)))
        colours = np.asarray(base) * tone
        draw_blobs(canvas, centres + size_px * 0.25, radii, turns, colours * 0.40)
        draw_blobs(canvas, centres, radii, turns, colours)
        draw_blobs(canvas, centres - size_px * 0.2, radii * 0.6, turns, colours * 1.22)
    return Tile.of(from_canvas(canvas), period)


def slabs(rng: np.random.Generator, base: Rgb) -> Tile:
    """Cast or tarred ground: grain, pores, pale chips and hair cracks."""
    period = 3.1
    grain = spectral(rng, TILE_PX, 0.25, 40)
    cloud = spectral(rng, TILE_PX, 1.2, 1, 60)
    tone = 1.0 + 0.13 * grain + 0.09 * cloud
    picture = np.clip(np.asarray(base, np.float32) * tone[..., None], 0.01, CANVAS_TOP)
    canvas = np.round(255.0 * np.sqrt(picture / CANVAS_TOP)).astype(np.uint8)
    count = 2600
    chips = np.asarray(base) * np.exp(rng.normal(0.0, 0.42, (count, 1)))
    draw_blobs(
        canvas,
        rng.uniform(0, TILE_PX, (count, 2)),
        rng.uniform(0.6, 1.7, (count, 2)),
        rng.uniform(0, np.pi, count),
        np.repeat(chips, 1, axis=0) * np.ones((1, 3)),
    )
    for _ in range(int(rng.integers(2, 6))):
        steps = rng.normal(0, 0.35, 90).cumsum() + rng.uniform(0, 2 * np.pi)
        line = rng.uniform(0, TILE_PX, 2) + np.cumsum(
            5.0 * np.stack([np.cos(steps), np.sin(steps)], axis=1), axis=0
        )
        draw_strokes(canvas, line[None], np.asarray(base) * 0.45, 1)
    return Tile.of(from_canvas(canvas), period)


def boards(rng: np.random.Generator, base: Rgb) -> Tile:
    """Strips of wood along v with staggered ends, grain lines and dark joints."""
    period, strips = 2.4, 32
    wide = TILE_PX // strips
    v = np.arange(TILE_PX)
    tone = np.ones((TILE_PX, TILE_PX), np.float32)
    grain = spectral(rng, TILE_PX, 0.5, 8)
    # Grain runs along the strip: the noise is stretched by averaging along it.
    grain = np.asarray(cv2.blur(np.vstack([grain] * 3), (1, 61)), np.float32)[TILE_PX : 2 * TILE_PX]
    grain /= grain.std()
    for i in range(strips):
        cuts = np.sort(rng.choice(np.arange(8, TILE_PX - 8), 3, replace=False))
        piece = np.searchsorted(cuts, v) % 3
        tones = 1.0 + rng.normal(0.0, 0.13, 3)
        part = tones[piece][:, None] * (1.0 + 0.07 * grain[:, i * wide : (i + 1) * wide])
        part[cuts] *= 0.55
        part[:, 0] *= 0.55
        tone[:, i * wide : (i + 1) * wide] = part
    hue = 1.0 + 0.05 * spectral(rng, TILE_PX, 1.0, 2, 40)
    picture = np.asarray(base, np.float32) * tone[..., None]
    picture[..., 2] *= hue
    return Tile.of(np.clip(picture, 0.005, CANVAS_TOP), period)


def spread(rng: np.random.Generator, period_m: float, fall: float, lowest: float = 1.0) -> Tile:
    """A single wide field of unit spread, for patches and stains."""
    return Tile.of(spectral(rng, 512, fall, lowest, 200)[..., None], period_m)
