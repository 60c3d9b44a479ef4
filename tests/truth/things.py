"""Still bodies on the ground (markers, props) and the looks of balls and people."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats, Whole
from truth.figure import Figure
from truth.shapes import SOLID_COLUMNS, ellipsoid, oval_cone, round_cone

Colour = tuple[float, float, float]
# Half width across the goal line and height, metres, of each marker's body.
MARKER_SIZE_M = {
    "cone": (0.105, 0.30),
    "shoe": (0.065, 0.13),
    "bottle": (0.042, 0.29),
    "bag": (0.16, 0.40),
}
SKINS: list[Colour] = [
    (0.58, 0.37, 0.27),
    (0.45, 0.27, 0.18),
    (0.30, 0.165, 0.10),
    (0.16, 0.085, 0.055),
    (0.50, 0.32, 0.22),
]
HAIRS: list[Colour] = [
    (0.035, 0.022, 0.015),
    (0.010, 0.009, 0.009),
    (0.11, 0.06, 0.03),
    (0.26, 0.17, 0.08),
]
OUTFITS: list[tuple[Colour, Colour, Colour, Colour]] = [
    ((0.42, 0.045, 0.05), (0.02, 0.02, 0.025), (0.55, 0.55, 0.55), (0.06, 0.06, 0.07)),
    ((0.035, 0.09, 0.33), (0.55, 0.55, 0.54), (0.03, 0.05, 0.2), (0.5, 0.48, 0.45)),
    ((0.62, 0.61, 0.58), (0.025, 0.04, 0.12), (0.6, 0.6, 0.6), (0.30, 0.05, 0.04)),
    ((0.03, 0.19, 0.12), (0.03, 0.03, 0.03), (0.03, 0.15, 0.1), (0.03, 0.03, 0.03)),
    ((0.55, 0.30, 0.03), (0.05, 0.06, 0.13), (0.5, 0.5, 0.5), (0.05, 0.16, 0.3)),
    ((0.14, 0.14, 0.15), (0.20, 0.20, 0.21), (0.06, 0.06, 0.06), (0.55, 0.55, 0.55)),
]


@dataclass(slots=True)
class Bodies:
    """Collected solids: rows, casters, coats, and which rows are culled together."""

    solids: list[Floats]
    casters: list[Floats]
    coats: list[tuple[float, ...]]
    groups: list[tuple[int, int, int]]

    def add(
        self, part: tuple[Floats, Floats], colour: Colour, gloss: float = 0.0, kind: int = 0
    ) -> None:
        """Append one solid."""
        self.solids.append(part[0])
        self.casters.append(part[1])
        self.coats.append((*colour, gloss, float(kind)))

    def close_group(self, first: int) -> None:
        """Everything since `first` is one thing."""
        self.groups.append((first, len(self.solids), 0))

    def arrays(self) -> tuple[Floats, Floats, Floats, Whole]:
        """Stacked rows: solids, casters, coats, groups."""
        return (
            np.array(self.solids).reshape(-1, SOLID_COLUMNS),
            np.array(self.casters).reshape(-1, 8),
            np.array(self.coats).reshape(-1, 5),
            np.array(self.groups, np.int64).reshape(-1, 3),
        )


def joined(parts: list[Bodies]) -> Bodies:
    """All bodies in one collection."""
    out = Bodies([], [], [], [])
    for part in parts:
        first = len(out.solids)
        out.solids += part.solids
        out.casters += part.casters
        out.coats += part.coats
        out.groups += [(a + first, b + first, c) for a, b, c in part.groups]
    return out


def flat_axes(turn: float) -> Floats:
    """Axes (right, forward, up) turned about the vertical."""
    c, s = math.cos(turn), math.sin(turn)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def add_marker(bodies: Bodies, kind: str, inner_x: float, rng: np.random.Generator) -> Floats:
    """Stand a marker on the goal line with its inner edge at x = inner_x.

    Returns
    -------
    Floats
        (x, y, radius, height) of the cylinder that stops a ball.
    """
    half, height = MARKER_SIZE_M[kind]
    sign = 1.0 if inner_x > 0 else -1.0
    x = inner_x + sign * half
    at = np.array([x, 0.0, 0.0])
    z = np.array([0.0, 0.0, 1.0])
    first = len(bodies.solids)
    if kind == "cone":
        colour = [(0.72, 0.16, 0.02), (0.70, 0.50, 0.02), (0.03, 0.20, 0.42)][rng.integers(3)]
        bodies.add(ellipsoid(at + z * 0.010, np.eye(3), (half, half, 0.014)), colour, 0.1)
        bodies.add(
            round_cone(at + z * 0.02, 0.078, at + z * (height - 0.016), 0.016), colour, 0.1, 3
        )
    elif kind == "shoe":
        # Seen end on from the kicker: heel to the kicker, toe to the wall, or turned a little.
        axes = flat_axes(float(rng.uniform(-0.3, 0.3)))
        f = axes[1]
        body: Colour = [(0.05, 0.05, 0.06), (0.55, 0.54, 0.52), (0.06, 0.12, 0.34)][rng.integers(3)]
        sole: Colour = (0.55, 0.54, 0.50)
        bodies.add(
            round_cone(at - f * 0.085 + z * 0.022, 0.036, at + f * 0.095 + z * 0.020, 0.038),
            sole,
            0.05,
        )
        bodies.add(
            round_cone(at - f * 0.082 + z * 0.052, 0.037, at + f * 0.075 + z * 0.038, 0.040),
            body,
            0.12,
            1,
        )
        bodies.add(
            round_cone(at - f * 0.070 + z * 0.088, 0.038, at - f * 0.005 + z * 0.070, 0.040),
            body,
            0.12,
            1,
        )
        bodies.add(
            ellipsoid(at - f * 0.055 + z * 0.122, axes, (0.026, 0.040, 0.012)),
            (0.015, 0.015, 0.015),
            0.0,
        )
        bodies.add(
            round_cone(at + f * 0.01 + z * 0.088, 0.018, at + f * 0.05 + z * 0.066, 0.016),
            sole,
            0.0,
        )
    elif kind == "bottle":
        colour = [(0.10, 0.30, 0.45), (0.32, 0.42, 0.40), (0.45, 0.08, 0.10)][rng.integers(3)]
        cap: Colour = (0.55, 0.55, 0.52)
        bodies.add(round_cone(at + z * 0.042, 0.042, at + z * 0.185, 0.041), colour, 0.5)
        bodies.add(round_cone(at + z * 0.185, 0.039, at + z * 0.245, 0.017), colour, 0.5)
        bodies.add(round_cone(at + z * 0.262, 0.017, at + z * 0.275, 0.016), cap, 0.2)
        bodies.add(round_cone(at + z * 0.11, 0.0428, at + z * 0.13, 0.0428), cap, 0.1)
    else:
        axes = flat_axes(float(rng.uniform(-0.25, 0.25)))
        colour = [(0.04, 0.06, 0.16), (0.20, 0.03, 0.05), (0.07, 0.11, 0.07)][rng.integers(3)]
        upright = np.stack([axes[0], z, axes[1]])
        bodies.add(oval_cone(at + z * 0.085, upright, 0.17, 0.150, 0.125, 0.58), colour, 0.03, 1)
        pale = (colour[0] * 1.7, colour[1] * 1.7, colour[2] * 1.7)
        bodies.add(
            oval_cone(at + z * 0.085 - axes[1] * 0.075, upright, 0.06, 0.105, 0.100, 0.42),
            pale,
            0.03,
            1,
        )
        bodies.add(
            round_cone(
                at + z * 0.16 - axes[1] * 0.118 - axes[0] * 0.08,
                0.006,
                at + z * 0.16 - axes[1] * 0.118 + axes[0] * 0.08,
                0.006,
            ),
            (0.02, 0.02, 0.02),
        )
        for side in (-1.0, 1.0):
            bodies.add(
                round_cone(
                    at + z * 0.06 + axes[0] * (0.07 * side) + axes[1] * 0.10,
                    0.018,
                    at + z * 0.30 + axes[0] * (0.05 * side) + axes[1] * 0.085,
                    0.018,
                ),
                (0.03, 0.03, 0.03),
                0.0,
                1,
            )
        bodies.add(
            round_cone(
                at + z * 0.375 - axes[0] * 0.03, 0.010, at + z * 0.375 + axes[0] * 0.03, 0.010
            ),
            (0.02, 0.02, 0.02),
        )
    bodies.close_group(first)
    return np.array([x, 0.0, 0.85 * half, height])


def add_props(bodies: Bodies, count: int, wall_y: float, rng: np.random.Generator) -> None:
    """Set pots and shrubs against the wall, away from the goal."""
    for i in range(count):
        side = 1.0 if (i + int(rng.integers(2))) % 2 else -1.0
        x = side * float(rng.uniform(2.9, 5.5))
        at = np.array([x, wall_y - float(rng.uniform(0.3, 0.5)), 0.0])
        z = np.array([0.0, 0.0, 1.0])
        first = len(bodies.solids)
        if rng.random() < 0.6:
            clay: Colour = (0.36, 0.15, 0.08)
            bodies.add(round_cone(at + z * 0.10, 0.10, at + z * 0.26, 0.15), clay, 0.02)
            for _ in range(26):
                off = np.clip(rng.normal(0, 0.12, 3), -0.2, 0.2) * np.array([1, 1, 0.9])
                size = float(rng.uniform(0.05, 0.10))
                bodies.add(
                    ellipsoid(at + z * 0.55 + off, np.eye(3), (size, size, size)),
                    (0.055, 0.13, 0.03),
                    0.0,
                    2,
                )
        else:
            for _ in range(40):
                off = np.clip(rng.normal(0, 0.18, 3), -0.28, 0.28) * np.array([1.5, 0.6, 1.0])
                size = float(rng.uniform(0.07, 0.15))
                at_z = z * max(0.08, 0.38 + off[2])
                bodies.add(
                    ellipsoid(at + at_z + off * np.array([1, 1, 0]), np.eye(3), (size, size, size)),
                    (0.05, 0.11, 0.03),
                    0.0,
                    2,
                )
        bodies.close_group(first)


def ball_skin(design: str) -> Floats:
    """(36, 4) panel table of a ball for `tracing.ball_colour`.

    Notes
    -----
    The panels are the faces of a truncated icosahedron: 12 pentagons and 20 hexagons whose
    planes lie 2.32744 and 2.26728 edge lengths from the centre (standard solid geometry).
    """
    phi = (1.0 + math.sqrt(5.0)) / 2.0
    pent = [np.roll([0.0, a, b * phi], k) for k in range(3) for a in (1, -1) for b in (1, -1)]
    hexa = [np.array([a, b, c], float) for a in (1, -1) for b in (1, -1) for c in (1, -1)]
    hexa += [
        np.roll([0.0, a / phi, b * phi], -k) for k in range(3) for a in (1, -1) for b in (1, -1)
    ]
    hexa = sorted(hexa, key=lambda v: [round(float(c), 6) for c in v])
    skin = np.zeros((36, 4))
    for i, v in enumerate(pent):
        skin[i, :3] = np.asarray(v) / np.linalg.norm(v) / 2.32744
    for i, v in enumerate(hexa):
        skin[12 + i, :3] = v / np.linalg.norm(v) / 2.26728
    looks: dict[str, tuple[Colour, Colour, Colour, Colour]] = {
        "white": ((0.74, 0.74, 0.72), (0.72, 0.72, 0.71), (0.10, 0.22, 0.50), (0.42, 0.42, 0.42)),
        "classic": (
            (0.74, 0.74, 0.72),
            (0.018, 0.018, 0.02),
            (0.74, 0.74, 0.72),
            (0.30, 0.30, 0.30),
        ),
        "yellow": ((0.70, 0.56, 0.04), (0.62, 0.50, 0.03), (0.05, 0.05, 0.06), (0.34, 0.28, 0.04)),
        "orange": ((0.68, 0.20, 0.02), (0.60, 0.15, 0.02), (0.08, 0.05, 0.05), (0.30, 0.10, 0.02)),
        "dark": (
            (0.045, 0.05, 0.065),
            (0.02, 0.022, 0.03),
            (0.35, 0.05, 0.06),
            (0.012, 0.012, 0.015),
        ),
        "green": ((0.10, 0.24, 0.05), (0.07, 0.18, 0.04), (0.30, 0.34, 0.06), (0.04, 0.09, 0.02)),
    }
    main, five, accent, seam = looks[design]
    skin[:12, 3] = 1
    if design != "classic":
        # A printed band: some hexagons carry the accent colour.
        skin[[13, 20, 28], 3] = 2
    skin[32, :3] = main
    skin[33, :3] = five
    skin[34, :3] = accent
    skin[35] = (*seam, 0.012)
    return skin


def make_figure(
    height_m: float, outfit: int | None, skin: int | None, rng: np.random.Generator
) -> Figure:
    """A person; what is not chosen is drawn."""
    o = int(rng.integers(len(OUTFITS))) if outfit is None else outfit % len(OUTFITS)
    s = int(rng.integers(len(SKINS))) if skin is None else skin % len(SKINS)
    hair = HAIRS[int(rng.integers(2 if s in (2, 3) else len(HAIRS)))]
    shirt, shorts, socks, shoes = OUTFITS[o]
    return Figure(
        height_m, SKINS[s], hair, shirt, shorts, socks, shoes, float(rng.uniform(0.94, 1.08))
    )
