"""Develops painted frames: only what changed is exposed again, grain goes over everything."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from truth.arrays import Bytes, Floats, Picture
from truth.jit import kernel
from truth.sensor import (
    BANK_MARGIN_PX,
    shown,
    smooth_noise,
    stack_planes,
    tone_tables,
)

Box = tuple[int, int, int, int]


@kernel
def expose_box(
    light: Picture,
    falloff: Picture,
    gain: Floats,
    tone: Picture,
    grain: Picture,
    box: tuple[int, int, int, int],
    luma: Picture,
    sigma: Picture,
    blue: Picture,
    red: Picture,
) -> None:
    """Fill BT.709 planes without noise inside a box (x0, y0, x1, y1) of even numbers.

    Parameters
    ----------
    light
        (h, w, 3) linear. falloff (h, w). tone, grain: tables of `sensor.tone_tables`.
    luma, sigma
        (h, w) brightness and its noise, eight-bit steps. blue, red: (h / 2, w / 2).
    """
    for row in range(box[1], box[3], 2):
        for col in range(box[0], box[2], 2):
            cb = 0.0
            cr = 0.0
            for k in range(4):
                i = row + k // 2
                j = col + k % 2
                y, b, r, q = shown(light, i, j, falloff[i, j], gain, tone)
                cb += b * 0.25
                cr += r * 0.25
                luma[i, j] = y
                sigma[i, j] = grain[q]
            blue[row // 2, col // 2] = cb
            red[row // 2, col // 2] = cr


@kernel
def add_grain(
    plane: Picture,
    sigma: Picture,
    bank: Picture,
    y0: int,
    x0: int,
    strength: float,
    low: float,
    high: float,
    zero: float,
    scale: float,
    step: int,
    out: Bytes,
) -> None:
    """Whole numbers of a plane with noise from a bank read from (y0, x0) on."""
    h, w = out.shape
    for i in range(h):
        for j in range(w):
            v = plane[i, j] + strength * sigma[i * step, j * step] * bank[i + y0, j + x0]
            out[i, j] = int(min(high, max(low, zero + v * scale)))


def fall_off(width_px: int, height_px: int, vignette: float, reach_px: float) -> Picture:
    """Share of the light (h, w) that the lens leaves, by the distance from the middle."""
    yy, xx = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
    r2 = ((xx - width_px / 2) ** 2 + (yy - height_px / 2) ** 2) / reach_px**2
    return np.asarray(1.0 / (1.0 + vignette * r2) ** 2, np.float32)


@dataclass(slots=True)
class Planes:
    """Brightness, its noise, and the two colour differences, before whole numbers."""

    luma: Picture
    sigma: Picture
    blue: Picture
    red: Picture

    @classmethod
    def empty(cls, width_px: int, height_px: int) -> Planes:
        """Planes of a picture size."""
        full, half = (height_px, width_px), (height_px // 2, width_px // 2)
        return cls(
            np.zeros(full, np.float32),
            np.zeros(full, np.float32),
            np.zeros(half, np.float32),
            np.zeros(half, np.float32),
        )

    def copy_box(self, other: Planes, box: Box) -> None:
        """Take a box of even numbers over from other planes."""
        x0, y0, x1, y1 = box
        self.luma[y0:y1, x0:x1] = other.luma[y0:y1, x0:x1]
        self.sigma[y0:y1, x0:x1] = other.sigma[y0:y1, x0:x1]
        half = np.s_[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2]
        self.blue[half] = other.blue[half]
        self.red[half] = other.red[half]

    def warped(self, to_source: Floats, width_px: int, height_px: int) -> Planes:
        """Planes seen through a homography (3, 3) from the new picture to this one."""
        halve = np.diag([0.5, 0.5, 1.0])
        # Colour samples sit half a pixel into their block of four.
        shift = np.array([[1.0, 0, -0.25], [0, 1.0, -0.25], [0, 0, 1.0]])
        small = shift @ halve @ to_source @ np.linalg.inv(shift @ halve)

        def see(plane: Picture, h: Floats, size: tuple[int, int]) -> Picture:
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            out = cv2.warpPerspective(plane, h, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
            return np.asarray(out, np.float32)

        full, half = (width_px, height_px), (width_px // 2, height_px // 2)
        return Planes(
            see(self.luma, to_source, full),
            see(self.sigma, to_source, full),
            see(self.blue, small, half),
            see(self.red, small, half),
        )


@dataclass(slots=True)
class Darkroom:
    """A sensor for pictures that differ from a still one in few places."""

    still: Picture
    falloff: Picture
    tone: Picture
    grain: Picture
    fine: Picture
    coarse: Picture
    rng: np.random.Generator
    base: Planes
    work: Planes
    gain: Floats
    stale: list[Box]

    @classmethod
    def open(
        cls, still: Picture, noise: float, vignette: float, seed: int, reach_px: float
    ) -> Darkroom:
        """Prepare tables, noise banks and planes for a still picture (h, w, 3).

        Parameters
        ----------
        reach_px
            Half diagonal of the picture that is filmed, at which the vignette is stated.
        """
        rng = np.random.default_rng([seed, 9])
        h, w = still.shape[:2]
        tone, grain = tone_tables(noise)
        m = BANK_MARGIN_PX
        return cls(
            still,
            fall_off(w, h, vignette, reach_px),
            tone,
            grain,
            smooth_noise(rng, (h + m, w + m), 0.55),
            smooth_noise(rng, (h // 2 + m, w // 2 + m), 1.3),
            rng,
            Planes.empty(w, h),
            Planes.empty(w, h),
            np.zeros(3),
            [],
        )

    def develop_whole(self, picture: Picture, gain: Floats) -> Bytes:
        """Stacked 4:2:0 planes of a picture (h, w, 3) no larger than the still one."""
        h, w = picture.shape[:2]
        top, left = (self.still.shape[0] - h) // 2, (self.still.shape[1] - w) // 2
        planes = Planes.empty(w, h)
        falloff = np.ascontiguousarray(self.falloff[top : top + h, left : left + w])
        self._expose(picture, falloff, gain, (0, 0, w, h), planes)
        return self._finish(planes)

    def develop(
        self,
        picture: Picture,
        gain: Floats,
        changed: list[Box],
        to_source: Floats | None = None,
        size: tuple[int, int] | None = None,
    ) -> Bytes:
        """Stacked 4:2:0 planes of a picture that differs from the still one in boxes.

        Parameters
        ----------
        changed
            Boxes x0, y0, x1, y1 of even numbers.
        to_source
            Homography from the filmed picture to the painted one, where they differ; `size` is
            then the filmed picture's width and height.
        """
        if not np.array_equal(gain, self.gain):
            self.gain = gain.copy()
            h, w = self.still.shape[:2]
            self._expose(self.still, self.falloff, gain, (0, 0, w, h), self.base)
            self.work.copy_box(self.base, (0, 0, w, h))
        for box in self.stale:
            self.work.copy_box(self.base, box)
        for box in changed:
            self._expose(picture, self.falloff, gain, box, self.work)
        self.stale = changed
        planes = self.work
        if to_source is not None and size is not None:
            planes = planes.warped(to_source, *size)
        return self._finish(planes)

    def _expose(
        self, picture: Picture, falloff: Picture, gain: Floats, box: Box, into: Planes
    ) -> None:
        expose_box(
            picture,
            falloff,
            gain,
            self.tone,
            self.grain,
            box,
            into.luma,
            into.sigma,
            into.blue,
            into.red,
        )

    def _finish(self, p: Planes) -> Bytes:
        a, b, c, d = (int(v) for v in self.rng.integers(0, BANK_MARGIN_PX, 4))
        luma = np.empty(p.luma.shape, np.uint8)
        blue = np.empty(p.blue.shape, np.uint8)
        red = np.empty(p.red.shape, np.uint8)
        ys, cs = 219.0 / 255.0, 224.0 / 255.0
        add_grain(p.luma, p.sigma, self.fine, a, b, 1.0, 16.0, 235.0, 16.5, ys, 1, luma)
        add_grain(p.blue, p.sigma, self.coarse, c, d, 0.7, 16.0, 240.0, 128.5, cs, 2, blue)
        add_grain(p.red, p.sigma, self.coarse, d, c, 0.7, 16.0, 240.0, 128.5, cs, 2, red)
        return stack_planes(luma, blue, red)
