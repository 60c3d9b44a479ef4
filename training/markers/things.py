"""Things that might be set down as markers, drawn by chance: none is one of the evaluation's."""

from __future__ import annotations

import colorsys
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from truth.arrays import Floats
from truth.shapes import ellipsoid, oval_cone, round_cone
from truth.things import Bodies, Colour, flat_axes

BALL_TOP_M = 0.22  # what is higher does not stop a ball
UP = np.array([0.0, 0.0, 1.0])
Extent = Callable[[Floats], tuple[float, float]]  # along a unit vector: middle, half length


@dataclass(slots=True)
class Thing:
    """A thing that stands at `at_m`, part by part, and how far its low parts reach."""

    at_m: Floats
    bodies: Bodies = field(default_factory=lambda: Bodies([], [], [], []))
    low: list[Extent] = field(default_factory=list)
    height_m: float = 0.0

    def cone(
        self,
        a: Floats,
        ra: float,
        b: Floats,
        rb: float,
        colour: Colour,
        gloss: float,
        kind: int = 0,
    ) -> None:
        """Add the hull of two spheres; `a`, `b` from where the thing stands."""
        a, b = self.at_m + a, self.at_m + b
        self.bodies.add(round_cone(a, ra, b, rb), colour, gloss, kind)
        for end, radius in ((a, ra), (b, rb)):
            if end[2] < BALL_TOP_M:
                self.low.append(lambda d, e=end, r=radius: (float(e @ d), r))
        self.height_m = max(self.height_m, float(a[2]) + ra, float(b[2]) + rb)

    def egg(
        self,
        centre: Floats,
        axes: Floats,
        radii: Floats,
        colour: Colour,
        gloss: float,
        kind: int = 0,
    ) -> None:
        """Add an ellipsoid."""
        centre = self.at_m + centre
        self.bodies.add(
            ellipsoid(centre, axes, (float(radii[0]), float(radii[1]), float(radii[2]))),
            colour, gloss, kind,
        )  # fmt: skip
        if centre[2] < BALL_TOP_M:
            self.low.append(
                lambda d: (float(centre @ d), float(np.linalg.norm(radii * (axes @ d))))
            )
        self.height_m = max(self.height_m, float(centre[2] + np.linalg.norm(radii * axes[:, 2])))

    def sack(
        self, low: Floats, turn: float, length: float, radii: tuple[float, float], flat: float,
        colour: Colour, kind: int = 1,
    ) -> None:  # fmt: skip
        """Add an upright oval cone."""
        low = self.at_m + low
        axes = flat_axes(turn)
        upright = np.stack([axes[0], UP, axes[1]])
        self.bodies.add(oval_cone(low, upright, length, *radii, flat), colour, 0.03, kind)
        for radius in radii:
            self.low.append(
                lambda d, r=radius: (
                    float(low @ d),
                    r * math.hypot(float(axes[0] @ d), flat * float(axes[1] @ d)),
                )
            )
        self.height_m = max(self.height_m, float(low[2]) + length + radii[1])

    def reach(self, way: Floats) -> tuple[float, float]:
        """Middle and half length of its low parts along a horizontal unit vector, metres."""
        ends = [(m - h, m + h) for m, h in (extent(way) for extent in self.low)]
        first, last = min(e[0] for e in ends), max(e[1] for e in ends)
        return (first + last) / 2, (last - first) / 2


def any_thing(x_m: float, y_m: float, rng: np.random.Generator) -> Thing:
    """Draw a thing."""
    thing = Thing(np.array([x_m, y_m, 0.0]))
    kinds = (_cone, _dome, _bottle, _bag, _shoe, _shoe, _shoes, _pile, _lump, _post, _bucket)
    kinds[int(rng.integers(len(kinds)))](thing, rng)
    thing.bodies.close_group(0)
    return thing


def any_colour(rng: np.random.Generator) -> Colour:
    """Linear light: bright and dull, pale, grey, dark, earthy and green ones."""
    mood = rng.random()
    if mood < 0.35:
        r, g, b = colorsys.hsv_to_rgb(rng.random(), rng.uniform(0.6, 1), rng.uniform(0.1, 0.75))
    elif mood < 0.55:
        r, g, b = colorsys.hsv_to_rgb(rng.random(), rng.uniform(0.1, 0.6), rng.uniform(0.03, 0.6))
    elif mood < 0.7:
        r = g = b = rng.uniform(0.45, 0.8)
    elif mood < 0.85:
        r = g = b = rng.uniform(0.01, 0.09)
    else:
        hue = rng.uniform(0.03, 0.35)
        r, g, b = colorsys.hsv_to_rgb(hue, rng.uniform(0.3, 0.8), rng.uniform(0.05, 0.3))
    return float(r), float(g), float(b)


