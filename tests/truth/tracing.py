"""Moving things drawn over a backdrop: bodies and balls, with blur over the exposure and shade."""

from __future__ import annotations

import math

import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.camera import pixel_ray
from truth.coats import coat_detail
from truth.jit import kernel
from truth.shapes import hit_solid, sky_left, sun_left

TILE_PX = 8
MAX_LISTED = 192  # bodies over one tile: three people and what they hold


@kernel
def ball_colour(
    skin: Floats, rows: Floats, nx: float, ny: float, nz: float
) -> tuple[float, float, float, float]:
    """Albedo and seam depth of the ball where its outward normal is n.

    Parameters
    ----------
    skin
        (36, 4): unit face normals divided by face distance and a colour row number; then three
        colour rows and the seam row (r, g, b, width).
    rows
        (3, 3) the ball's turn: world vector = rows @ body vector.
    """
    bx = rows[0, 0] * nx + rows[1, 0] * ny + rows[2, 0] * nz
    by = rows[0, 1] * nx + rows[1, 1] * ny + rows[2, 1] * nz
    bz = rows[0, 2] * nx + rows[1, 2] * ny + rows[2, 2] * nz
    first = -9.0
    second = -9.0
    which = 0
    for i in range(32):
        q = skin[i, 0] * bx + skin[i, 1] * by + skin[i, 2] * bz
        if q > first:
            second = first
            first = q
            which = i
        elif q > second:
            second = q
    colour = 32 + int(skin[which, 3])
    r = skin[colour, 0]
    g = skin[colour, 1]
    b = skin[colour, 2]
    edge = (first - second) / skin[35, 3]
    if edge < 1.0:
        m = 0.75 * (1.0 - edge)
        r = r * (1.0 - m) + skin[35, 0] * m
        g = g * (1.0 - m) + skin[35, 1] * m
        b = b * (1.0 - m) + skin[35, 2] * m
    return r, g, b, edge


@kernel
def shade_pairs(casters: Floats, to_sun: Floats, half_width: float) -> tuple[Whole, Whole]:
    """Which casters can shade which: (n, n) list of candidates and (n,) their counts.

    Each target is taken as a ball around its caster, so that no candidate is missed.
    """
    n = casters.shape[0]
    lists = np.empty((n, n), np.int64)
    counts = np.zeros(n, np.int64)
    fat = np.empty(8)
    for i in range(n):
        a = casters[i]
        half = 0.0
        for k in range(3):
            half += (a[4 + k] - a[k]) ** 2
        reach = 0.5 * math.sqrt(half) + max(a[3], a[7]) + 0.08
        px = 0.5 * (a[0] + a[4]) - reach * to_sun[0]
        py = 0.5 * (a[1] + a[5]) - reach * to_sun[1]
        pz = 0.5 * (a[2] + a[6]) - reach * to_sun[2]
        for j in range(n):
            if j == i:
                continue
            fat[:] = casters[j]
            fat[3] += reach
            fat[7] += reach
            if sun_left(fat, px, py, pz, to_sun[0], to_sun[1], to_sun[2], half_width) < 1.0:
                lists[i, counts[i]] = j
                counts[i] += 1
    return lists, counts


