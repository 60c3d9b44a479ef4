"""Walls, fences and hedges as seamless tiles over (along, height), and the line of their tops."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from truth.arrays import Bytes, Field, Floats
from truth.plain.tiles import (
    CANVAS_TOP,
    TILE_PX,
    Rgb,
    Tile,
    draw_blobs,
    from_canvas,
    spectral,
    to_canvas,
)


@dataclass(frozen=True, slots=True)
class Cladding:
    """Albedo of an upright `read(along_m, height_m, footprint_m)` and its top above its height."""

    read: Callable[[Field, Field, Field], Field]
    ragged_m: Floats
    period_m: float

    def top_m(self, along_m: Field) -> Field:
        """How far the top stands above the nominal height at places along."""
        at = np.mod(along_m / self.period_m, 1.0) * len(self.ragged_m)
        out: Field = self.ragged_m[at.astype(np.int64) % len(self.ragged_m)].astype(np.float32)
        return out


def clad(kind: str, seed: int) -> Cladding:
    """Make an upright of a kind that scenes know."""
    rng = np.random.default_rng([seed, 22])
    make = {"brick": _brick, "plaster": _plaster, "fence": _fence, "hedge": _hedge, "net": _net}[
        kind
    ]
    return make(rng)


def _damp(height_m: Field, share: float, reach_m: float) -> Field:
    out: Field = (1.0 - share * np.exp(-height_m / reach_m))[..., None].astype(np.float32)
    return out


def _brick(rng: np.random.Generator) -> Cladding:
    long_m, high_m, bond = 0.225, 0.075, 0.5
    across, rows = 12, 36
    period = across * long_m
    base: Rgb = [(0.30, 0.14, 0.095), (0.42, 0.33, 0.20), (0.24, 0.12, 0.10), (0.55, 0.53, 0.50)][
        int(rng.integers(4))
    ]
    px = np.arange(TILE_PX) * period / TILE_PX
    v, u = np.meshgrid(px, px, indexing="ij")
    row = np.floor(v / high_m).astype(int) % rows
    shifted = u / long_m + bond * (row % 2)
    col = np.floor(shifted).astype(int) % across
    tones = np.exp(rng.normal(0, 0.20, (rows, across, 1))) * (
        1 + rng.normal(0, 0.035, (rows, across, 3))
    )
    burnt = rng.random((rows, across, 1)) < 0.07
    tones = np.where(burnt, tones * 0.55, tones)
    rough = spectral(rng, TILE_PX, 0.4, 30)
    fu = (shifted - np.floor(shifted)) * long_m
    fv = v - np.floor(v / high_m) * high_m
    edge = np.minimum(np.minimum(fu, long_m - fu), np.minimum(fv, high_m - fv)) + 0.0012 * rough
    face = np.clip((edge - 0.0045) / 0.003, 0.0, 1.0)[..., None]
    mortar = np.array([0.38, 0.36, 0.32]) * (0.85 if base[0] < 0.5 else 1.25)
    picture = np.asarray(base) * tones[row, col] * (1 + 0.10 * rough[..., None]) * face
    picture = picture + mortar * (1 + 0.08 * rough[..., None]) * (1 - face)
    tile = Tile.of(np.clip(picture, 0.01, CANVAS_TOP).astype(np.float32), period)
    wide = Tile.of(spectral(rng, 256, 1.2, 1, 100)[..., None], 7.0)

    def read(along: Field, height: Field, fp: Field) -> Field:
        stain = 1.0 + 0.08 * wide.read(along, height, fp)
        return tile.read(along, height, fp) * stain * _damp(height, 0.3, 0.3)

    return Cladding(read, np.zeros(8), period)


def _plaster(rng: np.random.Generator) -> Cladding:
    base: Rgb = [(0.62, 0.58, 0.50), (0.66, 0.66, 0.64), (0.55, 0.42, 0.30), (0.42, 0.47, 0.50)][
        int(rng.integers(4))
    ]
    plinth_m = float(rng.uniform(0.15, 0.5)) if rng.random() < 0.6 else 0.0
    grit = spectral(rng, TILE_PX, 0.5, 60)
    tile = Tile.of(np.asarray(base, np.float32) * (1.0 + 0.05 * grit[..., None]), 1.9)
    wide = Tile.of(spectral(rng, 512, 1.4, 1, 160)[..., None], 6.3)
    runs = Tile.of(spectral(rng, 256, 0.7, 3, 100)[..., None], 4.1)

    def read(along: Field, height: Field, fp: Field) -> Field:
        out = tile.read(along, height, fp) * (1.0 + 0.05 * wide.read(along, height, fp))
        # Rain draws long dirt runs: the field is stretched eight times in height.
        out *= 1.0 - 0.05 * np.maximum(0.0, runs.read(along, height / 8.0, fp))
        if plinth_m:
            low = np.clip(0.5 + (plinth_m - height) / np.maximum(fp, 0.004), 0, 1)[..., None]
            out *= 1.0 - 0.45 * low
        return out * _damp(height, 0.35, 0.15)

    return Cladding(read, np.zeros(8), 1.9)


def _fence(rng: np.random.Generator) -> Cladding:
    """Lying planks between posts, or standing pales."""
    standing = bool(rng.random() < 0.5)
    base: Rgb = [(0.27, 0.18, 0.10), (0.30, 0.27, 0.23), (0.16, 0.10, 0.06), (0.10, 0.16, 0.10)][
        int(rng.integers(4))
    ]
    planks = 16
    period = planks * float(rng.uniform(0.09, 0.16))
    wide = TILE_PX // planks
    grain = spectral(rng, TILE_PX, 0.4, 10)
    kernel = np.ones(75) / 75.0
    stretched = np.apply_along_axis(
        lambda line: np.convolve(np.concatenate([line[-37:], line, line[:37]]), kernel, "valid"),
        1,
        grain[::4],
    )
    grain = np.repeat(stretched / stretched.std(), 4, axis=0)
    tone = np.exp(rng.normal(0, 0.17, planks)).repeat(wide)[:, None] * (1.0 + 0.12 * grain)
    at = np.arange(TILE_PX) % wide
    gap = np.where((at < 2) | (at > wide - 3), 0.18, 1.0) * (1.0 - 0.25 * np.exp(-at / 5.0))
    picture = np.asarray(base) * (tone * gap[:, None])[..., None]
    if standing:
        picture = picture.transpose(1, 0, 2)
    tile = Tile.of(np.clip(picture, 0.004, CANVAS_TOP).astype(np.float32), period)
    post_m = float(rng.uniform(1.6, 2.4))

    def read(along: Field, height: Field, fp: Field) -> Field:
        out = tile.read(along, height, fp)
        if not standing:
            away = np.abs(along - np.round(along / post_m) * post_m)
            post = np.clip(0.5 + (0.045 - away) / np.maximum(fp, 0.003), 0, 1)[..., None]
            out = out * (1 - post) + np.asarray(base, np.float32) * 0.8 * post
        return out * _damp(height, 0.35, 0.2)

    ragged = rng.normal(0, 0.008, planks) if standing else np.zeros(planks)
    return Cladding(read, ragged, period)


def _hedge(rng: np.random.Generator) -> Cladding:
    period = 1.6
    leaf: Rgb = [(0.06, 0.12, 0.03), (0.09, 0.14, 0.03), (0.04, 0.09, 0.035)][int(rng.integers(3))]
    canvas: Bytes = np.zeros((TILE_PX, TILE_PX, 3), np.uint8)
    canvas[:] = to_canvas(np.asarray(leaf) * 0.10)
    clump = spectral(rng, TILE_PX, 1.0, 3, 40)
    for layer in range(9):
        count = 1500
        at = rng.uniform(0, TILE_PX, (count, 2))
        out_there = clump[at[:, 1].astype(int), at[:, 0].astype(int)] > rng.normal(
            0.25 * layer - 1.6, 0.6, count
        )
        at = at[out_there]
        n = len(at)
        radii = np.stack([rng.uniform(7, 15, n), rng.uniform(4, 8, n)], axis=1)
        tone = (0.25 + 0.17 * layer) * np.exp(rng.normal(0, 0.3, (n, 1)))
        hue = 1.0 + rng.normal(0, 0.10, (n, 3))
        draw_blobs(
            canvas,
            at,
            radii,
            rng.uniform(0, np.pi, n),
            np.clip(np.asarray(leaf) * tone * hue, 0, 0.6),
        )
    tile = Tile.of(from_canvas(canvas), period)
    wide = Tile.of(spectral(rng, 256, 1.2, 1, 60)[..., None], 4.7)

    def read(along: Field, height: Field, fp: Field) -> Field:
        lump = np.maximum(0.35, 1.0 + 0.28 * wide.read(along, height, fp))
        # A hedge's tile stands with its upper leaves up: v runs down in the drawing.
        out: Field = tile.read(along, -height, fp) * lump * _damp(height, 0.45, 0.35)
        return out

    wave = np.fft.rfft(rng.standard_normal(2048))
    k = np.arange(len(wave))
    ragged = np.fft.irfft(wave * np.where(k > 2, np.maximum(k, 1.0) ** -0.85, 0.0), n=2048)
    return Cladding(read, 0.05 * ragged / ragged.std(), 9.0)


def _net(_: np.random.Generator) -> Cladding:
    """Nothing to read: cords are hung over the finished picture."""
    return Cladding(lambda along, _z, _fp: np.zeros((*along.shape, 3)), np.zeros(8), 1.0)
