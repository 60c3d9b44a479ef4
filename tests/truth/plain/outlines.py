"""Where a stamp covers a pixel, and how much of a ball stays in sight between stamps."""

from __future__ import annotations

import math

from truth.arrays import Floats, Picture
from truth.camera import pixel_ray
from truth.jit import kernel


@kernel
def cover_of(s: Floats, u: float, v: float) -> tuple[float, float, float, float, float]:
    """How much of the pixel at (u, v) a stamp covers, and what it shows there.

    Returns
    -------
    tuple
        Cover 0..1 (below 0: how far off in pixels, about), share along the axis, the outward
        normal's two parts in the stamp's plane (length below 1 inside), and depth in metres.

    Notes
    -----
    Signed distance to the hull of two discs (I. Quilez, "2D distance functions", from memory).
    """
    du = u - s[0]
    dv = v - s[1]
    x = s[2] * du + s[3] * dv
    y = s[4] * du + s[5] * dv
    ex = s[6]
    ey = s[7]
    ra = s[8]
    rb = s[9]
    length = math.sqrt(ex * ex + ey * ey)
    tau = 0.0
    if length <= abs(ra - rb) + 1e-9:
        tau = 0.0 if ra >= rb else 1.0
    else:
        ex /= length
        ey /= length
        along = x * ex + y * ey
        aside = abs(x * ey - y * ex)
        lean = (ra - rb) / length
        slant = math.sqrt(1.0 - lean * lean)
        k = along * slant - aside * lean
        tau = min(1.0, max(0.0, k / (slant * length)))
        ex *= length
        ey *= length
    ox = x - tau * ex
    oy = y - tau * ey
    r = ra + tau * (rb - ra)
    m = math.sqrt(ox * ox + oy * oy)
    cover = 0.5 - (m - r) * s[14]
    if cover <= 0.0:
        return cover, 0.0, 0.0, 0.0, 0.0
    bulge = math.sqrt(max(0.0, 1.0 - min(1.0, (m / r) ** 2)))
    depth = s[10] + tau * (s[11] - s[10]) - bulge * (s[12] + tau * (s[13] - s[12]))
    return min(1.0, cover), tau, ox / r, oy / r, depth


@kernel
def above_ground(lens: Floats, u: float, v: float, depth: float) -> float:
    """Share 0..1 of a pixel that lies above the ground at a depth: bodies may reach into it."""
    x = (u - lens[13]) / lens[12]
    y = (v - lens[14]) / lens[12]
    curve = 1.0 + lens[15] * (x * x + y * y)
    x /= curve
    y /= curve
    height = lens[2] + depth * (lens[5] * x + lens[8] * y + lens[11])
    share: float = min(1.0, max(0.0, 0.5 + height * lens[12] / depth))
    return share


@kernel
def ball_share_seen(
    lens: Floats,
    depth_m: Picture,
    stamps: Floats,
    others: Floats,
    centre: Floats,
    radius: float,
    box: Floats,
) -> float:
    """Share 0..1 of a ball's disc that stays in sight, by points over its box.

    Parameters
    ----------
    depth_m
        (h, w) ray lengths of the still scene. stamps (n, STAMP_COLUMNS); others (m, 3).
    """
    side = 24
    height, width = depth_m.shape
    total = 0
    seen = 0
    for k in range(side * side):
        u = box[0] + (box[2] - box[0]) * (k % side + 0.5) / side
        v = box[1] + (box[3] - box[1]) * (k // side + 0.5) / side
        dx, dy, dz = pixel_ray(lens, u, v)
        t = 1e9
        for j in range(-1, others.shape[0]):
            at = centre if j < 0 else others[j]
            cx = at[0] - lens[0]
            cy = at[1] - lens[1]
            cz = at[2] - lens[2]
            b = dx * cx + dy * cy + dz * cz
            root = b * b - (cx * cx + cy * cy + cz * cz - radius * radius)
            reach = b - math.sqrt(root) if root > 0.0 and b > 0.0 else 1e9
            if j < 0:
                if reach > 1e8:
                    break
                t = reach
                total += 1
            elif reach < t:
                t = -1.0
                break
        if t > 1e8 or t < 0.0:
            continue
        col = math.floor(u + 0.5)
        row = math.floor(v + 0.5)
        if col < 0 or row < 0 or col >= width or row >= height:
            continue
        # The neighbouring pixel's depth may be that of the ground just below the rim.
        if depth_m[int(row), int(col)] < t - 0.06:
            continue
        z = t * (dx * lens[9] + dy * lens[10] + dz * lens[11])
        hidden = False
        for i in range(stamps.shape[0]):
            cover, _, _, _, near = cover_of(stamps[i], u, v)
            if cover > 0.5 and near < z:
                hidden = True
                break
        if not hidden:
            seen += 1
    return seen / total if total else 0.0