def _u(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _cone(t: Thing, rng: np.random.Generator) -> None:
    height, radius, colour = _u(rng, 0.10, 0.5), _u(rng, 0.05, 0.15), any_colour(rng)
    if rng.random() < 0.6:
        rim = radius * _u(rng, 1.1, 1.5)
        t.egg(UP * 0.01, np.eye(3), np.array([rim, rim, 0.015]), colour, 0.1)
    tip = _u(rng, 0.012, 0.03)
    t.cone(
        UP * 0.02,
        radius * 0.8,
        UP * (height - tip),
        tip,
        colour,
        0.1,
        3 if rng.random() < 0.4 else 0,
    )
    if rng.random() < 0.4:
        z = _u(rng, 0.3, 0.7) * height
        here = radius * 0.8 + (tip - radius * 0.8) * z / height
        t.cone(UP * z, here + 0.004, UP * (z + 0.03), here, any_colour(rng), 0.1)


def _dome(t: Thing, rng: np.random.Generator) -> None:
    radius, height = _u(rng, 0.08, 0.12), _u(rng, 0.05, 0.10)
    t.egg(np.zeros(3), np.eye(3), np.array([radius, radius, height]), any_colour(rng), 0.1)


def _bottle(t: Thing, rng: np.random.Generator) -> None:
    radius, height, colour = _u(rng, 0.028, 0.06), _u(rng, 0.12, 0.36), any_colour(rng)
    shoulder = height * _u(rng, 0.55, 0.9)
    t.cone(UP * radius, radius, UP * (shoulder - radius), radius, colour, _u(rng, 0, 0.5))
    if rng.random() < 0.7:
        neck = radius * _u(rng, 0.3, 0.6)
        t.cone(UP * shoulder, radius * 0.9, UP * (height - neck), neck, colour, 0.3)
        t.cone(UP * (height - neck), neck, UP * height, neck, any_colour(rng), 0.2)
    if rng.random() < 0.6:
        z = _u(rng, 0.3, 0.6) * shoulder
        t.cone(UP * z, radius + 0.002, UP * (z + 0.04), radius + 0.002, any_colour(rng), 0.1)


def _bag(t: Thing, rng: np.random.Generator) -> None:
    wide, height, flat = _u(rng, 0.09, 0.22), _u(rng, 0.18, 0.52), _u(rng, 0.4, 1.0)
    turn, colour = _u(rng, 0, 2 * math.pi), any_colour(rng)
    top = wide * _u(rng, 0.6, 1.1)
    length = max(0.03, height - (wide + top) * 0.55)
    t.sack(UP * wide * 0.55, turn, length, (wide, top), flat, colour)
    if rng.random() < 0.6:
        way = flat_axes(turn)[1] * wide * flat * float(rng.choice([-1, 1]))
        size = np.array([_u(rng, 0.04, 0.09), _u(rng, 0.03, 0.06), _u(rng, 0.05, 0.1)])
        t.egg(way + UP * height * _u(rng, 0.25, 0.5), flat_axes(turn), size, any_colour(rng), 0.03)


def _one_shoe(
    t: Thing, off: Floats, turn: float, paints: tuple[Colour, Colour], size: float
) -> None:
    f = flat_axes(turn)[1]
    sole, upper = paints
    t.cone(
        off - f * 0.09 * size + UP * 0.022,
        0.034,
        off + f * 0.10 * size + UP * 0.02,
        0.038,
        sole,
        0.05,
    )
    t.cone(
        off - f * 0.085 * size + UP * 0.055,
        0.036,
        off + f * 0.08 * size + UP * 0.04,
        0.04,
        upper,
        0.1,
        1,
    )
    t.cone(
        off - f * 0.07 * size + UP * 0.09, 0.037, off - f * 0.01 + UP * 0.07, 0.04, upper, 0.1, 1
    )


def _shoe(t: Thing, rng: np.random.Generator) -> None:
    paints = (any_colour(rng), any_colour(rng))
    _one_shoe(t, np.zeros(3), _u(rng, 0, 2 * math.pi), paints, _u(rng, 0.85, 1.3))


def _shoes(t: Thing, rng: np.random.Generator) -> None:
    paints, turn, size = (
        (any_colour(rng), any_colour(rng)),
        _u(rng, 0, 2 * math.pi),
        _u(rng, 0.85, 1.3),
    )
    aside = flat_axes(turn)[0] * _u(rng, 0.05, 0.09)
    _one_shoe(t, aside, turn + _u(rng, -0.3, 0.3), paints, size)
    _one_shoe(t, -aside, turn + _u(rng, -0.3, 0.3), paints, size)


def _pile(t: Thing, rng: np.random.Generator) -> None:
    colour = any_colour(rng)
    for _ in range(int(rng.integers(2, 6))):
        radii = np.array([_u(rng, 0.07, 0.18), _u(rng, 0.07, 0.18), _u(rng, 0.03, 0.09)])
        off = np.array([*rng.normal(0, 0.05, 2), _u(rng, 0.02, 0.08)])
        t.egg(
            off,
            flat_axes(_u(rng, 0, 6.3)),
            radii,
            colour if rng.random() < 0.8 else any_colour(rng),
            0.02,
            1,
        )


def _lump(t: Thing, rng: np.random.Generator) -> None:
    radii = np.array([_u(rng, 0.06, 0.18), _u(rng, 0.06, 0.18), _u(rng, 0.06, 0.2)])
    t.egg(
        UP * radii[2] * _u(rng, 0.3, 0.9),
        flat_axes(_u(rng, 0, 6.3)),
        radii,
        any_colour(rng),
        0.05,
        int(rng.integers(0, 2)),
    )


def _post(t: Thing, rng: np.random.Generator) -> None:
    radius, height = _u(rng, 0.02, 0.04), _u(rng, 0.3, 0.62)
    lean = np.array([*rng.normal(0, 0.02, 2), height - radius])
    t.cone(UP * radius, radius, lean, radius, any_colour(rng), 0.1)
    if rng.random() < 0.5:
        foot = _u(rng, 0.05, 0.12)
        t.egg(UP * 0.015, np.eye(3), np.array([foot, foot, 0.025]), any_colour(rng), 0.1)


def _bucket(t: Thing, rng: np.random.Generator) -> None:
    low, high, height = _u(rng, 0.06, 0.12), _u(rng, 0.08, 0.16), _u(rng, 0.14, 0.35)
    t.sack(
        UP * low * 0.3,
        0.0,
        max(0.04, height - 0.3 * (low + high)),
        (low, high),
        1.0,
        any_colour(rng),
        0,
    )
