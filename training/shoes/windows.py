"""Draws windows round shoes of kicking legs, with where heel and toe are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.cues.sight import SIDE_PX, WINDOW_LEGS, shoe_window
from truth.arrays import Floats, Picture, Whole
from truth.bodies.answers import joints_at
from truth.bodies.film import KickClip, Shooting
from truth.bodies.kick import Kicking, wished
from truth.bodies.person import GROUPS, SHOE, Person, people, skin
from truth.bodies.raster import Mesh, draw, normals_of
from truth.bodies.rig import BONE_ROW, Cloth
from truth.bodies.wardrobe import BALLS, ball_mesh, outfit
from truth.camera import Camera, look_from

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

FIRST_SEED = 400_000
STILLS = 12  # yards to develop on, whose ground and walls lie behind the shoes
ROOM = 1.6  # a drawn piece's side over the window's, so that the window may lie anywhere in it
LOOKS = 4  # moments of one kick
BEYOND = 0.2  # a body lies between two others, or so far beyond one of them
LEG_BONES = [f"{bone}_{side}" for bone in ("thigh", "calf", "foot", "ball") for side in "lr"]


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Windows (n, 4, SIDE_PX, SIDE_PX); (n, 6) heel, toe and ankle from their middles, in sides."""

    levels: U8
    ends: F32

    @classmethod
    def of(cls, parts: Sequence[Windows]) -> Windows:
        """Lay the windows of kicks together."""
        return cls(
            np.concatenate([p.levels for p in parts]), np.concatenate([p.ends for p in parts])
        )


@cache
def grounds(stills: Path) -> Picture:
    """Read the yards that lie behind the shoes, (n, height, width, 3); once a process."""
    return np.asarray(np.load(stills, mmap_mode="r"))


def painted(number: int) -> Picture:
    """Paint a yard without anybody, in linear light."""
    shooting = Shooting.ready(KickClip("develop", number, "behind"))
    return np.asarray(shooting.easel.still, np.float32)


@cache
def legs() -> tuple[Whole, Whole]:
    """Take any person from the thighs down: rows of its points, and triangles of these."""
    person = people("develop")[0]
    mine = np.isin(carriers(person), [BONE_ROW[bone] for bone in LEG_BONES])
    faces = person.faces[mine[person.faces].all(axis=1)]
    rows, at = np.unique(faces, return_inverse=True)
    return rows, at.reshape(-1, 3).astype(np.int64)


def carriers(person: Person) -> Whole:
    """Bone that carries most of each point, (n,)."""
    first = person.shares.argmax(axis=1)[:, None]
    return np.take_along_axis(person.bones, first, axis=1)[:, 0]


def windows_of_kick(number: int, stills: Path) -> Windows:
    """Windows of one kick at a few moments, each seen from elsewhere: both shoes.

    The kick with a number that leaves k over GROUPS is done by the k-th group of bodies.
    """
    rng = np.random.default_rng(FIRST_SEED + number)
    person = reshod(
        legged(drawn_between(people("develop")[number % GROUPS :: GROUPS], rng), rng), rng
    )
    radius_m = float(rng.uniform(0.09, 0.115))
    foot = str(rng.choice(["left", "right"]))
    kick = Kicking.plan(person, wished(rng, foot), np.zeros(2), 0.0, radius_m)
    looks = [look for _ in range(LOOKS) for look in _looks(rng, kick, grounds(stills))]
    levels = np.array([one for one, _ in looks], np.uint8).reshape(-1, 4, SIDE_PX, SIDE_PX)
    return Windows(levels, np.array([ends for _, ends in looks], np.float32).reshape(-1, 6))


