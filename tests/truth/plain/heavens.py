"""The sky and the far land under it: clouds, tree crowns, roofs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from truth.arrays import Field, Floats
from truth.plain.tiles import Tile, spectral

BEARINGS = 4096


@dataclass(frozen=True, slots=True)
class Heavens:
    """What stands beyond everything."""

    cloud: float
    clouds: Tile
    leaves: Tile
    crowns: Floats
    roofs: Floats
    roof_tones: Floats

    @classmethod
    def of(cls, cloud: float, seed: int) -> Heavens:
        """Draw a skyline and clouds."""
        rng = np.random.default_rng([seed, 23])
        wave = np.fft.rfft(rng.standard_normal(BEARINGS))
        k = np.arange(len(wave))
        field = np.fft.irfft(wave * np.where(k > 3, np.maximum(k, 1.0) ** -0.8, 0), n=BEARINGS)
        field /= field.std()
        crowns = 0.055 + 0.022 * field + 0.02 * np.abs(np.roll(field, 700))
        roofs = np.full(BEARINGS, -1.0)
        tones = np.ones(BEARINGS)
        at = 0
        while at < BEARINGS - 600:
            at += int(rng.integers(60, 420))
            width = int(rng.integers(50, 150))
            if rng.random() < 0.6:
                x = np.arange(width)
                eaves = rng.uniform(0.05, 0.10)
                pitch = rng.uniform(0.0, 0.04)
                roofs[at : at + width] = eaves + pitch * (1 - np.abs(2 * x / width - 1))
                tones[at : at + width] = rng.uniform(0.12, 0.40)
            at += width
        return cls(
            cloud,
            Tile.of(spectral(rng, 512, 1.35, 1, 200)[..., None], 9.0),
            Tile.of(spectral(rng, 512, 0.55, 4, 220)[..., None], 0.35),
            crowns,
            roofs,
            tones,
        )

    def light(self, dx: Field, dy: Field, dz: Field, pixel_rad: float) -> Field:
        """Radiance (h, w, 3) along unit rays, before the strength of the sky."""
        rise = dz / np.sqrt(dx * dx + dy * dy + 1e-6)
        bearing = np.arctan2(dx, dy)
        spot = ((bearing / (2 * np.pi) + 0.5) * BEARINGS).astype(np.int64) % BEARINGS
        fine = np.full_like(rise, pixel_rad)
        up = np.maximum(dz, 0.06)
        f = self.clouds.read(dx / up, dy / up, pixel_rad / up**2)[..., 0]
        cover = np.clip(self.cloud + 0.30 * f, 0.0, 1.0)[..., None]
        haze = np.exp(-3.2 * np.maximum(rise, 0.0))[..., None]
        blue = np.array([0.20, 0.38, 0.78], np.float32)
        pale = np.array([0.66, 0.76, 0.92], np.float32)
        grey = np.array([0.93, 0.94, 0.97], np.float32) * (1.0 - 0.10 * f * self.cloud)[..., None]
        out = (blue + (pale - blue) * haze) * (1.0 - cover) + grey * cover
        roof = self.roofs[spot]
        house = np.clip((roof - rise) / pixel_rad + 0.5, 0.0, 1.0)[..., None]
        wall = self.roof_tones[spot][..., None] * np.array([1.0, 0.93, 0.85], np.float32)
        wall = np.where((rise > 0.55 * roof)[..., None], wall * [0.75, 0.5, 0.42], wall)
        out = out * (1.0 - house) + (0.6 * wall + 0.06) * house
        leaf = self.leaves.read(bearing, rise, fine)[..., 0]
        shadow = np.clip((rise / np.maximum(self.crowns[spot], 0.01)), 0.0, 1.2)
        tree = np.clip((self.crowns[spot] + 0.004 * leaf - rise) / pixel_rad + 0.5, 0, 1)[..., None]
        tone = np.maximum(0.15, 0.45 + 0.45 * shadow + 0.30 * leaf)[..., None]
        green = np.array([0.075, 0.105, 0.045], np.float32) * tone + 0.035
        mixed: Field = (out * (1.0 - tree) + green * tree).astype(np.float32)
        return mixed
