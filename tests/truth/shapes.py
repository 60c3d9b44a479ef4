"""Solids of the scene: round cones and ellipsoids met by rays, and the soft shade they throw.

A solid is a row of SOLID_COLUMNS numbers:
round cone  [0, ax, ay, az, ra, bx, by, bz, rb, 0...]
ellipsoid   [1, cx, cy, cz, m00..m22, 0...] with m = diag(1/radii) @ rotation.T
oval cone   [2, cx, cy, cz, m00..m22, length, ra, rb]: a round cone from 0 to length along the
            second axis of the space that m stretches (so its cross-section is an ellipse)
Its shade caster is a capsule-like row [ax, ay, az, ra, bx, by, bz, rb].
"""

import math

import numpy as np

from truth.arrays import Floats
from truth.jit import kernel

SOLID_COLUMNS = 16
CASTER_COLUMNS = 8
FAR = 1.0e9


def round_cone(a: Floats, radius_a: float, b: Floats, radius_b: float) -> tuple[Floats, Floats]:
    """Solid and caster rows of the hull of two spheres; `a`, `b` are (..., 3) in metres."""
    a = np.asarray(a, float)
    b = np.asarray(b, float)
    shape = np.broadcast_shapes(a.shape, b.shape)[:-1]
    solid = np.zeros((*shape, SOLID_COLUMNS))
    solid[..., 1:4] = a
    solid[..., 4] = radius_a
    solid[..., 5:8] = b
    solid[..., 8] = radius_b
    return solid, solid[..., 1:9].copy()


def ellipsoid(
    centre: Floats, axes: Floats, radii: tuple[float, float, float]
) -> tuple[Floats, Floats]:
    """Solid and caster rows of an ellipsoid.

    Parameters
    ----------
    centre
        (..., 3) metres.
    axes
        (..., 3, 3), the rows are the unit axes.
    radii
        Half lengths along the axes, metres.
    """
    centre = np.asarray(centre, float)
    axes = np.asarray(axes, float)
    solid = np.zeros((*centre.shape[:-1], SOLID_COLUMNS))
    solid[..., 0] = 1.0
    solid[..., 1:4] = centre
    r = np.asarray(radii, float)
    solid[..., 4:13] = (axes / r[:, None]).reshape(*centre.shape[:-1], 9)
    longest = int(np.argmax(r))
    girth = float(np.sort(r)[:2].mean())
    reach = axes[..., longest, :] * max(0.0, r[longest] - girth)
    caster = np.zeros((*centre.shape[:-1], CASTER_COLUMNS))
    caster[..., 0:3] = centre - reach
    caster[..., 3] = girth
    caster[..., 4:7] = centre + reach
    caster[..., 7] = girth
    return solid, caster


def oval_cone(
    low: Floats, axes: Floats, length_m: float, radius_low: float, radius_high: float, flat: float
) -> tuple[Floats, Floats]:
    """Solid and caster rows of a cone flattened along its third axis.

    Parameters
    ----------
    low
        (..., 3) middle of the lower end. axes: (..., 3, 3) rows: across, along, flattened.
    flat
        Depth over width.
    """
    low = np.asarray(low, float)
    axes = np.asarray(axes, float)
    solid = np.zeros((*low.shape[:-1], SOLID_COLUMNS))
    solid[..., 0] = 2.0
    solid[..., 1:4] = low
    stretch = np.array([1.0, 1.0, 1.0 / flat])
    solid[..., 4:13] = (axes * stretch[:, None]).reshape(*low.shape[:-1], 9)
    solid[..., 13:16] = (length_m, radius_low, radius_high)
    caster = np.zeros((*low.shape[:-1], CASTER_COLUMNS))
    caster[..., 0:3] = low
    caster[..., 3] = radius_low * (0.5 + 0.5 * flat)
    caster[..., 4:7] = low + axes[..., 1, :] * length_m
    caster[..., 7] = radius_high * (0.5 + 0.5 * flat)
    return solid, caster