def _looks(rng: np.random.Generator, kick: Kicking, stills: Picture) -> list[tuple[U8, Floats]]:
    """Windows of one moment."""
    person = kick.person
    t_s = float(rng.choice([rng.uniform(-0.15, 0.42), rng.normal(0.0, 0.03)]))
    camera = _camera(rng, person)
    joints = {name: camera.project(at) for name, at in joints_at(kick, t_s).items()}
    leg_px = max(float(np.hypot(*(joints[f"hip_{s}"] - joints[f"ankle_{s}"]))) for s in "lr")
    coat = _coat(person, rng)
    bulge = _trousers(person, rng, coat)
    shutter_s = 1 / float(rng.choice([50, 60, 100, 250, 500]))
    rows, faces = legs()
    takes = []
    gone_m, spin = max(0.0, t_s) * rng.uniform(4, 12), np.linalg.qr(rng.normal(size=(3, 3)))[0]
    middle = np.array([rng.normal(0, 0.02), gone_m, kick.radius_m])
    ball = ball_mesh(middle, kick.radius_m, spin, str(rng.choice(list(BALLS))))
    for q in (-1 / 3, 0.0, 1 / 3):
        points = skin(person, *kick.pose(t_s + q * shutter_s), rows)
        if bulge is not None:
            points = points + normals_of(points, faces) * bulge[rows, None]
        takes.append([Mesh(points, faces, coat[rows]), ball])
    sun = rng.normal(size=3)
    sun[2] = abs(sun[2]) + 0.2
    lamp = (
        sun / np.linalg.norm(sun),
        np.full(3, rng.uniform(0.0, 2.0)),
        np.full(3, rng.uniform(0.3, 1.0)) * (1 + rng.normal(0, 0.06, 3)),
    )
    both = (_window(rng, stills, camera, takes, lamp, joints, side, leg_px) for side in "lr")
    return [one for one in both if one is not None]


def _camera(rng: np.random.Generator, person: Person) -> Camera:
    """Put a phone anywhere round the kick."""
    turn = rng.uniform(0, 2 * math.pi)
    far = math.exp(rng.uniform(math.log(2.5), math.log(8.0)))
    height = float(rng.uniform(0.4, 1.9))
    place = (far * math.sin(turn), -far * math.cos(turn), height)
    yaw = math.degrees(math.atan2(-place[0], -place[1])) + rng.uniform(-15, 15)
    down = math.degrees(math.atan2(height - 0.4 * person.height_m, far)) + rng.uniform(-6, 6)
    width, tall = (1280, 720) if rng.random() < 0.5 else (1920, 1080)
    return look_from(place, width, tall, float(rng.uniform(55, 75)),
                     (yaw, down, float(rng.uniform(-4, 4))))  # fmt: skip


def drawn_between(known: Sequence[Person], rng: np.random.Generator) -> Person:
    """Draw a body between two others, or a little beyond; all bodies are of the same points."""
    one, other = (known[i] for i in rng.choice(len(known), 2, replace=False))
    share = rng.uniform(-BEYOND, 1 + BEYOND)

    def mixed(a: Floats, b: Floats) -> Floats:
        return a + share * (b - a)

    return replace(
        one,
        points_m=mixed(one.points_m, other.points_m),
        heads_m=mixed(one.heads_m, other.heads_m),
        tails_m=mixed(one.tails_m, other.tails_m),
        eyes_m=mixed(one.eyes_m, other.eyes_m),
    )


def legged(person: Person, rng: np.random.Generator) -> Person:
    """Thighs and shanks longer or shorter, thicker or thinner; ankles stay as they are."""
    hip, knee, ankle = (person.heads_m[BONE_ROW[f"{bone}_l"]] for bone in ("thigh", "calf", "foot"))
    tall = [ankle[2], knee[2], hip[2]]
    new = ankle[2] + np.cumsum([0.0, *(np.diff(tall) * rng.uniform(0.93, 1.08, 2))])
    thick = [1.0, *rng.uniform(0.82, 1.25, 3)]
    points, main = person.points_m.copy(), carriers(person)
    for side in "lr":
        own = np.isin(main, [BONE_ROW[f"{bone}_{side}"] for bone in ("thigh", "calf")])
        line = np.stack(
            [person.heads_m[BONE_ROW[f"{bone}_{side}"]] for bone in ("foot", "calf", "thigh")]
        )
        up = points[own, 2]
        middle = np.stack([np.interp(up, tall, line[:, k]) for k in (0, 1)], axis=1)
        at = [tall[0], (tall[0] + tall[1]) / 2, tall[1], tall[2]]
        girth = np.interp(up, at, thick)[:, None]
        points[own, :2] = middle + (points[own, :2] - middle) * girth

    def lifted(spots: Floats) -> Floats:
        up = spots[:, 2]
        over = np.where(up > tall[2], up - tall[2] + new[2], np.interp(up, tall, new))
        out: Floats = np.column_stack([spots[:, :2], np.where(up < tall[0], up, over)])
        return out

    return replace(
        person,
        points_m=lifted(points),
        heads_m=lifted(person.heads_m),
        tails_m=lifted(person.tails_m),
        eyes_m=lifted(person.eyes_m),
    )


