"""Hashed lattice noise: repeatable by seed, and faded out where a pixel is too coarse for it."""

import math

from truth.jit import kernel


@kernel
def hash01(ix: int, iy: int, seed: int) -> float:
    """Uniform number in [0, 1) fixed by a lattice cell and a seed."""
    h = (ix * 374761393 + iy * 668265263 + seed * 974711 + 1013904223) & 0xFFFFFFFF
    h = ((h ^ (h >> 15)) * 2246822519) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 3266489917) & 0xFFFFFFFF
    h = h ^ (h >> 16)
    return h / 4294967296.0


@kernel
def value_noise(x: float, y: float, seed: int) -> float:
    """Smooth noise in [0, 1] with one feature per unit."""
    fx = math.floor(x)
    fy = math.floor(y)
    ix = int(fx)
    iy = int(fy)
    u = x - fx
    v = y - fy
    u = u * u * (3.0 - 2.0 * u)
    v = v * v * (3.0 - 2.0 * v)
    a = hash01(ix, iy, seed)
    b = hash01(ix + 1, iy, seed)
    c = hash01(ix, iy + 1, seed)
    d = hash01(ix + 1, iy + 1, seed)
    return (a + (b - a) * u) * (1.0 - v) + (c + (d - c) * u) * v


@kernel
def seen(wavelength_m: float, footprint_m: float) -> float:
    """Share of a texture wave left after a pixel of this footprint averages over it."""
    q = wavelength_m / footprint_m - 1.0
    return min(1.0, max(0.0, q))


@kernel
def fractal(
    x: float, y: float, wavelength_m: float, octaves: int, footprint_m: float, seed: int
) -> float:
    """Sum of octaves about zero, each faded by the pixel footprint; roughly within +-1."""
    total = 0.0
    amplitude = 1.0
    wave = wavelength_m
    for i in range(octaves):
        left = seen(wave, footprint_m)
        if left <= 0.0:
            break
        total += amplitude * left * (2.0 * value_noise(x / wave, y / wave, seed + 17 * i) - 1.0)
        amplitude *= 0.55
        wave *= 0.47
    return total


@kernel
def cells(x: float, y: float, seed: int) -> tuple[float, float, float, float, float]:
    """Nearest and second nearest scattered point.

    Returns
    -------
    tuple
        Distance to nearest, distance to second, a hash of the nearest, and the offset (dx, dy)
        from the nearest point, all in cell units.
    """
    ix = math.floor(x)
    iy = math.floor(y)
    first = 9.0
    second = 9.0
    tag = 0.0
    ox = 0.0
    oy = 0.0
    for j in range(-1, 2):
        for i in range(-1, 2):
            cx = ix + i
            cy = iy + j
            px = cx + 0.1 + 0.8 * hash01(cx, cy, seed)
            py = cy + 0.1 + 0.8 * hash01(cx, cy, seed + 7919)
            dx = x - px
            dy = y - py
            d = dx * dx + dy * dy
            if d < first:
                second = first
                first = d
                tag = hash01(cx, cy, seed + 104729)
                ox = dx
                oy = dy
            elif d < second:
                second = d
    return math.sqrt(first), math.sqrt(second), tag, ox, oy
