"""The four grounds as layers of tiles: detail, patches, stains, worn places and lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from truth.arrays import Field
from truth.plain.tiles import Rgb, blades, boards, slabs, spread, stones

Reader = Callable[[Field, Field, Field], Field]


@dataclass(frozen=True, slots=True)
class Ground:
    """Albedo (h, w, 3) of places `read(x_m, y_m, footprint_m)`, and the gloss of the surface."""

    read: Reader
    gloss: float


def lay_ground(
    kind: str, seed: int, heading_rad: float, worn: list[tuple[float, float, float]]
) -> Ground:
    """Make a ground.

    Parameters
    ----------
    kind
        A ground of a scene.
    heading_rad
        Bearing in which the camera looks.
    worn
        (x, y, radius) in metres of places that feet have worn.
    """
    rng = np.random.default_rng([seed, 21])
    if kind == "grass":
        return Ground(_grass(rng, heading_rad, worn), 0.0)
    if kind == "gravel":
        return Ground(_gravel(rng), 0.0)
    if kind == "indoor":
        return Ground(_indoor(rng), 0.16)
    return Ground(_concrete(rng), 0.03)


def _pick(rng: np.random.Generator, choices: list[Rgb]) -> Rgb:
    return choices[int(rng.integers(len(choices)))]


def _step(x: Field, low: float, high: float) -> Field:
    """Smooth step from 0 at low to 1 at high."""
    q = np.clip((x - low) / (high - low), 0.0, 1.0)
    out: Field = q * q * (3.0 - 2.0 * q)
    return out


def _turned(x: Field, y: Field, angle: float) -> tuple[Field, Field]:
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return x * c + y * s, y * c - x * s


def _grass(
    rng: np.random.Generator, heading: float, worn: list[tuple[float, float, float]]
) -> Reader:
    fresh = _pick(rng, [(0.085, 0.155, 0.035), (0.11, 0.16, 0.045), (0.075, 0.13, 0.05)])
    straw = (0.25, 0.22, 0.105)
    turn = 0.61
    green = blades(rng, heading, fresh, straw)
    dry = blades(rng, heading + turn, (0.15, 0.165, 0.06), (0.33, 0.27, 0.14))
    soil = slabs(rng, (0.20, 0.15, 0.10))
    wide, mid = spread(rng, 15.0, 1.3), spread(rng, 3.7, 0.9, 3)
    dryness = float(rng.uniform(-0.9, 0.5))
    stripe = float(rng.uniform(0.6, 1.1)) if rng.random() < 0.35 else 0.0

    def read(x: Field, y: Field, fp: Field) -> Field:
        a, b = wide.read(x, y, fp)[..., 0], mid.read(x, y, fp)[..., 0]
        u, v = _turned(x, y, turn)
        m = _step(a + 0.6 * b + dryness, -0.2, 1.9)[..., None]
        out = green.read(x, y, fp) * (1.0 - m) + dry.read(u, v, fp) * m
        if stripe:
            out *= (1.0 + 0.09 * np.tanh(6.0 * np.sin(np.pi * x / stripe)))[..., None]
        bare = _step(0.8 * a - b, 1.9, 2.8)
        for wx, wy, radius in worn:
            away = np.hypot(x - wx, 0.8 * (y - wy)) / radius
            bare = np.maximum(bare, 0.8 * _step(1.0 - away + 0.35 * b, 0.2, 0.9))
        bare = bare[..., None]
        out = out * (1.0 - bare) + soil.read(v, u, fp) * bare
        return out * (1.0 + 0.10 * a + 0.08 * b)[..., None]

    return read


def _gravel(rng: np.random.Generator) -> Reader:
    base = _pick(rng, [(0.33, 0.30, 0.26), (0.30, 0.30, 0.30), (0.40, 0.33, 0.24)])
    loose = stones(rng, base)
    dust = slabs(rng, (base[0] * 0.95, base[1] * 0.93, base[2] * 0.9))
    wide, mid = spread(rng, 13.0, 1.2), spread(rng, 2.9, 0.9, 3)

    def read(x: Field, y: Field, fp: Field) -> Field:
        a, b = wide.read(x, y, fp)[..., 0], mid.read(x, y, fp)[..., 0]
        u, v = _turned(x, y, 0.9)
        m = 0.75 * _step(a + 0.8 * b, 0.3, 2.0)[..., None]
        out = loose.read(u, v, fp) * (1.0 - m) + dust.read(x, y, fp) * m
        return out * (1.0 + 0.10 * a + 0.07 * b)[..., None]

    return read


def _concrete(rng: np.random.Generator) -> Reader:
    base = _pick(rng, [(0.34, 0.33, 0.31), (0.40, 0.38, 0.34), (0.13, 0.13, 0.135)])
    skin = slabs(rng, base)
    wide, mid = spread(rng, 11.0, 1.3), spread(rng, 2.3, 1.1, 2)
    side = float(rng.uniform(1.2, 3.0))
    turn = float(rng.normal(0.0, 0.12))
    jointed = base[0] > 0.2

    def read(x: Field, y: Field, fp: Field) -> Field:
        a, b = wide.read(x, y, fp)[..., 0], mid.read(x, y, fp)[..., 0]
        u, v = _turned(x, y, turn)
        out = skin.read(u, v, fp) * (1.0 + 0.09 * a + 0.05 * b)[..., None]
        if jointed:
            row, col = np.floor(u / side), np.floor(v / side)
            tone = np.mod(np.sin(row * 12.9898 + col * 78.233) * 43758.5453, 1.0)
            out *= (0.95 + 0.10 * tone)[..., None].astype(np.float32)
            gap = np.minimum(
                np.abs(u - np.round(u / side) * side), np.abs(v - np.round(v / side) * side)
            )
            reach = 0.005 + 0.6 * fp
            out *= (1.0 - 0.6 * np.clip(1.0 - gap / reach, 0, 1) * (0.005 / reach))[..., None]
        stain = _step(b + 0.5 * a, 1.5, 2.6)[..., None]
        moss = np.array([0.75, 0.80, 0.70], np.float32)
        return out * (1.0 - stain * (1.0 - moss))

    return read


def _indoor(rng: np.random.Generator) -> Reader:
    base = _pick(rng, [(0.42, 0.27, 0.13), (0.50, 0.36, 0.20), (0.30, 0.19, 0.10)])
    wood = boards(rng, base)
    wide = spread(rng, 9.0, 1.2)
    paint: list[Rgb] = [
        (0.55, 0.55, 0.52),
        (0.05, 0.13, 0.40),
        (0.45, 0.06, 0.05),
        (0.03, 0.25, 0.1),
    ]
    # Court lines of several games: straight ones and the arc of a circle.
    lines = [
        (float(rng.uniform(0, np.pi)), float(rng.uniform(-4, 4)), paint[int(rng.integers(4))])
        for _ in range(3)
    ]
    arc = (float(rng.uniform(-3, 3)), float(rng.uniform(-8, 0)), float(rng.uniform(1.6, 3.2)))

    def read(x: Field, y: Field, fp: Field) -> Field:
        out = wood.read(x, y, fp) * (1.0 + 0.05 * wide.read(x, y, fp))
        marks = [(np.abs(_turned(x, y, a)[0] - off), colour) for a, off, colour in lines]
        marks.append((np.abs(np.hypot(x - arc[0], y - arc[1]) - arc[2]), paint[0]))
        for away, colour in marks:
            cover = 0.85 * np.clip(0.5 + (0.025 - away) / np.maximum(fp, 1e-4), 0, 1)[..., None]
            out = out * (1.0 - cover) + np.asarray(colour, np.float32) * cover
        return out.astype(np.float32)

    return read
