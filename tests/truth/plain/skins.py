"""Balls' skins as octahedral maps: several ways to cut panels, print, wear and dirt."""

from __future__ import annotations

import math

import numpy as np

from truth.arrays import Field, Floats, Picture
from truth.plain.brush import SKIN_PX
from truth.sensor import smooth_noise

GOLDEN = (1.0 + math.sqrt(5.0)) / 2.0
# Linear albedo: body, second panels, print, seam.
LOOKS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "white": ((0.76, 0.76, 0.75), (0.70, 0.71, 0.73), (0.12, 0.20, 0.48), (0.30, 0.30, 0.30)),
    "classic": ((0.74, 0.74, 0.73), (0.022, 0.022, 0.025), (0.3, 0.3, 0.3), (0.25, 0.25, 0.25)),
    "yellow": ((0.72, 0.60, 0.05), (0.66, 0.50, 0.04), (0.05, 0.05, 0.07), (0.30, 0.24, 0.03)),
    "orange": ((0.70, 0.19, 0.025), (0.58, 0.13, 0.02), (0.65, 0.62, 0.58), (0.26, 0.08, 0.02)),
    "dark": ((0.05, 0.055, 0.075), (0.02, 0.022, 0.03), (0.55, 0.53, 0.50), (0.012, 0.012, 0.014)),
    "green": ((0.10, 0.25, 0.06), (0.06, 0.17, 0.04), (0.40, 0.44, 0.10), (0.03, 0.08, 0.02)),
}


def _map_vectors() -> Floats:
    """Unit body vectors (n, n, 3) of the cells of an octahedral map."""
    side = (np.arange(SKIN_PX) + 0.5) / SKIN_PX * 2.0 - 1.0
    u, v = np.meshgrid(side, side)
    z = 1.0 - np.abs(u) - np.abs(v)
    fold = z < 0.0
    x = np.where(fold, (1.0 - np.abs(v)) * np.sign(u), u)
    y = np.where(fold, (1.0 - np.abs(u)) * np.sign(v), v)
    out = np.stack([x, y, z], axis=-1)
    result: Floats = out / np.linalg.norm(out, axis=-1, keepdims=True)
    return result


def _faces(kind: str) -> tuple[Floats, Floats]:
    """Unit face normals (n, 3) and each face's reach; the largest product owns a point."""
    five = [np.roll([0.0, a, b * GOLDEN], k) for k in range(3) for a in (1, -1) for b in (1, -1)]
    cube = [np.array([a, b, c], float) for a in (1, -1) for b in (1, -1) for c in (1, -1)]
    three = cube + [
        np.roll([0.0, a / GOLDEN, b * GOLDEN], -k)
        for k in range(3)
        for a in (1, -1)
        for b in (1, -1)
    ]
    if kind == "thirty-two":
        # Faces of the truncated icosahedron; distances 2.32744 and 2.26728 edges (standard).
        rows = five + three
        reach = np.array([1 / 2.32744] * 12 + [1 / 2.26728] * 20)
        reach /= reach.max()
    elif kind == "twelve":
        rows, reach = five, np.ones(12)
    elif kind == "twenty":
        rows, reach = three, np.ones(20)
    else:
        rows, reach = cube, np.ones(8)
    n = np.array([np.asarray(r) / np.linalg.norm(r) for r in rows])
    return n, reach


def make_skin(design: str, rng: np.random.Generator) -> Picture:
    """Albedo (SKIN_PX, SKIN_PX, 3) of one ball of a design."""
    body, second, ink, seam = (np.asarray(c, np.float32) for c in LOOKS[design])
    way = _map_vectors()
    cuts = ["thirty-two"] * 3 + ["twelve", "twenty", "eight"]
    cut = "thirty-two" if design == "classic" else cuts[int(rng.integers(len(cuts)))]
    normals, reach = _faces(cut)
    bent = way
    if cut == "eight":
        # Curved panels: each point is looked up after a turn that grows along one axis.
        angle = 0.9 * way[..., 2]
        c, s = np.cos(angle), np.sin(angle)
        bent = np.stack(
            [way[..., 0] * c - way[..., 1] * s, way[..., 0] * s + way[..., 1] * c, way[..., 2]], -1
        )
    near = bent @ normals.T * reach
    ranked = np.sort(near, axis=-1)
    owner = near.argmax(axis=-1)
    gap = ranked[..., -1] - ranked[..., -2]
    picture: Field = np.empty((SKIN_PX, SKIN_PX, 3), np.float32)
    picture[:] = body
    if cut == "thirty-two":
        picture[owner < 12] = second
    elif design != "white":
        picture[owner % 3 == 0] = second
    if design != "classic":
        _print(picture, way, owner, gap, ink, len(normals), rng)
    line = np.clip(1.0 - gap / 0.016, 0.0, 1.0)[..., None] * 0.8
    picture = picture * (1.0 - line) + seam * line
    # Wear greys a ball unevenly; mud sticks in spots.
    rough = smooth_noise(rng, (SKIN_PX, SKIN_PX), 9.0)
    worn = 1.0 - float(rng.uniform(0.02, 0.10)) * np.maximum(0.0, rough + 0.4)
    picture *= worn[..., None]
    mud = np.clip((rough - rng.uniform(1.6, 3.0)) * 1.5, 0.0, 0.6)[..., None]
    out: Picture = (picture * (1 - mud) + np.array([0.16, 0.12, 0.08]) * mud).astype(np.float32)
    return out


def _print(
    picture: Picture,
    way: Floats,
    owner: np.ndarray,
    gap: Floats,
    ink: Picture,
    faces: int,
    rng: np.random.Generator,
) -> None:
    """Colour some panels, and draw stripes or rings round an axis."""
    style = int(rng.integers(3))
    if style == 0:
        for face in rng.choice(faces, max(2, faces // 8), replace=False):
            inner = np.clip((gap[..., None] - 0.05) / 0.02, 0.0, 1.0) * (owner == face)[..., None]
            picture += (ink - picture) * inner
        return
    axis = rng.standard_normal(3)
    axis /= np.linalg.norm(axis)
    along = way @ axis
    marks = [0.55, -0.55] if style == 1 else [0.0, 0.8, -0.8]
    for mark in marks:
        ring = np.clip((0.045 - np.abs(along - mark)) / 0.015, 0.0, 1.0)[..., None]
        picture += (ink - picture) * ring * 0.9
