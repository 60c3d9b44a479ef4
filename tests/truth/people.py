"""A person of the set: feet, bends and leans over time, and the look."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator

from truth.arrays import Floats
from truth.figure import Figure, Skeleton, build_skeleton
from truth.footwork import Walker

FIGURE_HZ = 240.0
PICK_S = 0.9


@dataclass(slots=True)
class Person:
    """Somebody whose movements are planned step by step."""

    walker: Walker
    figure: Figure
    crouches: list[tuple[float, float]] = field(default_factory=list)
    leans: list[tuple[float, float]] = field(default_factory=list)

    def bend(self) -> float:
        """Bend down and up again; returns the moment the hands are at the ground."""
        t = self.walker.now_s
        self.crouches += [(t, 0.0), (t + 0.38, 1.0), (t + 0.50, 1.0), (t + PICK_S, 0.0)]
        self.walker.stand(PICK_S)
        return t + 0.44

    def skeleton(self, times: Floats) -> Skeleton:
        """Joints over time, (n,) seconds at FIGURE_HZ."""
        return build_skeleton(
            self.walker.height_m,
            FIGURE_HZ,
            self.walker.sample(times),
            level_curve(self.crouches, times),
            level_curve(self.leans, times),
        )


def level_curve(keys: list[tuple[float, float]], times: Floats) -> Floats:
    """Values over time through keys, level outside them."""
    if not keys:
        return np.zeros_like(times)
    t = np.array([k[0] for k in keys])
    v = np.array([k[1] for k in keys])
    order = np.argsort(t, kind="stable")
    t, v = t[order], v[order]
    keep = np.concatenate([[True], np.diff(t) > 1e-6])
    t, v = t[keep], v[keep]
    curve: Floats = PchipInterpolator(t, v)(np.clip(times, t[0], t[-1]))
    return curve
