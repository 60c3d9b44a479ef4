"""Procedural ground, walls and sky: linear albedo and relief, filtered by the pixel footprint."""

import math

from truth.jit import kernel
from truth.noise import cells, fractal, hash01, seen, value_noise

GRASS, CONCRETE, GRAVEL, INDOOR = 0, 1, 2, 3
GROUNDS = {"grass": GRASS, "concrete": CONCRETE, "gravel": GRAVEL, "indoor": INDOOR}
BRICK, PLASTER, FENCE, HEDGE, NET = 0, 1, 2, 3, 4
WALLS = {"brick": BRICK, "plaster": PLASTER, "fence": FENCE, "hedge": HEDGE, "net": NET}
Colour = tuple[float, float, float, float]


@kernel
def grass(x: float, y: float, ex: float, ey: float, fp: float, seed: int) -> Colour:
    """Lawn seen along a ray that moves (ex, ey) metres over the ground per metre of height."""
    patch = fractal(x, y, 1.7, 3, fp, seed)
    dry = fractal(x, y, 0.55, 4, fp, seed + 50)
    tuft = fractal(x, y, 0.13, 3, fp, seed + 90)
    near = seen(0.016, fp)
    shade = 0.62
    tint = 0.5
    if near > 0.0:
        # A fur of shells: the first layer with a blade in it gives colour by height.
        found = 0.30
        for k in range(7):
            h = 0.028 * (1.0 - k / 7.0)
            qx = x - ex * h
            qy = y - ey * h
            blade = 0.6 * value_noise(qx / 0.006, qy / 0.006, seed + 200) + 0.4 * value_noise(
                qx / 0.017, qy / 0.017, seed + 210
            )
            if blade > 0.54 + 4.2 * h - 0.05 * tuft:
                found = 0.42 + 0.62 * (h / 0.028)
                tint = value_noise(qx / 0.012, qy / 0.012, seed + 220)
                break
        shade = near * found + (1.0 - near) * 0.62
        tint = near * tint + (1.0 - near) * 0.5
    shade *= 1.0 + 0.22 * tuft + 0.10 * patch
    straw = min(1.0, max(0.0, 0.22 + 0.55 * dry + 0.25 * patch + 0.35 * (tint - 0.5)))
    r = 0.078 * (1.0 - straw) + 0.185 * straw
    g = 0.128 * (1.0 - straw) + 0.172 * straw
    b = 0.036 * (1.0 - straw) + 0.080 * straw
    bare = fractal(x, y, 0.9, 4, fp, seed + 400) - 0.62
    if bare > 0.0:
        m = min(0.8, bare * 3.0)
        r = r * (1.0 - m) + 0.19 * m
        g = g * (1.0 - m) + 0.145 * m
        b = b * (1.0 - m) + 0.095 * m
    return r * shade * 1.5, g * shade * 1.5, b * shade * 1.5, 0.0


@kernel
def concrete(x: float, y: float, fp: float, seed: int) -> Colour:
    """Cast slabs with joints, stains, hairline cracks and speckle."""
    wide = fractal(x, y, 2.3, 4, fp, seed)
    fine = fractal(x, y, 0.05, 4, fp, seed + 31)
    speck = (value_noise(x / 0.006, y / 0.006, seed + 60) - 0.5) * seen(0.006, fp)
    v = 0.33 * (1.0 + 0.16 * wide + 0.13 * fine + 0.35 * speck)
    sx = math.floor(x / 1.8)
    sy = math.floor(y / 1.8)
    v *= 0.93 + 0.14 * hash01(sx, sy, seed + 77)
    gx = abs(x / 1.8 - math.floor(x / 1.8 + 0.5)) * 1.8
    gy = abs(y / 1.8 - math.floor(y / 1.8 + 0.5)) * 1.8
    gap = min(gx, gy) + 0.004 * fine
    width = 0.006 + 0.5 * fp
    if gap < width:
        v *= 1.0 - 0.62 * min(1.0, 0.006 / width)
    warp = fractal(x, y, 0.4, 3, fp, seed + 88)
    d1, d2, _, _, _ = cells((x + 0.25 * warp) / 2.6, (y + 0.2 * warp) / 2.6, seed + 99)
    crack = (d2 - d1) * 2.6
    width = 0.0025 + 0.5 * fp
    if crack < width and wide > -0.1:
        v *= 1.0 - 0.5 * min(1.0, 0.0025 / width)
    stain = fractal(x, y, 0.8, 4, fp, seed + 123) - 0.45
    warm = 0.0
    if stain > 0.0:
        v *= 1.0 - min(0.35, stain * 0.9)
        warm = min(0.06, stain * 0.2)
    return v * (1.02 + warm), v, v * (0.94 - warm), 0.06