@kernel
def draw_moving(
    lens: Floats,
    light: Floats,
    base_sun: Picture,
    base_sky: Picture,
    depth: Picture,
    back_y: float,
    solids: Floats,
    coats: Floats,
    balls: Floats,
    turns: Floats,
    radius: float,
    skin: Floats,
    casters: Floats,
    solid_boxes: Floats,
    ball_boxes: Floats,
    shade_boxes: Floats,
    samples: int,
    ball_samples: int,
    out: Picture,
) -> None:
    """Redraw the tiles that moving things or their shade touch.

    Parameters
    ----------
    base_sun, base_sky, depth
        The backdrop. `out` already holds their sum.
    solids
        (k, n, 16) at the k sub-times of the exposure; coats (n, 5).
    balls, turns
        (k, m, 3) centres; (k, m, 3, 3) rotations; skin of every ball.
    casters
        (k, n + m, 8): the solids' casters, then the balls'.
    """
    height = out.shape[0]
    width = out.shape[1]
    times = solids.shape[0]
    n = solids.shape[1]
    m = balls.shape[1]
    mid = times // 2
    lx = light[0]
    ly = light[1]
    lz = light[2]
    ox = lens[0]
    oy = lens[1]
    oz = lens[2]
    listed = np.empty(MAX_LISTED, np.int64)
    ball_list = np.empty(16, np.int64)
    shade_list = np.empty(MAX_LISTED, np.int64)
    shade_steps = 1 if times <= 4 else 3
    pairs, pair_counts = shade_pairs(casters[mid], light[0:3], light[9])
    for ty in range(0, height, TILE_PX):
        for tx in range(0, width, TILE_PX):
            n_solids = 0
            for i in range(n):
                if (
                    solid_boxes[i, 0] < tx + TILE_PX
                    and solid_boxes[i, 2] > tx
                    and solid_boxes[i, 1] < ty + TILE_PX
                    and solid_boxes[i, 3] > ty
                ):
                    listed[n_solids] = i
                    n_solids += 1
            n_balls = 0
            for i in range(m):
                if (
                    ball_boxes[i, 0] < tx + TILE_PX
                    and ball_boxes[i, 2] > tx
                    and ball_boxes[i, 1] < ty + TILE_PX
                    and ball_boxes[i, 3] > ty
                ):
                    ball_list[n_balls] = i
                    n_balls += 1
            n_shade = 0
            for i in range(n + m):
                if (
                    shade_boxes[i, 0] < tx + TILE_PX
                    and shade_boxes[i, 2] > tx
                    and shade_boxes[i, 1] < ty + TILE_PX
                    and shade_boxes[i, 3] > ty
                ):
                    shade_list[n_shade] = i
                    n_shade += 1
            if n_solids + n_balls + n_shade == 0:
                continue
            take = 0
            if n_solids > 0:
                take = samples
            if n_balls > 0:
                take = max(take, ball_samples)
            for row in range(ty, min(ty + TILE_PX, height)):
                for col in range(tx, min(tx + TILE_PX, width)):
                    g0 = base_sun[row, col, 0] + base_sky[row, col, 0]
                    g1 = base_sun[row, col, 1] + base_sky[row, col, 1]
                    g2 = base_sun[row, col, 2] + base_sky[row, col, 2]
                    td = depth[row, col]
                    if n_shade > 0 and td < 300.0:
                        dx, dy, dz = pixel_ray(lens, float(col), float(row))
                        px = ox + td * dx
                        py = oy + td * dy
                        pz = oz + td * dz
                        nz = 1.0
                        ny = 0.0
                        if pz > 0.012:
                            nz = 0.0
                            if py > back_y - 0.02:
                                ny = -1.0
                        lit = 0.0
                        fill = 0.0
                        for step in range(shade_steps):
                            k = mid if shade_steps == 1 else (step * (times - 1)) // 2
                            one = 1.0
                            dim = 1.0
                            for j in range(n_shade):
                                c = casters[k, shade_list[j]]
                                one = min(one, sun_left(c, px, py, pz, lx, ly, lz, light[9]))
                                if ny + nz != 0.0:
                                    dim *= sky_left(c, px, py, pz, 0.0, ny, nz)
                            lit += one
                            fill += max(0.25, dim)
                        lit /= shade_steps
                        fill /= shade_steps
                        g0 = base_sun[row, col, 0] * lit + base_sky[row, col, 0] * fill
                        g1 = base_sun[row, col, 1] * lit + base_sky[row, col, 1] * fill
                        g2 = base_sun[row, col, 2] * lit + base_sky[row, col, 2] * fill
                    if take == 0:
                        out[row, col, 0] = g0
                        out[row, col, 1] = g1
                        out[row, col, 2] = g2
                        continue
                    c0 = 0.0
                    c1 = 0.0
                    c2 = 0.0
                    turn = ((row * 7 + col * 3) % 11) / 11.0
                    # A few samples tell whether the pixel is uniform; edges take all of them.
                    probe = max(3, (2 * take) // 5)
                    taken = 0
                    kind = -9
                    mixed = False
                    low = 1e9
                    high = 0.0
                    shaded = -9
                    shade = 0.0
                    for s in range(take):
                        if s == probe and not mixed and high - low < 0.06 * high + 0.004:
                            break
                        taken += 1
                        before = c0 + c1 + c2
                        # Additive recurrence (R2 sequence) spreads samples over the pixel.
                        u = col - 0.5 + (0.5 + 0.7548776662 * s + turn) % 1.0
                        v = row - 0.5 + (0.5 + 0.5698402910 * s + turn) % 1.0
                        k = min(times - 1, int((s + turn) * times / take) % times)
                        dx, dy, dz = pixel_ray(lens, u, v)
                        t = td - 0.003
                        what = -1
                        nx = 0.0
                        ny = 0.0
                        nz = 1.0
                        axial = 0.0
                        for j in range(n_solids):
                            i = listed[j]
                            ts, ax, ay, az, q = hit_solid(solids[k, i], ox, oy, oz, dx, dy, dz)
                            if ts < t:
                                t = ts
                                what = i
                                nx = ax
                                ny = ay
                                nz = az
                                axial = q
                        for j in range(n_balls):
                            i = ball_list[j]
                            wx = ox - balls[k, i, 0]
                            wy = oy - balls[k, i, 1]
                            wz = oz - balls[k, i, 2]
                            b = wx * dx + wy * dy + wz * dz
                            c = wx * wx + wy * wy + wz * wz - radius * radius
                            h = b * b - c
                            if h > 0.0:
                                ts = -b - math.sqrt(h)
                                if ts > 0.0 and ts < t:
                                    t = ts
                                    what = n + i
                                    nx = (wx + t * dx) / radius
                                    ny = (wy + t * dy) / radius
                                    nz = (wz + t * dz) / radius
                        if s == 0:
                            kind = what
                        elif what != kind:
                            mixed = True
                        if what < 0:
                            c0 += g0
                            c1 += g1
                            c2 += g2
                            continue
                        px = ox + t * dx
                        py = oy + t * dy
                        pz = oz + t * dz
                        gloss = 0.0
                        if what >= n:
                            r, g, b, _edge = ball_colour(skin, turns[k, what - n], nx, ny, nz)
                            gloss = 0.35
                        else:
                            d = coat_detail(
                                coats[what, 4],
                                axial,
                                px - solids[k, what, 1],
                                py - solids[k, what, 2],
                                pz - solids[k, what, 3],
                                t / lens[12],
                            )
                            r = coats[what, 0] * d
                            g = coats[what, 1] * d
                            b = coats[what, 2] * d
                            gloss = coats[what, 3]
                            if coats[what, 4] > 0.5:
                                # Cloth hangs in soft folds: lean the normal a little.
                                lean = 0.9 * (d - 1.0)
                                nx += lean * nz
                                ny -= lean * nx
                        lit = nx * lx + ny * ly + nz * lz
                        if lit > 0.0 and shaded == what:
                            lit *= shade
                        elif lit > 0.0:
                            shade = 1.0
                            for jj in range(pair_counts[what]):
                                j = pairs[what, jj]
                                q = sun_left(
                                    casters[k, j],
                                    px + 0.012 * nx,
                                    py + 0.012 * ny,
                                    pz + 0.012 * nz,
                                    lx,
                                    ly,
                                    lz,
                                    light[9],
                                )
                                # Joints overlap: only a solid cover counts as shade here.
                                if q < 0.35:
                                    shade *= q / 0.35
                                    if shade < 0.01:
                                        break
                            # Neighbouring samples of one thing share their shade.
                            shaded = what
                            lit *= shade
                        lit = max(0.0, lit)
                        open_sky = (0.5 + 0.5 * nz) * min(1.0, 0.55 + 0.45 * pz / 0.25)
                        fill = open_sky + 0.24 * (0.5 - 0.5 * nz)
                        shine = 0.0
                        if gloss > 0.0:
                            dot = nx * dx + ny * dy + nz * dz
                            hx = dx - 2.0 * dot * nx
                            hy = dy - 2.0 * dot * ny
                            hz = dz - 2.0 * dot * nz
                            shine = (
                                gloss
                                * max(0.0, hx * lx + hy * ly + hz * lz) ** 24
                                * (1.0 if lit > 0.0 else 0.0)
                            )
                            fresnel = (1.0 - min(1.0, -dot)) ** 4 * gloss * 0.35
                            c0 += fresnel * light[6] * open_sky
                            c1 += fresnel * light[7] * open_sky
                            c2 += fresnel * light[8] * open_sky
                        c0 += r * (light[3] * lit + light[6] * fill) + 0.5 * shine * light[3]
                        c1 += g * (light[4] * lit + light[7] * fill) + 0.5 * shine * light[4]
                        c2 += b * (light[5] * lit + light[8] * fill) + 0.5 * shine * light[5]
                        bright = c0 + c1 + c2 - before
                        low = min(low, bright)
                        high = max(high, bright)
                    q = 1.0 / taken
                    out[row, col, 0] = c0 * q
                    out[row, col, 1] = c1 * q
                    out[row, col, 2] = c2 * q
