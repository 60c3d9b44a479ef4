"""A marker that is knocked over by the ball, and stood up again."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation

from truth.arrays import Floats
from truth.moves import Topple

FALL_S = 0.45
RISE_S = 0.35
SLIDE_M = 0.28
LIES_DEG = 82.0


def toppled(
    solids: Floats, casters: Floats, middle: Floats, falls: list[Topple], times: Floats
) -> tuple[Floats, Floats]:
    """Rows of one marker over time: solids (n, s, 16) and casters (n, s, 8).

    Parameters
    ----------
    solids, casters
        (s, 16), (s, 8) as it stands. middle: (2,) of its foot.
    falls
        Of this marker, in order of time.
    times
        (n,) seconds.
    """
    out_s = np.tile(solids, (len(times), 1, 1))
    out_c = np.tile(casters, (len(times), 1, 1))
    for fall in falls:
        way = fall.way / max(1e-9, float(np.linalg.norm(fall.way)))
        # Tips over the edge of its foot that lies ahead, away from the ball.
        radius = 0.5 * float(np.ptp(casters[:, [0, 4]]) + 2 * casters[:, 3].min())
        pivot = np.array([*(middle + way * min(0.09, radius)), 0.0])
        axis = np.array([-way[1], way[0], 0.0])
        end = fall.up_s if fall.up_s is not None else math.inf
        share = np.clip((times - fall.time_s) / FALL_S, 0.0, 1.0)
        back = np.clip((end + RISE_S / 2 - times) / RISE_S, 0.0, 1.0)
        share = np.minimum(share, back)
        for i in np.flatnonzero(share > 0.0):
            tip = math.radians(LIES_DEG) * share[i] ** 2
            slide = np.append(way * SLIDE_M * (1.0 - (1.0 - share[i]) ** 2), 0.0)
            turn = Rotation.from_rotvec(axis * tip).as_matrix()
            out_s[i], out_c[i] = moved(solids, casters, turn, pivot, slide)
    return out_s, out_c


def moved(
    solids: Floats, casters: Floats, turn: Floats, pivot: Floats, shift: Floats
) -> tuple[Floats, Floats]:
    """Rows turned by (3, 3) about a pivot and shifted; the layout is that of `shapes`."""
    solids, casters = solids.copy(), casters.copy()

    def place(points: Floats) -> Floats:
        there: Floats = (points - pivot) @ turn.T + pivot + shift
        return there

    for row in solids:
        row[1:4] = place(row[1:4])
        if row[0] < 0.5:
            row[5:8] = place(row[5:8])
        else:
            row[4:13] = (row[4:13].reshape(3, 3) @ turn.T).ravel()
    casters[:, 0:3] = place(casters[:, 0:3])
    casters[:, 4:7] = place(casters[:, 4:7])
    return solids, casters