@kernel
def hit_cone(
    ax0: float,
    ay0: float,
    az0: float,
    ra: float,
    ax1: float,
    ay1: float,
    az1: float,
    rb: float,
    ox: float,
    oy: float,
    oz: float,
    dx: float,
    dy: float,
    dz: float,
) -> tuple[float, float, float, float, float]:
    """Hit of a unit-direction ray with the hull of two spheres; see `hit_solid`."""
    bax = ax1 - ax0
    bay = ay1 - ay0
    baz = az1 - az0
    oax = ox - ax0
    oay = oy - ay0
    oaz = oz - az0
    obx = ox - ax1
    oby = oy - ay1
    obz = oz - az1
    rr = ra - rb
    m0 = bax * bax + bay * bay + baz * baz
    m1 = bax * oax + bay * oay + baz * oaz
    m2 = bax * dx + bay * dy + baz * dz
    m3 = dx * oax + dy * oay + dz * oaz
    m5 = oax * oax + oay * oay + oaz * oaz
    m6 = obx * dx + oby * dy + obz * dz
    m7 = obx * obx + oby * oby + obz * obz
    d2 = m0 - rr * rr
    if d2 > 0.0:
        k2 = d2 - m2 * m2
        k1 = d2 * m3 - m1 * m2 + m2 * rr * ra
        k0 = d2 * m5 - m1 * m1 + m1 * rr * ra * 2.0 - m0 * ra * ra
        h = k1 * k1 - k0 * k2
        if h < 0.0:
            return FAR, 0.0, 0.0, 1.0, 0.0
        t = (-math.sqrt(h) - k1) / k2
        y = m1 - ra * rr + t * m2
        if t > 0.0 and y > 0.0 and y < d2:
            nx = d2 * (oax + t * dx) - bax * y
            ny = d2 * (oay + t * dy) - bay * y
            nz = d2 * (oaz + t * dz) - baz * y
            q = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
            return t, nx * q, ny * q, nz * q, y / d2
    h1 = m3 * m3 - m5 + ra * ra
    h2 = m6 * m6 - m7 + rb * rb
    best = FAR
    nx = 0.0
    ny = 0.0
    nz = 1.0
    y = 0.0
    if h1 > 0.0:
        t = -m3 - math.sqrt(h1)
        if t > 0.0:
            best = t
            nx = (oax + t * dx) / ra
            ny = (oay + t * dy) / ra
            nz = (oaz + t * dz) / ra
    if h2 > 0.0:
        t = -m6 - math.sqrt(h2)
        if t > 0.0 and t < best:
            best = t
            nx = (obx + t * dx) / rb
            ny = (oby + t * dy) / rb
            nz = (obz + t * dz) / rb
            y = 1.0
    return best, nx, ny, nz, y


@kernel
def hit_solid(
    s: Floats, ox: float, oy: float, oz: float, dx: float, dy: float, dz: float
) -> tuple[float, float, float, float, float]:
    """Nearest hit of a unit-direction ray with a solid row.

    Returns
    -------
    tuple
        Ray length (FAR when missed), outward unit normal, and the axial share 0..1 of the hit.

    Notes
    -----
    Round cone: the quadratic of the swept sphere between two ends, caps as spheres (published by
    I. Quilez, "Intersectors"; from memory, checked in the tests against marching).
    """
    if s[0] < 0.5:
        return hit_cone(s[1], s[2], s[3], s[4], s[5], s[6], s[7], s[8], ox, oy, oz, dx, dy, dz)
    rx = ox - s[1]
    ry = oy - s[2]
    rz = oz - s[3]
    px = s[4] * rx + s[5] * ry + s[6] * rz
    py = s[7] * rx + s[8] * ry + s[9] * rz
    pz = s[10] * rx + s[11] * ry + s[12] * rz
    qx = s[4] * dx + s[5] * dy + s[6] * dz
    qy = s[7] * dx + s[8] * dy + s[9] * dz
    qz = s[10] * dx + s[11] * dy + s[12] * dz
    if s[0] > 1.5:
        size = math.sqrt(qx * qx + qy * qy + qz * qz)
        t, ux, uy, uz, y = hit_cone(
            0.0,
            0.0,
            0.0,
            s[14],
            0.0,
            s[13],
            0.0,
            s[15],
            px,
            py,
            pz,
            qx / size,
            qy / size,
            qz / size,
        )
        if t >= FAR:
            return FAR, 0.0, 0.0, 1.0, 0.0
        nx = s[4] * ux + s[7] * uy + s[10] * uz
        ny = s[5] * ux + s[8] * uy + s[11] * uz
        nz = s[6] * ux + s[9] * uy + s[12] * uz
        q = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
        return t / size, nx * q, ny * q, nz * q, y
    a = qx * qx + qy * qy + qz * qz
    b = px * qx + py * qy + pz * qz
    c = px * px + py * py + pz * pz - 1.0
    h = b * b - a * c
    if h < 0.0:
        return FAR, 0.0, 0.0, 1.0, 0.0
    t = (-b - math.sqrt(h)) / a
    if t <= 0.0:
        return FAR, 0.0, 0.0, 1.0, 0.0
    ux = px + t * qx
    uy = py + t * qy
    uz = pz + t * qz
    nx = s[4] * ux + s[7] * uy + s[10] * uz
    ny = s[5] * ux + s[8] * uy + s[11] * uz
    nz = s[6] * ux + s[9] * uy + s[12] * uz
    q = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
    return t, nx * q, ny * q, nz * q, 0.5 + 0.5 * uz


