"""Moving things drawn over a backdrop: bodies and balls, with blur over the exposure and shade."""

from __future__ import annotations

import math

import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.backdrop import coat_detail
from truth.camera import pixel_ray, sphere_box
from truth.jit import kernel
from truth.shapes import hit_solid, sky_left, sun_left

TILE_PX = 16
MAX_LISTED = 96


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
        (k, n, 13) at the k sub-times of the exposure; coats (n, 5).
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
                    for s in range(take):
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
                            r, g, b, edge = ball_colour(skin, turns[k, what - n], nx, ny, nz)
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
                        if lit > 0.0:
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
                                    lit *= q / 0.35
                                    if lit < 0.01:
                                        break
                        lit = max(0.0, lit)
                        open_sky = (0.5 + 0.5 * nz) * min(1.0, 0.55 + 0.45 * pz / 0.25)
                        fill = open_sky + 0.24 * (0.5 - 0.5 * nz)
                        shine = 0.0
                        if gloss > 0.0:
                            dot = nx * dx + ny * dy + nz * dz
                            hx = dx - 2.0 * dot * nx
                            hy = dy - 2.0 * dot * ny
                            hz = dz - 2.0 * dot * nz
                            shine = gloss * max(0.0, hx * lx + hy * ly + hz * lz) ** 24 * (
                                1.0 if lit > 0.0 else 0.0
                            )
                            fresnel = (1.0 - min(1.0, -dot)) ** 4 * gloss * 0.35
                            c0 += fresnel * light[6] * open_sky
                            c1 += fresnel * light[7] * open_sky
                            c2 += fresnel * light[8] * open_sky
                        c0 += r * (light[3] * lit + light[6] * fill) + 0.5 * shine * light[3]
                        c1 += g * (light[4] * lit + light[7] * fill) + 0.5 * shine * light[4]
                        c2 += b * (light[5] * lit + light[8] * fill) + 0.5 * shine * light[5]
                    q = 1.0 / take
                    out[row, col, 0] = c0 * q
                    out[row, col, 1] = c1 * q
                    out[row, col, 2] = c2 * q


@kernel
def ball_in_view(
    lens: Floats,
    depth: Picture,
    solids: Floats,
    others: Floats,
    x: float,
    y: float,
    z: float,
    radius: float,
) -> float:
    """Share 0..1 of the ball's disc that the camera sees at one moment.

    Rays are spread evenly over the disc; those outside the picture count as hidden.

    Parameters
    ----------
    solids
        (n, 13) bodies at that moment. `others` (m, 3): centres of other balls.
    """
    height = depth.shape[0]
    width = depth.shape[1]
    wx = x - lens[0]
    wy = y - lens[1]
    wz = z - lens[2]
    far = math.sqrt(wx * wx + wy * wy + wz * wz)
    ax = lens[3] * wx + lens[4] * wy + lens[5] * wz
    ay = lens[6] * wx + lens[7] * wy + lens[8] * wz
    az = lens[9] * wx + lens[10] * wy + lens[11] * wz
    if az < 0.15 or far < 1.5 * radius:
        return 0.0
    # Two directions across the line of sight.
    fx = wx / far
    fy = wy / far
    fz = wz / far
    hx = fy
    hy = -fx
    hq = math.sqrt(hx * hx + hy * hy) + 1e-12
    hx /= hq
    hy /= hq
    vx = -fz * hy
    vy = fz * hx
    vz = fx * hy - fy * hx
    rim = far * math.tan(math.asin(radius / far)) * 0.999
    seen = 0
    total = 400
    for i in range(total):
        # Sunflower arrangement: equal areas.
        q = rim * math.sqrt((i + 0.5) / total)
        angle = 2.399963229728653 * i
        ca = q * math.cos(angle)
        sa = q * math.sin(angle)
        dx = wx + ca * hx + sa * vx
        dy = wy + ca * hy + sa * vy
        dz = wz + sa * vz
        inv = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
        dx *= inv
        dy *= inv
        dz *= inv
        b = dx * wx + dy * wy + dz * wz
        t = b - math.sqrt(max(0.0, b * b - far * far + radius * radius))
        cx = lens[3] * dx + lens[4] * dy + lens[5] * dz
        cy = lens[6] * dx + lens[7] * dy + lens[8] * dz
        cz = lens[9] * dx + lens[10] * dy + lens[11] * dz
        if cz <= 1e-6:
            continue
        cx /= cz
        cy /= cz
        curve = 1.0 + lens[15] * (cx * cx + cy * cy)
        col = int(math.floor(lens[13] + lens[12] * cx * curve + 0.5))
        row = int(math.floor(lens[14] + lens[12] * cy * curve + 0.5))
        if col < 0 or row < 0 or col >= width or row >= height:
            continue
        # Depth of a neighbouring pixel may be the ground just below the rim.
        if depth[row, col] < t - 0.06:
            continue
        blocked = False
        for j in range(others.shape[0]):
            ex = lens[0] - others[j, 0]
            ey = lens[1] - others[j, 1]
            ez = lens[2] - others[j, 2]
            bb = ex * dx + ey * dy + ez * dz
            h = bb * bb - (ex * ex + ey * ey + ez * ez - radius * radius)
            if h > 0.0 and 0.0 < -bb - math.sqrt(h) < t:
                blocked = True
                break
        if not blocked:
            for j in range(solids.shape[0]):
                ts, _, _, _, _ = hit_solid(solids[j], lens[0], lens[1], lens[2], dx, dy, dz)
                if ts < t:
                    blocked = True
                    break
        if not blocked:
            seen += 1
    return seen / total

