"""How much of the ball the camera can see at one moment."""

import math

from truth.arrays import Floats, Picture
from truth.jit import kernel
from truth.shapes import hit_solid


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
        (n, 16) bodies at that moment. `others` (m, 3): centres of other balls.
    """
    height = depth.shape[0]
    width = depth.shape[1]
    wx = x - lens[0]
    wy = y - lens[1]
    wz = z - lens[2]
    far = math.sqrt(wx * wx + wy * wy + wz * wz)
    lens[3] * wx + lens[4] * wy + lens[5] * wz
    lens[6] * wx + lens[7] * wy + lens[8] * wz
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
        col = math.floor(lens[13] + lens[12] * cx * curve + 0.5)
        row = math.floor(lens[14] + lens[12] * cy * curve + 0.5)
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
