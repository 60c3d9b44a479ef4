"""The brush: lays stamps and balls over a patch of the picture, far ones first."""

from __future__ import annotations

import math

import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.camera import pixel_ray
from truth.jit import kernel

SKIN_PX = 256
WEAVE_PX = 128


@kernel
def weave_at(weave: Picture, x: float, y: float) -> float:
    """Value of a wrapped square table at a place in its pixels."""
    n = weave.shape[0]
    return float(weave[math.floor(y) % n, math.floor(x) % n])


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
def lay_stamp(
    out: Picture,
    depth: Picture,
    left: int,
    top: int,
    lens: Floats,
    light: Floats,
    s: Floats,
    coat: Floats,
    sunlit: float,
    weave: Picture,
) -> None:
    """Lay one stamp over a patch whose corner is (left, top); light as `layers.lamp_row`."""
    h, w = depth.shape
    x0 = max(0, math.floor(s[15]) - left)
    y0 = max(0, math.floor(s[16]) - top)
    x1 = min(w, math.ceil(s[17]) - left + 1)
    y1 = min(h, math.ceil(s[18]) - top + 1)
    kind = coat[4]
    ex = s[6]
    ey = s[7]
    span = math.sqrt(ex * ex + ey * ey)
    for row in range(y0, y1):
        col = x0 - 1
        met = False
        while col < x1 - 1:
            col += 1
            cover, tau, a, b, z = cover_of(s, float(col + left), float(row + top))
            if cover <= 0.0:
                if met:
                    break
                # Far from the outline, leap half the way to it: a stretched plane bends lengths.
                col += int(-0.4 * cover)
                continue
            met = True
            if z > depth[row, col]:
                continue
            # The plane's normal goes back to the image by the transposed matrix.
            nu = (s[2] * a + s[4] * b) * s[14]
            nv = (s[3] * a + s[5] * b) * s[14]
            m2 = min(0.98, nu * nu + nv * nv)
            nd = -math.sqrt(1.0 - m2)
            nx = lens[3] * nu + lens[6] * nv + lens[9] * nd
            ny = lens[4] * nu + lens[7] * nv + lens[10] * nd
            nz = lens[5] * nu + lens[8] * nv + lens[11] * nd
            tone = 1.0
            if kind > 0.5:
                across = (a * ey - b * ex) / span if span > 1e-9 else a
                if kind < 1.5:
                    tone = 1.0 + 0.11 * weave_at(weave, 9.0 * across, 40.0 * tau + 11.0 * s[12])
                elif kind < 2.5:
                    tone = max(0.25, 0.8 + 0.35 * weave_at(weave, 30.0 * a, 30.0 * b))
                elif kind < 3.5:
                    tone = 1.8 if abs(tau - 0.45) < 0.09 else 1.0
                else:
                    tone = 1.0 + 0.22 * weave_at(weave, 60.0 * a, 7.0 * b)
            lit = max(0.0, nx * light[0] + ny * light[1] + nz * light[2]) * sunlit
            dome = 0.5 + 0.5 * nz
            # Folds and the body itself hide some sky where it turns away from the eye.
            fill = (dome + 0.22 * (1.0 - dome)) * (0.80 + 0.20 * -nd)
            gloss = 0.0
            if coat[3] > 0.0:
                # Towards the lamp's mirror image, Blinn's half-way form.
                hx = light[0] - lens[9]
                hy = light[1] - lens[10]
                hz = light[2] - lens[11]
                q = 1.0 / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-9)
                half = max(0.0, (nx * hx + ny * hy + nz * hz) * q)
                gloss = coat[3] * (0.5 * half**40 * sunlit + 0.04)
            keep = 1.0 - cover
            for c in range(3):
                value = coat[c] * tone * (light[3 + c] * lit + light[6 + c] * fill)
                value += gloss * light[3 + c]
                out[row, col, c] = out[row, col, c] * keep + value * cover
            if cover > 0.5:
                depth[row, col] = z


@kernel
def skin_spot(bx: float, by: float, bz: float) -> tuple[int, int]:
    """Cell of an octahedral map for a unit body vector (Meyer et al. 2010, from memory)."""
    q = 1.0 / (abs(bx) + abs(by) + abs(bz))
    u = bx * q
    v = by * q
    if bz < 0.0:
        fu = (1.0 - abs(v)) * (1.0 if u >= 0.0 else -1.0)
        v = (1.0 - abs(u)) * (1.0 if v >= 0.0 else -1.0)
        u = fu
    col = min(SKIN_PX - 1, int((0.5 + 0.5 * u) * SKIN_PX))
    row = min(SKIN_PX - 1, int((0.5 + 0.5 * v) * SKIN_PX))
    return row, col