def reshod(person: Person, rng: np.random.Generator) -> Person:
    """Shoes longer or shorter, wider, higher, blunt or pointed; each point keeps its bones."""
    points = person.points_m.copy()
    long, wide, high = rng.uniform(0.88, 1.2), rng.uniform(0.85, 1.25), rng.uniform(0.8, 1.3)
    blunt, deep = rng.uniform(-0.35, 0.35), rng.uniform(-0.4, 0.4)  # towards the toe
    for side in "lr":
        shoe = person.shoe(side)
        ankle = person.heads_m[BONE_ROW[f"foot_{side}"]]
        spots = points[shoe]
        middle = np.array([spots[:, 0].mean(), ankle[1], 0.0])
        along = (spots[:, 1] - spots[:, 1].min()) / np.ptp(spots[:, 1]) - 0.5
        sizes = [wide * (1 + blunt * along), np.full(len(shoe), long), high * (1 + deep * along)]
        points[shoe] = middle + (spots - middle) * np.stack(sizes, axis=1)
    return replace(person, points_m=points)


def _coat(person: Person, rng: np.random.Generator) -> Floats:
    """Draw an outfit, half of its colours any at all, with patches on the shoes."""
    coat = outfit(person, rng)
    for cloth in (Cloth.SHOES, Cloth.SOLE, Cloth.LACES, Cloth.SOCKS, Cloth.SHORTS):
        if rng.random() < 0.5:
            dye = rng.uniform(0.02, 0.75) * rng.uniform(0.4, 1.0, 3)
            coat[person.cloth == cloth] = dye
    if rng.random() < 0.25:  # bare shins
        coat[person.cloth == Cloth.SOCKS] = coat[person.cloth == Cloth.SKIN][0]
    if rng.random() < 0.2:  # boots, or socks of the shoes' colour
        ankle = person.heads_m[BONE_ROW["foot_l"]][2]
        low = (person.cloth == Cloth.SOCKS) & (person.points_m[:, 2] < ankle * rng.uniform(1, 2.5))
        coat[low] = coat[person.cloth == Cloth.SHOES][0]
    if rng.random() < 0.2:  # no laces to be seen
        coat[person.cloth == Cloth.LACES] = coat[person.cloth == Cloth.SHOES][0]
    if rng.random() < 0.5:
        worn = np.flatnonzero(np.isin(person.cloth, SHOE))
        for _ in range(int(rng.integers(1, 4))):
            middle = person.points_m[rng.choice(worn)]
            near = np.linalg.norm((person.points_m[worn] - middle) * rng.uniform(0.5, 2, 3), axis=1)
            dye = rng.uniform(0.02, 0.75) * rng.uniform(0.4, 1.0, 3)
            coat[worn[near < rng.uniform(0.02, 0.06)]] = dye
    return coat * rng.uniform(0.9, 1.1, (len(coat), 1))


def _trousers(person: Person, rng: np.random.Generator, coat: Floats) -> Floats | None:
    """Let some wear long trousers: colours in place; how far each point is set off, m."""
    if rng.random() > 0.3:
        return None
    ankle = person.heads_m[BONE_ROW["foot_l"]][2]
    worn = np.isin(
        carriers(person), [BONE_ROW[f"{b}_{s}"] for b in ("thigh", "calf") for s in "lr"]
    )
    worn &= ~np.isin(person.cloth, SHOE) & (person.points_m[:, 2] > ankle * rng.uniform(0.7, 1.5))
    coat[worn] = rng.uniform(0.02, 0.5) * rng.uniform(0.5, 1.0, 3)
    return np.where(worn, rng.uniform(0.004, 0.03), 0.0)


