"""The brush: lays stamps and balls over a patch of the picture, far ones first."""

from __future__ import annotations

import math

import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.camera import pixel_ray
from truth.jit import kernel
from truth.plain.outlines import above_ground, cover_of

SKIN_PX = 256
WEAVE_PX = 128


@kernel
def weave_at(weave: Picture, x: float, y: float) -> float:
    """Value of a wrapped square table at a place in its pixels."""
    n = weave.shape[0]
    return float(weave[math.floor(y) % n, math.floor(x) % n])


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
            cover *= above_ground(lens, float(col + left), float(row + top), z)
            if cover <= 0.0 or z > depth[row, col]:
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
                shine = 0.06 * half**30 * sunlit if half > 0.7 else 0.0
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
