"""From linear light to the camera's 8-bit planes: vignette, tone curve, noise, 4:2:0."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Bytes, Floats, Picture
from truth.jit import kernel

TONE_STEPS = 4096
# The linear value at the end of the tone table; brighter light clips.
TONE_TOP = 4.0
BANK_MARGIN_PX = 96


@kernel
def shown(
    light: Picture, i: int, j: int, share: float, gain: Floats, tone: Picture
) -> tuple[float, float, float, int]:
    """BT.709 brightness and colour differences of a pixel without noise, and its place in `tone`.

    Parameters
    ----------
    light
        (h, w, 3) linear. share: of it that the lens leaves. gain: (3,). tone: see `tone_tables`.
    """
    top = TONE_STEPS - 1.001
    scale = top / np.sqrt(TONE_TOP)
    r = tone[int(min(top, np.sqrt(max(0.0, light[i, j, 0] * share * gain[0])) * scale))]
    q = int(min(top, np.sqrt(max(0.0, light[i, j, 1] * share * gain[1])) * scale))
    g = tone[q]
    b = tone[int(min(top, np.sqrt(max(0.0, light[i, j, 2] * share * gain[2])) * scale))]
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return y, (b - y) / 1.8556, (r - y) / 1.5748, q


@kernel
def expose(
    light: Picture,
    falloff: Picture,
    gain: Floats,
    tone: Picture,
    grain: Picture,
    fine: Picture,
    coarse: Picture,
    shift: tuple[int, int, int, int],
    luma: Bytes,
    blue: Bytes,
    red: Bytes,
) -> None:
    """Fill BT.709 limited-range planes.

    Parameters
    ----------
    light
        (h, w, 3) linear. falloff: (h, w). gain: (3,) exposure with white balance.
    tone, grain
        (TONE_STEPS,) 8-bit value and noise sigma by square root of light over TONE_TOP.
    fine, coarse
        Banks of unit noise for brightness and colour; `shift` says where to start in each.
    """
    height, width = luma.shape
    for row in range(0, height, 2):
        for col in range(0, width, 2):
            cb = 0.0
            cr = 0.0
            for k in range(4):
                i = row + k // 2
                j = col + k % 2
                y, b, r, q = shown(light, i, j, falloff[i, j], gain, tone)
                s = grain[q]
                cb += b * 0.25
                cr += r * 0.25
                y += s * fine[i + shift[0], j + shift[1]]
                luma[i, j] = int(min(235.0, max(16.0, 16.5 + y * (219.0 / 255.0))))
                if k == 3:
                    cb += 0.7 * s * coarse[i // 2 + shift[2], j // 2 + shift[3]]
                    cr += 0.7 * s * coarse[i // 2 + shift[3], j // 2 + shift[2]]
            blue[row // 2, col // 2] = int(min(240.0, max(16.0, 128.5 + cb * (224.0 / 255.0))))
            red[row // 2, col // 2] = int(min(240.0, max(16.0, 128.5 + cr * (224.0 / 255.0))))


def tone_tables(noise: float) -> tuple[Picture, Picture]:
    """Tone curve and noise sigma by the square root of light.

    The curve is the sRGB encoding (IEC 61966-2-1) after a soft shoulder. Photon noise grows with
    the root of light and is carried through the curve's slope.
    """
    root = np.linspace(0.0, np.sqrt(TONE_TOP), TONE_STEPS)
    x = root**2
    shoulder = np.where(x < 0.6, x, 0.6 + 0.4 * (1.0 - np.exp(-(x - 0.6) / 0.4)))
    low = shoulder * 12.92
    high = 1.055 * np.power(np.maximum(shoulder, 1e-6), 1 / 2.4) - 0.055
    tone = 255.0 * np.where(shoulder <= 0.0031308, low, high)
    slope = np.gradient(tone, x + 1e-9 * np.arange(TONE_STEPS))
    sigma = np.sqrt(0.00004 * x + 0.0000012) * noise
    grain = np.clip(slope * sigma, 0.3 * noise, 6.0 * max(noise, 0.01))
    return tone.astype(np.float32), grain.astype(np.float32)


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], sigma_px: float) -> Picture:
    """Gaussian noise of unit spread whose neighbours agree over sigma_px."""
    raw = rng.standard_normal(shape, np.float32)
    soft = np.asarray(cv2.GaussianBlur(raw, (0, 0), sigma_px), np.float32)
    out: Picture = soft / np.float32(soft.std())
    return out


@dataclass(slots=True)
class Sensor:
    """A sensor that exposes linear pictures of one size."""

    falloff: Picture
    tone: Picture
    grain: Picture
    fine: Picture
    coarse: Picture
    rng: np.random.Generator

    @classmethod
    def make(
        cls, width_px: int, height_px: int, noise: float, vignette: float, seed: int
    ) -> Sensor:
        """Prepare tables and noise banks."""
        rng = np.random.default_rng([seed, 9])
        yy, xx = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
        half = 0.5 * np.hypot(width_px, height_px)
        r2 = ((xx - width_px / 2) ** 2 + (yy - height_px / 2) ** 2) / half**2
        tone, grain = tone_tables(noise)
        m = BANK_MARGIN_PX
        shape = (height_px + m, width_px + m)
        # Phones smooth their noise: neighbours agree a little, colour much more.
        fine = smooth_noise(rng, shape, 0.55)
        side = max(shape)
        coarse = smooth_noise(rng, (side, side), 1.3)
        falloff = (1.0 / (1.0 + vignette * r2) ** 2).astype(np.float32)
        return cls(falloff, tone, grain, fine, coarse, rng)

    def planes(self, light: Picture, gain: Floats) -> Bytes:
        """The picture as stacked 4:2:0 planes, (h * 3 / 2, w)."""
        h, w = light.shape[:2]
        luma = np.empty((h, w), np.uint8)
        blue = np.empty((h // 2, w // 2), np.uint8)
        red = np.empty((h // 2, w // 2), np.uint8)
        a, b, c, d = (int(v) for v in self.rng.integers(0, BANK_MARGIN_PX, 4))
        expose(
            light,
            self.falloff,
            gain,
            self.tone,
            self.grain,
            self.fine,
            self.coarse,
            (a, b, c, d),
            luma,
            blue,
            red,
        )
        return stack_planes(luma, blue, red)


def stack_planes(luma: Bytes, blue: Bytes, red: Bytes) -> Bytes:
    """Three planes as the one array that the encoder takes."""
    h, w = luma.shape
    return np.concatenate([luma.ravel(), blue.ravel(), red.ravel()]).reshape(h * 3 // 2, w)


def turn_planes(stacked: Bytes, quarter_turns: int) -> Bytes:
    """Turn a stacked picture counter-clockwise by quarter turns."""
    if quarter_turns % 4 == 0:
        return stacked
    h = stacked.shape[0] * 2 // 3
    w = stacked.shape[1]
    flat = stacked.ravel()
    n = h * w
    y = np.rot90(flat[:n].reshape(h, w), quarter_turns)
    u = np.rot90(flat[n : n + n // 4].reshape(h // 2, w // 2), quarter_turns)
    v = np.rot90(flat[n + n // 4 :].reshape(h // 2, w // 2), quarter_turns)
    return stack_planes(np.ascontiguousarray(y), np.ascontiguousarray(u), np.ascontiguousarray(v))
