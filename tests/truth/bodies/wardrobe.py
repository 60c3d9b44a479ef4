"""Colours of a dressed person, and the ball as a mesh."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.spatial import ConvexHull

from truth.arrays import Floats, Whole
from truth.bodies.person import Person
from truth.bodies.raster import Mesh
from truth.bodies.rig import Cloth

# Linear albedo; skins from dark to light, the rest plain dyes. Common practice, no source.
SKINS = ((0.09, 0.045, 0.028), (0.2, 0.11, 0.07), (0.36, 0.22, 0.15), (0.52, 0.35, 0.26))
HAIRS = ((0.012, 0.01, 0.01), (0.04, 0.022, 0.014), (0.13, 0.075, 0.035), (0.28, 0.2, 0.1))
SHIRTS = (
    (0.5, 0.05, 0.05),
    (0.05, 0.12, 0.45),
    (0.6, 0.6, 0.58),
    (0.55, 0.42, 0.04),
    (0.04, 0.25, 0.1),
    (0.06, 0.06, 0.07),
)
SHORTS = ((0.03, 0.03, 0.035), (0.04, 0.06, 0.2), (0.5, 0.5, 0.5), (0.3, 0.03, 0.04))
SOCKS = ((0.6, 0.6, 0.6), (0.04, 0.04, 0.05), (0.1, 0.15, 0.4))
SHOES = ((0.03, 0.03, 0.03), (0.55, 0.55, 0.5), (0.5, 0.12, 0.02), (0.05, 0.2, 0.45))
SOLES = ((0.6, 0.6, 0.58), (0.35, 0.35, 0.33), (0.05, 0.05, 0.05), (0.3, 0.16, 0.06))
LACES = ((0.65, 0.65, 0.63), (0.03, 0.03, 0.03), (0.55, 0.5, 0.05))
EYE, IRIS = (0.55, 0.53, 0.5), (0.02, 0.014, 0.01)
BALLS = {
    "white": ((0.75, 0.75, 0.74), (0.6, 0.6, 0.62)),
    "classic": ((0.75, 0.75, 0.74), (0.03, 0.03, 0.03)),
    "yellow": ((0.65, 0.6, 0.05), (0.1, 0.1, 0.1)),
    "orange": ((0.65, 0.22, 0.03), (0.1, 0.05, 0.02)),
    "dark": ((0.07, 0.08, 0.12), (0.3, 0.3, 0.3)),
}


def outfit(person: Person, rng: np.random.Generator) -> Floats:
    """Albedo (n, 3) of a person, drawn."""

    def one_of(choices: tuple[tuple[float, float, float], ...]) -> tuple[float, float, float]:
        return choices[int(rng.integers(len(choices)))]

    flesh = one_of(SKINS)
    table = np.zeros((len(Cloth), 3))
    table[Cloth.SKIN] = flesh
    table[Cloth.SHIRT] = one_of(SHIRTS)
    table[Cloth.SHORTS] = one_of(SHORTS)
    table[Cloth.SOCKS] = one_of(SOCKS)
    table[Cloth.SHOES] = one_of(SHOES)
    table[Cloth.SOLE] = one_of(SOLES)
    table[Cloth.LACES] = one_of(LACES)
    table[Cloth.HAIR] = one_of(HAIRS[:2] if flesh in SKINS[:2] else HAIRS)
    table[Cloth.EYE] = EYE
    table[Cloth.IRIS] = IRIS
    table[Cloth.LIPS] = np.array(flesh) * [0.9, 0.6, 0.6]
    # Cloth is never quite one colour.
    weave = rng.normal(1.0, 0.06, (len(person.cloth), 1)).clip(0.8, 1.2)
    coat: Floats = table[person.cloth] * weave
    return coat


@cache
def _globe() -> tuple[Floats, Whole, Floats]:
    """Unit sphere: points, faces, and how near each point is to one of twelve patches (cosine)."""
    g = (1 + 5**0.5) / 2
    corners = np.array([(0, a, b * g) for a in (1, -1) for b in (1, -1)], float)
    patches = np.concatenate([np.roll(corners, k, axis=1) for k in range(3)])
    patches /= np.linalg.norm(patches, axis=1, keepdims=True)
    # A spiral of points, evenly spread (Vogel's sunflower on the sphere).
    n = 2600
    z = 1 - (2 * np.arange(n) + 1) / n
    turn = np.pi * (3 - 5**0.5) * np.arange(n)
    r = np.sqrt(1 - z * z)
    points = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)
    faces = ConvexHull(points).simplices.astype(np.int64)
    a, b, c = (points[faces[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) < 0
    faces[inward] = faces[inward][:, ::-1]
    return points, faces, (points @ patches.T).max(axis=1)


def ball_mesh(centre_m: Floats, radius_m: float, turn: Floats, design: str) -> Mesh:
    """A ball (3,), turned by a matrix (3, 3)."""
    points, faces, near = _globe()
    plain, patch = BALLS[design]
    albedo = np.where((near > 0.935)[:, None], patch, plain)
    return Mesh(centre_m + radius_m * points @ turn.T, faces, albedo)