@kernel
def gravel(x: float, y: float, fp: float, seed: int) -> Colour:
    """Loose stones of 1 to 3 cm over dust, with sunlit and shaded sides."""
    wide = fractal(x, y, 1.9, 4, fp, seed)
    mid = fractal(x, y, 0.16, 3, fp, seed + 9)
    warp = 0.006 * fractal(x, y, 0.02, 2, fp, seed + 10)
    d1, d2, tag, ox, oy = cells((x + warp) / 0.019, (y - warp) / 0.019, seed + 11)
    left = seen(0.036, fp)
    edge = min(1.0, (d2 - d1) * 3.0)
    lit = 0.5 * (ox - oy)
    stone = (0.55 + 0.95 * tag) * (0.55 + 0.45 * edge) * (1.0 + 0.8 * lit)
    e1, e2, tag2, _, _ = cells(x / 0.007, y / 0.007, seed + 15)
    small = seen(0.013, fp)
    grit = small * (0.55 + 0.9 * tag2 * min(1.0, 0.3 + (e2 - e1) * 3.0)) + 1.0 - small
    # Some places show the dust and chips between the stones.
    loose = min(1.0, max(0.0, 0.55 + 1.6 * mid + 0.8 * (tag - 0.5)))
    v = left * (loose * stone + (1.0 - loose) * 0.85 * grit) + (1.0 - left) * 0.82
    v *= 0.36 * (1.0 + 0.17 * wide + 0.15 * mid)
    warm = 0.10 * (tag - 0.5) * left
    return v * (1.06 + warm), v, v * (0.86 - warm), 0.0


@kernel
def indoor(x: float, y: float, fp: float, seed: int) -> Colour:
    """Sprung wooden strips under varnish with old court lines."""
    strip = 0.07
    row = math.floor(x / strip)
    along = y / 1.1 + hash01(row, 3, seed)
    col = math.floor(along)
    left = seen(2.0 * strip, fp)
    tone = 0.5 + left * (hash01(row, col, seed + 5) - 0.5)
    grain = fractal(x * 14.0, y, 0.11, 3, fp * 5.0, seed + 8)
    v = 0.78 + 0.34 * tone + 0.07 * grain
    gx = abs(x / strip - math.floor(x / strip + 0.5)) * strip
    gy = abs(along - math.floor(along + 0.5)) * 1.1
    width = 0.0012 + 0.5 * fp
    if min(gx, gy) < width:
        v *= 1.0 - 0.55 * min(1.0, 0.0012 / width)
    r, g, b = 0.44 * v, 0.285 * v, 0.145 * v
    line = 0.025 + 0.5 * fp
    across = abs(x + 0.27 * y - 1.55)
    if across < line:
        m = 0.85 * min(1.0, 0.025 / line)
        r, g, b = r + (0.08 - r) * m, g + (0.17 - g) * m, b + (0.40 - b) * m
    across = abs(y + 4.1 - 0.05 * x)
    if across < line:
        m = 0.85 * min(1.0, 0.025 / line)
        r, g, b = r + (0.62 - r) * m, g + (0.60 - g) * m, b + (0.55 - b) * m
    scuff = fractal(x, y, 0.9, 4, fp, seed + 40)
    s = 1.0 + 0.07 * scuff
    return r * s, g * s, b * s, 0.22


@kernel
def ground(kind: int, x: float, y: float, ex: float, ey: float, fp: float, seed: int) -> Colour:
    """Albedo (r, g, b) and gloss of the ground at a point."""
    if kind == 0:
        return grass(x, y, ex, ey, fp, seed)
    if kind == 1:
        return concrete(x, y, fp, seed)
    if kind == 2:
        return gravel(x, y, fp, seed)
    return indoor(x, y, fp, seed)


