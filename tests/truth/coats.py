"""Patterns on solids, and the parts of the picture that solids and their shade can touch."""

import math

import numpy as np

from truth.arrays import Floats
from truth.camera import sphere_box
from truth.jit import kernel
from truth.noise import cells, fractal, seen


@kernel
def coat_detail(kind: float, axial: float, x: float, y: float, z: float, fp: float) -> float:
    """Brightness pattern on a solid: 0 plain, 1 cloth, 2 leaves, 3 banded plastic,
    4 hair."""
    if kind < 0.5:
        return 1.0
    if kind < 1.5:
        return 1.0 + 0.10 * fractal(x + 0.6 * z, y - 0.7 * z, 0.05, 3, fp, 11)
    if kind < 2.5:
        d1, _, tag, _, _ = cells((x + 0.6 * y) / 0.026, (z + 0.35 * y) / 0.026, 12)
        left = seen(0.05, fp)
        return left * (0.45 + 0.9 * tag) * (1.2 - 0.8 * d1) + (1.0 - left) * 0.75
    if kind > 3.5:
        return 1.0 + 0.5 * fractal((x + y) / 0.4, z, 0.03, 2, fp, 13)
    if abs(axial - 0.42) < 0.10:
        return 1.9
    return 1.0


@kernel
def boxes_of(
    lens: Floats, casters: Floats, pads: Floats, to_sun: Floats, back_y: float, shade: bool
) -> Floats:
    """Image boxes over all sub-times: of the solids, or of the shade they throw.

    Parameters
    ----------
    casters
        (k, n, 8). `pads` (n,) extra radius of the drawn solid over its caster, metres.
    back_y
        Forward distance of the first upright across the path (large when none).
    """
    count = casters.shape[1]
    out = np.empty((count, 4))
    for i in range(count):
        x0 = 1e9
        y0 = 1e9
        x1 = -1e9
        y1 = -1e9
        for k in range(casters.shape[0]):
            for end in range(2):
                px = casters[k, i, 4 * end]
                py = casters[k, i, 4 * end + 1]
                pz = casters[k, i, 4 * end + 2]
                r = casters[k, i, 4 * end + 3] + pads[i]
                if not shade:
                    a, b, c, d = sphere_box(lens, px, py, pz, r)
                    x0 = min(x0, a)
                    y0 = min(y0, b)
                    x1 = max(x1, c)
                    y1 = max(y1, d)
                    continue
                # Shade on the ground: the middle, and its two ends along the sun's bearing.
                s = pz / max(0.12, to_sun[2])
                reach = r / max(0.12, to_sun[2])
                flat = math.sqrt(to_sun[0] ** 2 + to_sun[1] ** 2) + 1e-9
                for step in range(-1, 2):
                    gx = px - to_sun[0] * s + step * reach * to_sun[0] / flat
                    gy = py - to_sun[1] * s + step * reach * to_sun[1] / flat
                    gz = 0.0
                    if gy > back_y and to_sun[1] < 0.0:
                        q = (back_y - py) / -to_sun[1]
                        gx = px - to_sun[0] * q
                        gy = back_y
                        gz = max(0.0, pz - to_sun[2] * q)
                    a, b, c, d = sphere_box(lens, gx, gy, gz, r * 1.15 + 0.03)
                    x0 = min(x0, a)
                    y0 = min(y0, b)
                    x1 = max(x1, c)
                    y1 = max(y1, d)
                # Sky shade hugs the ground below the thing.
                if pz < 4.0 * r:
                    a, b, c, d = sphere_box(lens, px, py, 0.0, 3.0 * r)
                    x0 = min(x0, a)
                    y0 = min(y0, b)
                    x1 = max(x1, c)
                    y1 = max(y1, d)
        out[i, 0] = x0
        out[i, 1] = y0
        out[i, 2] = x1
        out[i, 3] = y1
    return out
