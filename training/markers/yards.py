"""Pictures of yards with drawn things on the ground, and where each thing stands."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from shoegoal.scene.camera import Camera
from training.ball.scenes import drawn_scene
from training.markers.decals import lay_decals
from training.markers.things import Thing, any_thing
from truth.arrays import Bytes, Floats, Picture
from truth.editing import Film
from truth.evaluation import Painter
from truth.painter import Reel
from truth.render import auto_gain
from truth.sensor import Sensor
from truth.stage import Stage, set_stage
from truth.studio import Studio
from truth.things import joined
from truth.video import TIME_BASE

FIRST_NUMBER = 100_000  # of the scenes; the ball network learnt from lower ones
THINGS = (4, 12)
ROOM_PX = 6  # between the outlines of two things
CHANGED_LEVELS = 14
HIDDEN_SHARE = 0.2  # of a thing's box: more that changed, and something is before it
PLACE_TRIES = 12


@dataclass(frozen=True, slots=True, eq=False)
class YardPicture:
    """A picture and what stands in it.

    Attributes
    ----------
    bgr : (H, W, 3).
    camera : as the tool would know it, over its own ground.
    spots_m : (n, 2) middle of each thing's foot on that ground.
    ends_m : (n, 2, 2) where it ends on either side, as seen, as low as a ball meets it.
    heights_m : (n,).
    seen : (n,) whether nothing is before it.
    patch_m : (k, 2) ground on which things stand.
    """

    bgr: Bytes
    camera: Camera
    spots_m: Floats
    ends_m: Floats
    heights_m: Floats
    seen: Floats
    patch_m: Floats


def yard_pictures(number: int, looks: int) -> list[YardPicture]:
    """Pictures of the yard of a number; the same for ever."""
    rng = np.random.default_rng([number, 57])
    scene, painter = drawn_scene(FIRST_NUMBER + number)
    steady = {"shake_deg": 0.0, "bump_at_s": None, "bump_when": None}
    camera = scene.camera.model_copy(update=steady)
    stage = set_stage(scene.model_copy(update={"camera": camera, "props": 0}))
    patch = _patch(stage)
    things = _strewn(stage, patch, rng)
    solids, casters, coats, groups = joined([t.bodies for t in things]).arrays()
    stage.still = replace(stage.still, solids=solids, casters=casters, coats=coats, groups=groups)
    taken, _ = Film.of(stage.scene, stage.play.duration_s).ticks(stage.scene)
    ticks = sorted(int(t) for t in rng.choice(taken, looks, replace=False))
    still, pictures, clear = _filmed(stage, ticks, painter)
    dressed = lay_decals(still, clear, stage, np.random.default_rng([number, 58]), None)
    spots, ends = _measured(stage, things)
    heights = np.array([t.height_m for t in things])
    out = []
    for picture in pictures:
        picture = lay_decals(picture, clear, stage, np.random.default_rng([number, 58]), still)
        seen = np.array([_is_seen(stage, thing, picture, dressed) for thing in things])
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 96))]
        coded = cv2.imdecode(cv2.imencode(".jpg", picture, quality)[1], cv2.IMREAD_COLOR)
        assert coded is not None
        out.append(
            YardPicture(
                np.asarray(coded, np.uint8), _known_camera(stage), spots, ends, heights,
                seen, _on_ground(stage, patch),
            )
        )  # fmt: skip
    return out


def _patch(stage: Stage) -> Floats:
    """Ground (k, 2), inner frame, on which things are strewn."""
    back = stage.scene.back_m
    far = min(stage.back_y_m - 0.2, 3.5)
    wide = stage.scene.width_m / 2 + 2.0
    return np.array(
        [[x, y] for y in np.linspace(-0.7 * back, far, 24) for x in np.linspace(-wide, wide, 17)]
    )


def _strewn(stage: Stage, patch: Floats, rng: np.random.Generator) -> list[Thing]:
    """Things apart from each other in the picture, all of them within it."""
    low, high = patch.min(axis=0), patch.max(axis=0)
    camera = stage.camera
    things: list[Thing] = []
    boxes: list[Floats] = []
    for _ in range(int(rng.integers(*THINGS))):
        for _ in range(PLACE_TRIES):
            x, y = (float(v) for v in rng.uniform(low, high))
            thing = any_thing(x, y, rng)
            box = _box(stage, thing)
            outside = (
                box[0] < 2
                or box[1] < 2
                or box[2] > camera.width_px - 3
                or box[3] > camera.height_px - 3
            )
            if np.isfinite(box).all() and not outside and not any(_touch(box, b) for b in boxes):
                things.append(thing)
                boxes.append(box)
                break
    return things


def _box(stage: Stage, thing: Thing) -> Floats:
    """Outline in the picture: left, top, right, bottom."""
    right, _ = _ways_to(stage, thing)
    middle, half = thing.reach(right)
    wide = max(half, 0.03)
    across = thing.at_m + right * (middle - float(thing.at_m @ right))
    corners = np.array(
        [
            across + s * right * wide + np.array([0, 0, z])
            for s in (-1, 1)
            for z in (0, thing.height_m)
        ]
    )
    seen = stage.camera.project(corners)
    return np.concatenate([seen.min(axis=0), seen.max(axis=0)])


def _touch(a: Floats, b: Floats) -> bool:
    return bool(
        min(a[2], b[2]) + ROOM_PX > max(a[0], b[0]) and min(a[3], b[3]) + ROOM_PX > max(a[1], b[1])
    )


def _ways_to(stage: Stage, thing: Thing) -> tuple[Floats, Floats]:
    """Return unit vectors to the right of a thing as it is seen, and on beyond it."""
    off = thing.at_m[:2] - np.array(stage.camera.position_m[:2])
    x, y = off / max(1e-6, float(np.hypot(*off)))
    return np.array([y, -x, 0.0]), np.array([x, y, 0.0])


def _right(stage: Stage) -> Floats:
    yaw = np.radians(stage.camera.yaw_deg)
    return np.array([np.cos(yaw), -np.sin(yaw), 0.0])


def _known_camera(stage: Stage) -> Camera:
    c = stage.camera
    bend = (c.k1, 0.0, 0.0, 0.0) if c.k1 else ()
    return Camera(c.focal_px, c.cx_px, c.cy_px, c.position_m[2], c.pitch_deg, c.roll_deg, bend)


def _on_ground(stage: Stage, spots: Floats) -> Floats:
    """Inner ground points (n, 2) in the camera's own ground frame."""
    right = _right(stage)[:2]
    ahead = np.array([-right[1], right[0]])
    off = spots - np.array(stage.camera.position_m[:2])
    return np.column_stack([off @ right, off @ ahead])