@kernel
def brick(u: float, z: float, fp: float, seed: int) -> Colour:
    """Stretcher bond of 215 x 65 mm bricks with 10 mm joints (BS EN 771-1 work size)."""
    row = math.floor(z / 0.075)
    shifted = u / 0.225 + 0.5 * (row % 2)
    col = math.floor(shifted)
    fu = (shifted - col) * 0.225
    fz = z - row * 0.075
    rough = fractal(u, z, 0.03, 3, fp, seed + 3)
    edge = min(min(fu - 0.005, 0.220 - fu), min(fz - 0.005, 0.070 - fz)) + 0.0015 * rough
    tone = hash01(row, col, seed)
    hue = hash01(row, col, seed + 41)
    stain = fractal(u, z, 1.4, 4, fp, seed + 8)
    v = (0.68 + 0.55 * tone) * (1.0 + 0.16 * rough + 0.10 * stain)
    r = (0.30 + 0.06 * hue) * v
    g = (0.135 + 0.035 * hue) * v
    b = (0.095 + 0.02 * hue) * v
    cover = min(1.0, max(0.0, 0.5 + edge / (fp + 0.003)))
    m = (0.40 + 0.05 * rough) * (1.0 + 0.1 * stain)
    damp = 1.0 - 0.35 * math.exp(-z / 0.25)
    return (
        (r * cover + m * (1.0 - cover)) * damp,
        (g * cover + 0.93 * m * (1.0 - cover)) * damp,
        (b * cover + 0.82 * m * (1.0 - cover)) * damp,
        0.0,
    )


@kernel
def plaster(u: float, z: float, fp: float, seed: int) -> Colour:
    """Painted render with streaks under a darker plinth."""
    wide = fractal(u, z, 2.0, 4, fp, seed)
    fine = fractal(u, z, 0.025, 3, fp, seed + 5)
    streak = fractal(u, z * 0.12, 0.22, 4, fp, seed + 9)
    v = 0.60 * (1.0 + 0.06 * wide + 0.06 * fine + 0.06 * streak)
    r, g, b = v * 1.0, v * 0.95, v * 0.83
    if z < 0.32:
        v *= 0.62
        r, g, b = v * 0.95, v * 0.95, v * 0.95
    splash = 1.0 - 0.30 * math.exp(-z / 0.16) * (1.0 + 0.6 * wide)
    return r * splash, g * splash, b * splash, 0.0


@kernel
def fence(u: float, z: float, fp: float, seed: int) -> Colour:
    """Upright weathered boards, grain, gaps and nail rows."""
    board = 0.125
    col = math.floor(u / board)
    fu = u - col * board
    tone = hash01(col, 1, seed)
    grain = fractal(u * 9.0, z, 0.16, 4, fp * 4.0, seed + 5)
    knot1, _, _, _, _ = cells(u / 0.21, z / 0.55, seed + 19)
    v = (0.70 + 0.5 * tone) * (1.0 + 0.20 * grain)
    if knot1 < 0.10:
        v *= 0.62
    grey = hash01(col, 2, seed)
    r = (0.235 + 0.02 * grey) * v
    g = (0.165 + 0.045 * grey) * v
    b = (0.105 + 0.06 * grey) * v
    edge = min(fu, board - fu) - 0.004
    cover = min(1.0, max(0.0, 0.5 + edge / (fp + 0.002)))
    bevel = 1.0 - 0.25 * math.exp(-max(0.0, edge) / 0.006)
    d = cover * bevel + (1.0 - cover) * 0.12
    for rail in range(2):
        dz = abs(z - (0.35 + 1.05 * rail))
        if dz < 0.012 and abs(fu - 0.0625) < 0.006 + fp:
            d *= 0.6
    d *= 1.0 - 0.35 * math.exp(-z / 0.18)
    return r * d, g * d, b * d, 0.0


@kernel
def hedge(u: float, z: float, fp: float, seed: int) -> Colour:
    """Leaves over shaded hollows."""
    lump = fractal(u, z, 0.5, 4, fp, seed)
    d1, _, tag, ox, oy = cells(u / 0.034, z / 0.034, seed + 7)
    left = seen(0.06, fp)
    leaf = (0.45 + 1.1 * tag) * (1.15 - 0.8 * d1) * (1.0 + 0.5 * (oy - 0.5 * ox))
    v = (left * leaf + (1.0 - left) * 0.85) * (0.85 + 0.75 * lump)
    v = max(0.12, v) * (0.75 + 0.3 * min(1.0, z))
    dry = 0.25 * value_noise(u / 0.3, z / 0.3, seed + 31)
    return (0.055 + 0.06 * dry) * v * 1.7, 0.115 * v * 1.7, 0.028 * v * 1.7, 0.0