@kernel
def lay_ball(
    out: Picture,
    depth: Picture,
    left: int,
    top: int,
    lens: Floats,
    light: Floats,
    centre: Floats,
    turn: Floats,
    radius: float,
    box: Floats,
    skin: Picture,
    side: int,
    sunlit: float,
    hug: float,
) -> None:
    """Lay a ball over a patch with side x side points a pixel.

    Parameters
    ----------
    turn
        (3, 3) world vector = turn @ body vector. skin: (SKIN_PX, SKIN_PX, 3) octahedral albedo.
    hug
        How near the ground is, 0..1: it darkens the ball's underside.
    """
    h, w = depth.shape
    x0 = max(0, math.floor(box[0]) - left)
    y0 = max(0, math.floor(box[1]) - top)
    x1 = min(w, math.ceil(box[2]) - left + 1)
    y1 = min(h, math.ceil(box[3]) - top + 1)
    cx = centre[0] - lens[0]
    cy = centre[1] - lens[1]
    cz = centre[2] - lens[2]
    far2 = cx * cx + cy * cy + cz * cz - radius * radius
    share = 1.0 / (side * side)
    for row in range(y0, y1):
        for col in range(x0, x1):
            hits = 0
            r = 0.0
            g = 0.0
            bl = 0.0
            nearest = 1e9
            for k in range(side * side):
                u = col + left + (k % side + 0.5) / side - 0.5
                v = row + top + (k // side + 0.5) / side - 0.5
                dx, dy, dz = pixel_ray(lens, u, v)
                b = dx * cx + dy * cy + dz * cz
                root = b * b - far2
                if root <= 0.0 or b <= 0.0:
                    continue
                t = b - math.sqrt(root)
                z = t * (dx * lens[9] + dy * lens[10] + dz * lens[11])
                if z > depth[row, col]:
                    continue
                nearest = min(nearest, z)
                nx = (t * dx - cx) / radius
                ny = (t * dy - cy) / radius
                nz = (t * dz - cz) / radius
                i, j = skin_spot(
                    turn[0, 0] * nx + turn[1, 0] * ny + turn[2, 0] * nz,
                    turn[0, 1] * nx + turn[1, 1] * ny + turn[2, 1] * nz,
                    turn[0, 2] * nx + turn[1, 2] * ny + turn[2, 2] * nz,
                )
                lit = max(0.0, nx * light[0] + ny * light[1] + nz * light[2]) * sunlit
                dome = 0.5 + 0.5 * nz
                fill = dome + 0.22 * (1.0 - dome)
                if nz < 0.0:
                    fill *= 1.0 - 0.75 * hug * nz * nz
                hx = light[0] - dx
                hy = light[1] - dy
                hz = light[2] - dz
                q = 1.0 / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-9)
                half = max(0.0, (nx * hx + ny * hy + nz * hz) * q)
                shine = 0.06 * half**30 * sunlit
                facing = -(dx * nx + dy * ny + dz * nz)
                rim = 0.05 * (1.0 - facing) ** 3 * dome
                r += skin[i, j, 0] * (light[3] * lit + light[6] * fill)
                r += shine * light[3] + rim * light[6]
                g += skin[i, j, 1] * (light[4] * lit + light[7] * fill)
                g += shine * light[4] + rim * light[7]
                bl += skin[i, j, 2] * (light[5] * lit + light[8] * fill)
                bl += shine * light[5] + rim * light[8]
                hits += 1
            if hits == 0:
                continue
            keep = 1.0 - hits * share
            out[row, col, 0] = out[row, col, 0] * keep + r * share
            out[row, col, 1] = out[row, col, 1] * keep + g * share
            out[row, col, 2] = out[row, col, 2] * keep + bl * share
            if hits * share > 0.5:
                depth[row, col] = nearest


@kernel
def paint_patch(
    out: Picture,
    under: Picture,
    wall_depth: Picture,
    left: int,
    top: int,
    lens: Floats,
    light: Floats,
    stamps: Floats,
    coats: Floats,
    sunlit: Floats,
    centres: Floats,
    turns: Floats,
    ball_boxes: Floats,
    ball_sunlit: Floats,
    radius: float,
    skins: Picture,
    order: Whole,
    side: int,
    weave: Picture,
) -> None:
    """Average a patch over the moments of an exposure.

    Parameters
    ----------
    out, under
        (h, w, 3): the patch to fill, and what lies under all that moves.
    wall_depth
        (h, w) depth along the optical axis of uprights; large elsewhere.
    stamps, centres, turns, ball_boxes
        (k, n, STAMP_COLUMNS), (k, m, 3), (k, m, 3, 3), (k, m, 4) by moment.
    order
        (k, n + m) far first: below n a stamp, from n on a ball; -1 is nothing.
    """
    moments, n = stamps.shape[0], stamps.shape[1]
    h, w = wall_depth.shape
    share = 1.0 / moments
    canvas = np.empty_like(under)
    depth = np.empty_like(wall_depth)
    out[:] = 0.0
    for k in range(moments):
        canvas[:] = under
        depth[:] = wall_depth
        for j in range(order.shape[1]):
            i = order[k, j]
            if i < 0:
                continue
            if i < n:
                lay_stamp(
                    canvas, depth, left, top, lens, light, stamps[k, i], coats[i], sunlit[i], weave
                )
            else:
                i -= n
                hug = max(0.0, 1.0 - (centres[k, i, 2] - radius) / (2.0 * radius))
                lay_ball(
                    canvas,
                    depth,
                    left,
                    top,
                    lens,
                    light,
                    centres[k, i],
                    turns[k, i],
                    radius,
                    ball_boxes[k, i],
                    skins[i],
                    side,
                    ball_sunlit[i],
                    hug,
                )
        for row in range(h):
            for col in range(w):
                for c in range(3):
                    out[row, col, c] += canvas[row, col, c] * share


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
