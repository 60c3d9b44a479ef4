"""The still part of a scene, rendered once with many samples: ground, uprights, sky, markers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats, Picture, Whole
from truth.camera import Camera, pixel_ray, sphere_box
from truth.coats import boxes_of, coat_detail
from truth.jit import kernel
from truth.shapes import FAR, hit_solid, sky_left, sun_left
from truth.surfaces import ground, net_holds, sky, top_edge_m, upright

# Columns of a wall row: axis (0: x = place, 1: y = place), place, height, kind.
WALL_COLUMNS = 4


@dataclass(frozen=True, slots=True)
class Light:
    """Sun and sky.

    Attributes
    ----------
    to_sun : unit direction, inner frame.
    sun, sky : (3,) linear strengths.
    half_width : tangent of the sun's half angle; 0.0047 on a clear day, wider through haze.
    cloud : 0..1.
    """

    to_sun: Floats
    sun: Floats
    sky: Floats
    half_width: float
    cloud: float

    def numbers(self) -> Floats:
        """One flat row for kernels: direction, sun, sky, half width, cloud."""
        return np.concatenate([self.to_sun, self.sun, self.sky, [self.half_width, self.cloud]])


@dataclass(frozen=True, slots=True)
class Stillness:
    """Everything that does not move.

    Attributes
    ----------
    ground_kind, seed : see `surfaces`.
    walls : (n, 4) rows.
    solids, casters : rows of markers and props. coats : (n, 5) albedo, gloss, roughness.
    groups : (g, 3) first solid, past-last solid, unused: culled together.
    """

    ground_kind: int
    seed: int
    walls: Floats
    solids: Floats
    casters: Floats
    coats: Floats
    groups: Whole


@dataclass(frozen=True, slots=True)
class Backdrop:
    """Linear light of the still scene, split so that moving shade can be laid on it.

    Attributes
    ----------
    sun, sky : (h, w, 3) float32. depth_m : (h, w) length of the pixel's central ray.
    """

    sun: Picture
    sky: Picture
    depth_m: Picture


@kernel
def paint_still(
    lens: Floats,
    light: Floats,
    ground_kind: int,
    seed: int,
    walls: Floats,
    solids: Floats,
    casters: Floats,
    coats: Floats,
    groups: Whole,
    boxes: Floats,
    shade_boxes: Floats,
    side: int,
    out_sun: Picture,
    out_sky: Picture,
    out_depth: Picture,
) -> None:
    """Fill the three planes of a backdrop with side x side samples a pixel."""
    height = out_depth.shape[0]
    width = out_depth.shape[1]
    lx = light[0]
    ly = light[1]
    lz = light[2]
    ox = lens[0]
    oy = lens[1]
    oz = lens[2]
    share = 1.0 / (side * side)
    for row in range(height):
        for col in range(width):
            s0 = 0.0
            s1 = 0.0
            s2 = 0.0
            a0 = 0.0
            a1 = 0.0
            a2 = 0.0
            for k in range(side * side + 1):
                # The last pass, through the pixel's centre, only measures depth.
                if k == side * side:
                    u = float(col)
                    v = float(row)
                else:
                    u = col + (k % side + 0.5) / side - 0.5
                    v = row + (k // side + 0.5) / side - 0.5
                dx, dy, dz = pixel_ray(lens, u, v)
                t = FAR
                nx = 0.0
                ny = 0.0
                nz = 1.0
                what = -1
                if dz < -1e-5:
                    t = -oz / dz
                    what = -2
                for w in range(walls.shape[0]):
                    if walls[w, 0] < 0.5:
                        d = dx
                        tw = (walls[w, 1] - ox) / dx if abs(dx) > 1e-9 else FAR
                    else:
                        d = dy
                        tw = (walls[w, 1] - oy) / dy if abs(dy) > 1e-9 else FAR
                    if tw > 0.0 and tw < t:
                        z = oz + tw * dz
                        along = oy + tw * dy if walls[w, 0] < 0.5 else ox + tw * dx
                        solid = walls[w, 3] < 3.5 or net_holds(along, z, tw / lens[12] / side)
                        if (
                            z >= 0.0
                            and solid
                            and z < top_edge_m(int(walls[w, 3]), along, walls[w, 2], seed + 300 * w)
                        ):
                            t = tw
                            what = -10 - w
                            nx = 0.0
                            ny = 0.0
                            nz = 0.0
                            if walls[w, 0] < 0.5:
                                nx = -1.0 if d > 0.0 else 1.0
                            else:
                                ny = -1.0 if d > 0.0 else 1.0
                axial = 0.0
                for g in range(groups.shape[0]):
                    if u < boxes[g, 0] or u > boxes[g, 2] or v < boxes[g, 1] or v > boxes[g, 3]:
                        continue
                    for i in range(groups[g, 0], groups[g, 1]):
                        ts, mx, my, mz, q = hit_solid(solids[i], ox, oy, oz, dx, dy, dz)
                        if ts < t:
                            t = ts
                            nx = mx
                            ny = my
                            nz = mz
                            what = i
                            axial = q
                if k == side * side:
                    out_depth[row, col] = min(t, 1e6)
                    continue
                if what == -1 or t > 400.0:
                    r, g_, b, _ = sky(dx, dy, max(dz, 0.0), light[10], seed + 900)
                    bright = light[11]
                    a0 += r * bright
                    a1 += g_ * bright
                    a2 += b * bright
                    continue
                px = ox + t * dx
                py = oy + t * dy
                pz = oz + t * dz
                facing = max(0.03, -(nx * dx + ny * dy + nz * dz))
                fp = t / lens[12] / side * 1.3 / math.sqrt(facing)
                gloss = 0.0
                if what == -2:
                    r, g_, b, gloss = ground(ground_kind, px, py, dx / -dz, dy / -dz, fp, seed)
                elif what <= -10:
                    w = -10 - what
                    along = py if walls[w, 0] < 0.5 else px
                    r, g_, b, gloss = upright(int(walls[w, 3]), along, pz, fp, seed + 300 * w)
                else:
                    m = coat_detail(coats[what, 4], axial, px, py, pz, fp)
                    r = coats[what, 0] * m
                    g_ = coats[what, 1] * m
                    b = coats[what, 2] * m
                    gloss = coats[what, 3]
                lit = max(0.0, nx * lx + ny * ly + nz * lz)
                open_sky = 0.5 + 0.5 * nz
                # Light that the ground throws back up.
                bounce = 0.22 * (1.0 - open_sky)
                if lit > 0.0:
                    for w in range(walls.shape[0]):
                        if what == -10 - w or walls[w, 3] > 3.5:
                            continue
                        if walls[w, 0] < 0.5:
                            tw = (walls[w, 1] - px) / lx if abs(lx) > 1e-9 else -1.0
                        else:
                            tw = (walls[w, 1] - py) / ly if abs(ly) > 1e-9 else -1.0
                        if tw > 0.0:
                            over = pz + tw * lz - walls[w, 2]
                            soft = tw * light[9] + 0.004
                            lit *= min(1.0, max(0.0, 0.5 + 0.5 * over / soft))
                for w in range(walls.shape[0]):
                    if what == -10 - w or walls[w, 3] > 3.5:
                        continue
                    gap = abs((px if walls[w, 0] < 0.5 else py) - walls[w, 1])
                    # Half plane of height h at a distance: view factor (1 - cos) / 2.
                    hyp = math.sqrt(gap * gap + walls[w, 2] * walls[w, 2])
                    hidden = 0.5 * (1.0 - gap / hyp) * max(0.0, 1.0 - pz / walls[w, 2])
                    open_sky *= 1.0 - 0.75 * hidden
                if what <= -10:
                    open_sky *= 0.72 + 0.28 * min(1.0, pz / 0.5)
                for g in range(groups.shape[0]):
                    if what == -1 or (
                        u < shade_boxes[g, 0]
                        or u > shade_boxes[g, 2]
                        or v < shade_boxes[g, 1]
                        or v > shade_boxes[g, 3]
                    ):
                        continue
                    sun_here = 1.0
                    for i in range(groups[g, 0], groups[g, 1]):
                        if i == what:
                            continue
                        q = sun_left(
                            casters[i],
                            px + 0.004 * nx,
                            py + 0.004 * ny,
                            pz + 0.004 * nz,
                            lx,
                            ly,
                            lz,
                            light[9],
                        )
                        if what < 0 or q < 0.5:
                            sun_here = min(sun_here, q)
                        open_sky *= sky_left(casters[i], px, py, pz, nx, ny, nz)
                    lit *= sun_here
                s0 += r * light[3] * lit
                s1 += g_ * light[4] * lit
                s2 += b * light[5] * lit
                fill = open_sky + bounce
                a0 += r * light[6] * fill
                a1 += g_ * light[7] * fill
                a2 += b * light[8] * fill
                if gloss > 0.0:
                    # Schlick's reflection of what stands behind the surface.
                    cosine = min(1.0, facing)
                    f = gloss * (0.05 + 0.95 * (1.0 - cosine) ** 5) * open_sky
                    dot = nx * dx + ny * dy + nz * dz
                    hx = dx - 2.0 * dot * nx
                    hy = dy - 2.0 * dot * ny
                    hz = dz - 2.0 * dot * nz
                    shine = max(0.0, hx * lx + hy * ly + hz * lz) ** 60
                    a0 += f * light[6] * 0.9
                    a1 += f * light[7] * 0.9
                    a2 += f * light[8] * 0.9
                    s0 += gloss * 0.8 * shine * lit * light[3]
                    s1 += gloss * 0.8 * shine * lit * light[4]
                    s2 += gloss * 0.8 * shine * lit * light[5]
            out_sun[row, col, 0] = s0 * share
            out_sun[row, col, 1] = s1 * share
            out_sun[row, col, 2] = s2 * share
            out_sky[row, col, 0] = a0 * share
            out_sky[row, col, 1] = a1 * share
            out_sky[row, col, 2] = a2 * share


def group_boxes(
    camera: Camera, casters: Floats, groups: Whole, to_sun: Floats, back_y: float
) -> tuple[Floats, Floats]:
    """(g, 4) image boxes of solid groups, and of the same with the shade they throw."""
    lens = camera.numbers()
    boxes = np.zeros((len(groups), 4))
    wide = np.zeros((len(groups), 4))
    for g, (first, last, _) in enumerate(groups):
        box = np.array([1e9, 1e9, -1e9, -1e9])
        for c in casters[first:last]:
            for point, radius in ((c[0:3], c[3]), (c[4:7], c[7])):
                b = sphere_box(lens, point[0], point[1], point[2], 2.2 * radius + 0.02)
                box[:2] = np.minimum(box[:2], b[:2])
                box[2:] = np.maximum(box[2:], b[2:])
        boxes[g] = box
        rows = casters[None, first:last]
        shade = boxes_of(lens, rows, np.full(last - first, 0.05), to_sun, back_y, True)
        wide[g, :2] = np.minimum(box[:2], shade[:, :2].min(axis=0))
        wide[g, 2:] = np.maximum(box[2:], shade[:, 2:].max(axis=0))
    return boxes, wide


def paint_backdrop(camera: Camera, still: Stillness, light: Light, side: int = 4) -> Backdrop:
    """Render everything that does not move.

    Parameters
    ----------
    side
        Samples along each side of a pixel.
    """
    shape = (camera.height_px, camera.width_px)
    sun = np.zeros((*shape, 3), np.float32)
    dim = np.zeros((*shape, 3), np.float32)
    depth = np.zeros(shape, np.float32)
    numbers = np.append(light.numbers(), float(light.sky.mean() * 0.75 + 0.26 * light.sun.mean()))
    across = still.walls[still.walls[:, 0] > 0.5, 1]
    back_y = float(across[across > 0].min(initial=1e6))
    boxes, shade_boxes = group_boxes(camera, still.casters, still.groups, light.to_sun, back_y)
    paint_still(
        camera.numbers(),
        numbers,
        still.ground_kind,
        still.seed,
        still.walls,
        still.solids,
        still.casters,
        still.coats,
        still.groups,
        boxes,
        shade_boxes,
        side,
        sun,
        dim,
        depth,
    )
    return Backdrop(sun, dim, depth)