@kernel
def net_holds(u: float, z: float, fp: float) -> bool:
    """Whether a ray meets a cord of the net: 4 mm cords, 10 cm apart, tape along the top."""
    gu = abs(u / 0.1 - math.floor(u / 0.1 + 0.5)) * 0.1
    gz = abs(z / 0.1 - math.floor(z / 0.1 + 0.5)) * 0.1
    width = max(0.004, 0.5 * fp)
    # A cord thinner than a sample is met by as many samples as its share of them.
    thin = hash01(math.floor(u / 0.0007), math.floor(z / 0.0007), 17) < 0.004 / width
    return min(gu, gz) < 0.5 * width and thin


@kernel
def upright(kind: int, u: float, z: float, fp: float, seed: int) -> Colour:
    """Albedo and gloss of an upright surface at u along it and z up."""
    if kind == 0:
        return brick(u, z, fp, seed)
    if kind == 1:
        return plaster(u, z, fp, seed)
    if kind == 2:
        return fence(u, z, fp, seed)
    if kind == 4:
        return 0.55, 0.55, 0.53, 0.0
    return hedge(u, z, fp, seed)


@kernel
def top_edge_m(kind: int, u: float, height_m: float, seed: int) -> float:
    """Height of the upright's top at u: level for walls, ragged for hedges."""
    if kind == 3:
        return height_m + 0.10 * fractal(u, 0.0, 0.8, 5, 0.01, seed + 3)
    if kind == 2:
        return height_m + 0.015 * (hash01(math.floor(u / 0.125), 9, seed) - 0.5)
    return height_m


@kernel
def sky(
    dx: float, dy: float, dz: float, cloud: float, seed: int
) -> tuple[float, float, float, float]:
    """Radiance of sky, or of the far trees and roofs below it, along a unit ray.

    The fourth value is 1 for open sky and 0 for far land.
    """
    bearing = math.atan2(dx, dy)
    rise = dz / math.sqrt(dx * dx + dy * dy + 1e-9)
    # Crowns of trees: rounded heads of two sizes, ragged at the rim.
    d1, _, tag, _, _ = cells(bearing / 0.11, 0.5, seed + 71)
    e1, _, _, _, _ = cells(bearing / 0.035, rise / 0.11, seed + 73)
    crown = 0.050 + 0.03 * fractal(bearing, 0.5, 0.6, 2, 0.001, seed + 70)
    crown += (0.02 + 0.035 * tag) * max(0.0, 1.0 - 1.6 * d1 * d1) + 0.012 * (1.0 - e1)
    crown += 0.006 * fractal(bearing, 0.35 * rise, 0.012, 3, 0.0006, seed + 77)
    if rise < crown:
        f1, _, ftag, ox, oy = cells(bearing / 0.011, rise / 0.009, seed + 75)
        clump = fractal(bearing, rise * 1.5, 0.05, 3, 0.001, seed + 79)
        v = 0.62 + 0.35 * (ftag - 0.5) + 0.45 * oy - 0.2 * ox + 0.4 * clump
        v *= 1.1 - 0.5 * f1 + 0.3 * (0.7 - e1)
        v = max(0.10, v)
        # Air between brightens far trees towards the sky's tone.
        return 0.080 * v + 0.030, 0.112 * v + 0.036, 0.048 * v + 0.044, 0.0
    height = max(0.02, dz)
    f = fractal(dx / height, dy / height, 2.4, 5, 0.01, seed + 5)
    c = min(1.0, max(0.0, cloud + 0.55 * f))
    haze = math.exp(-rise * 3.0)
    r = 0.22 + 0.42 * haze
    g = 0.40 + 0.36 * haze
    b = 0.78 + 0.16 * haze
    w = 0.95 - 0.22 * f * c
    return r + (w - r) * c, g + (w - g) * c, b + (1.02 * w - b) * c, 1.0