@kernel
def sun_left(
    c: Floats, px: float, py: float, pz: float, lx: float, ly: float, lz: float, half_width: float
) -> float:
    """Share 0..1 of the sun's disc that a caster row leaves at a point.

    Parameters
    ----------
    c
        Caster row.
    px, py, pz
        Point in metres.
    lx, ly, lz
        Unit direction to the sun.
    half_width
        Tangent of the sun's apparent half angle (haze makes it wider).
    """
    # Closest approach of the ray p + s l and the segment a + u (b - a).
    bx = c[4] - c[0]
    by = c[5] - c[1]
    bz = c[6] - c[2]
    wx = c[0] - px
    wy = c[1] - py
    wz = c[2] - pz
    bb = bx * bx + by * by + bz * bz
    bl = bx * lx + by * ly + bz * lz
    wl = wx * lx + wy * ly + wz * lz
    wb = wx * bx + wy * by + wz * bz
    det = bb - bl * bl
    u = 0.0
    if det > 1e-9:
        u = (wl * bl - wb) / det
    elif bb > 1e-12:
        u = -wb / bb
    u = min(1.0, max(0.0, u))
    qx = wx + u * bx
    qy = wy + u * by
    qz = wz + u * bz
    s = qx * lx + qy * ly + qz * lz
    if s <= 0.0:
        return 1.0
    gx = qx - s * lx
    gy = qy - s * ly
    gz = qz - s * lz
    gap: float = math.sqrt(gx * gx + gy * gy + gz * gz) - (c[3] + u * (c[7] - c[3]))
    soft = s * half_width + 0.002
    v: float = 0.5 + 0.5 * gap / soft
    if v >= 1.0:
        return 1.0
    if v <= 0.0:
        return 0.0
    return v * v * (3.0 - 2.0 * v)


@kernel
def sky_left(c: Floats, px: float, py: float, pz: float, nx: float, ny: float, nz: float) -> float:
    """Share of the open sky that a nearby caster leaves at a point with a normal.

    A sphere at distance d and radius r takes cos(angle) (r/d)^2 of the hemisphere (form factor of
    a sphere and a small plane, standard radiative heat transfer).
    """
    bx = c[4] - c[0]
    by = c[5] - c[1]
    bz = c[6] - c[2]
    wx = px - c[0]
    wy = py - c[1]
    wz = pz - c[2]
    bb = bx * bx + by * by + bz * bz
    u = 0.0
    if bb > 1e-12:
        u = min(1.0, max(0.0, (wx * bx + wy * by + wz * bz) / bb))
    ex = u * bx - wx
    ey = u * by - wy
    ez = u * bz - wz
    r = c[3] + u * (c[7] - c[3])
    d2 = ex * ex + ey * ey + ez * ez
    if d2 > 36.0 * r * r:
        return 1.0
    d = math.sqrt(d2) + 1e-9
    facing = (ex * nx + ey * ny + ez * nz) / d
    if facing <= 0.0:
        return 1.0
    ratio = min(1.0, r / d)
    left: float = 1.0 - 0.85 * facing * ratio * ratio
    return left