def _measured(stage: Stage, things: list[Thing]) -> tuple[Floats, Floats]:
    """Middle of each foot (n, 2) and its ends as seen (n, 2, 2), on the camera's ground."""
    spots, ends = [], []
    for thing in things:
        right, ahead = _ways_to(stage, thing)
        across, half = thing.reach(right)
        along, _ = thing.reach(ahead)
        middle = right * across + ahead * along
        spots.append(middle[:2])
        ends += [(middle + side * half * right)[:2] for side in (-1, 1)]
    on_ground = _on_ground(stage, np.array(spots + ends).reshape(-1, 2))
    return on_ground[: len(spots)], on_ground[len(spots) :].reshape(-1, 2, 2)


def _filmed(stage: Stage, ticks: list[int], painter: Painter) -> tuple[Bytes, list[Bytes], Picture]:
    """Film the yard alone and at some times; tell where no thing covers ground or wall."""
    p, camera = stage.scene.picture, stage.camera
    if painter == "plain":
        reel = Reel.open(stage, ticks)
        gain = auto_gain(reel.easel.still, stage.scene)
        still = _bgr(reel.darkroom.develop_whole(reel.easel.still.copy(), gain))
        pictures = [_bgr(reel.develop(picture, gain)) for picture, _ in reel.frames()]
        return still, pictures, reel.easel.bare * 1.0
    studio = Studio.open(stage, camera)
    sensor = Sensor.make(p.width_px, p.height_px, p.noise, p.vignette, stage.scene.seed)
    gain = auto_gain(studio.base, stage.scene)
    drawn = [studio.draw(camera, float(t * TIME_BASE), studio.backdrop, studio.base) for t in ticks]
    ground = _ray_to_ground(stage)
    clear = (np.abs(studio.backdrop.depth_m / ground - 1) < 0.01).astype(np.float32)
    return (
        _bgr(sensor.planes(studio.base, gain)),
        [_bgr(sensor.planes(d, gain)) for d in drawn],
        clear,
    )


def _ray_to_ground(stage: Stage) -> Picture:
    """Length of each pixel's ray down to the ground; very long above the horizon."""
    c = stage.camera
    u, v = np.meshgrid(np.arange(c.width_px), np.arange(c.height_px))
    rays = np.stack([(u - c.cx_px) / c.focal_px, (v - c.cy_px) / c.focal_px, np.ones_like(u)], -1)
    down = -(rays @ c.rotation())[..., 2]
    length = np.linalg.norm(rays, axis=-1)
    return np.where(down > 1e-4, c.position_m[2] / np.maximum(down, 1e-4) * length, 1e6).astype(
        np.float32
    )


def _bgr(planes: Bytes) -> Bytes:
    return np.asarray(cv2.cvtColor(planes, cv2.COLOR_YUV2BGR_I420), np.uint8)


def _is_seen(stage: Stage, thing: Thing, picture: Bytes, still: Bytes) -> bool:
    box = _box(stage, thing)
    x0, y0, x1, y1 = (round(float(v)) for v in box)
    where = slice(max(0, y0), y1 + 1), slice(max(0, x0), x1 + 1)
    apart = cv2.absdiff(picture[where], still[where]).max(axis=2)
    return bool((apart > CHANGED_LEVELS).mean() < HIDDEN_SHARE) if apart.size else False