def _window(
    rng: np.random.Generator,
    stills: Picture,
    camera: Camera,
    takes: list[list[Mesh]],
    lamp: tuple[Floats, Floats, Floats],
    joints: dict[str, Floats],
    side: str,
    leg_px: float,
) -> tuple[U8, Floats] | None:
    """Draw the surroundings of one shoe, and cut the window as the tool would."""
    ends = np.stack([joints[f"{name}_{side}"] for name in ("heel", "toe", "ankle")])
    # The pose model's joints, as far off as it was on rendered kicks (bench/form_foot.py).
    wild = 2.5 if rng.random() < 0.15 else 1.0
    shank = np.stack([joints[f"knee_{side}"], joints[f"ankle_{side}"]])
    shank = shank + rng.normal(0, 0.022 * wild * leg_px, (2, 2))
    middle = ends.mean(axis=0) + rng.normal(0, 0.035 * wild * leg_px, 2)
    side_px = WINDOW_LEGS * leg_px * math.exp(rng.normal(0, 0.06))
    whole = math.ceil(ROOM * side_px)
    corner = np.round(middle - whole / 2)
    part = replace(camera, width_px=whole, height_px=whole, cx_px=camera.cx_px - corner[0],
                   cy_px=camera.cy_px - corner[1])  # fmt: skip
    layer = draw(part, takes, lamp)
    canvas = _ground(rng, whole, stills)
    if rng.random() < 0.7:
        _shade(rng, canvas, ends[:2] - corner, leg_px)
    if layer is not None:
        x0, y0, x1, y1 = layer.box
        canvas[y0:y1, x0:x1] *= 1 - layer.cover[..., None]
        canvas[y0:y1, x0:x1] += layer.light
    piece = _developed(rng, canvas)
    off = corner
    start = middle - side_px / 2
    levels = shoe_window(piece, start - off, side_px, shank - off)
    shares = (ends - start) / side_px - 0.5
    return (levels, shares.ravel()) if np.abs(shares).max() < 0.62 else None


def _ground(rng: np.random.Generator, whole: int, stills: Picture) -> Picture:
    """Cut a piece of a yard, anywhere in it and at any size, whatever way round."""
    picture = stills[int(rng.integers(len(stills)))]
    height, width = picture.shape[:2]
    take = int(np.clip(whole * rng.uniform(0.5, 2.0), 24, height - 1))
    top, left = int(rng.integers(height - take)), int(rng.integers(width - take))
    part = picture[top : top + take, left : left + take]
    if rng.random() < 0.5:
        part = part[:, ::-1]
    way = cv2.INTER_AREA if take > whole else cv2.INTER_LINEAR
    out = np.asarray(cv2.resize(np.ascontiguousarray(part), (whole, whole), interpolation=way))
    return np.asarray(out * rng.uniform(0.6, 1.5) * (1 + rng.normal(0, 0.08, 3)), np.float32)


def _shade(rng: np.random.Generator, canvas: Picture, ends: Floats, leg_px: float) -> None:
    """Darken the ground under a shoe and to one side of it."""
    mask = np.zeros(canvas.shape[:2], np.float32)
    middle = ends.mean(axis=0)
    turn = rng.uniform(0, 2 * math.pi)
    end = middle + rng.uniform(0.1, 0.8) * leg_px * np.array([math.cos(turn), 0.4 * math.sin(turn)])
    thick = max(1, round(rng.uniform(0.04, 0.14) * leg_px))
    cv2.line(mask, middle.round().astype(int).tolist(), end.round().astype(int).tolist(), 1.0,
             thick)  # fmt: skip
    mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), max(0.6, rng.uniform(0.01, 0.05) * leg_px)))
    canvas *= 1 - rng.uniform(0.2, 0.75) * mask[..., None]


def _developed(rng: np.random.Generator, canvas: Picture) -> U8:
    """Turn linear light into a phone's picture: tone, grain, a codec's losses; blue-green-red."""
    shown = np.clip(canvas * rng.uniform(0.6, 1.6), 0, None)
    shown = np.clip(shown, 0, 1) ** (1 / rng.uniform(1.9, 2.5)) * 255
    shown += rng.normal(0, rng.uniform(0.5, 6.0), shown.shape)
    bgr = np.clip(shown[..., ::-1], 0, 255).astype(np.uint8)
    quality = int(rng.uniform(15, 92))
    _, coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)
