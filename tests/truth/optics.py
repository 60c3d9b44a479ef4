"""What lens, lamps and automatic exposure do to a linear picture, whoever drew it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Picture
from truth.scenes import Scene

READOUT_S = 0.018  # from the first row to the last, as phones' rolling shutters have it
JUMP_S = 0.4


@dataclass(frozen=True, slots=True)
class LensGrease:
    """A greasy patch on the lens: `share` (h, w) of the light that it scatters."""

    share: Picture | None

    @classmethod
    def on(cls, width_px: int, height_px: int, smear: float, seed: int) -> LensGrease:
        """A fingerprint somewhere on the lens; none with smear 0."""
        if smear <= 0.0:
            return cls(None)
        rng = np.random.default_rng([seed, 11])
        yy, xx = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
        cx, cy = rng.uniform(0.35, 0.65) * width_px, rng.uniform(0.45, 0.6) * height_px
        turn = rng.uniform(0.0, math.pi)
        u = ((xx - cx) * math.cos(turn) + (yy - cy) * math.sin(turn)) / (0.34 * width_px)
        v = ((yy - cy) * math.cos(turn) - (xx - cx) * math.sin(turn)) / (0.20 * width_px)
        share = smear * np.exp(-((u**2 + v**2) ** 1.5))
        return cls(np.asarray(share, np.float32)[..., None])

    def over(self, light: Picture) -> Picture:
        """The linear picture (h, w, 3) as it comes through."""
        if self.share is None:
            return light
        h, w = light.shape[:2]
        small = cv2.resize(light, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
        near = cv2.GaussianBlur(small, (0, 0), w / 4 * 0.0035)
        wide = cv2.GaussianBlur(small, (0, 0), w / 4 * 0.05)
        veil = cv2.resize(0.72 * near + 0.28 * wide, (w, h), interpolation=cv2.INTER_LINEAR)
        out: Picture = light + self.share * (np.asarray(veil, np.float32) - light)
        return out


def exposure_change(scene: Scene, at_s: float) -> float:
    """Factor on the exposure at a moment of the set: a jump that takes JUMP_S."""
    p = scene.picture
    if p.jump_at_s is None:
        return 1.0
    return float(2.0 ** (p.jump_ev * np.clip((at_s - p.jump_at_s) / JUMP_S, 0.0, 1.0)))


def lamp_light(scene: Scene, light: Picture, at_s: float) -> Picture:
    """The picture under lamps that flicker at twice the mains frequency, row by row.

    Notes
    -----
    A row that opens at t for T sees the mean of 1 + a sin(2 pi F u) over u in t..t + T, which is
    1 + a sinc(F T) sin(2 pi F (t + T / 2)).
    """
    w = scene.weather
    if w.flicker <= 0.0:
        return light
    rate = 2.0 * w.mains_hz
    rows = at_s + READOUT_S * (np.arange(light.shape[0]) / light.shape[0] - 0.5)
    swing = w.flicker * np.sinc(rate * scene.picture.shutter_s) * np.sin(2.0 * np.pi * rate * rows)
    out: Picture = light * np.asarray(1.0 + swing, np.float32)[:, None, None]
    return out
