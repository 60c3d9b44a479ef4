"""A scene made ready to be filmed: bodies, light, camera and the course of the set."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.backdrop import Light, Stillness
from truth.camera import Camera, look_from
from truth.collect import Play, stage_play
from truth.editing import settle_moments
from truth.motion import GOINGS, REBOUNDS, BallBody
from truth.scenes import CameraPart, Scene
from truth.surfaces import GROUNDS, WALLS
from truth.things import Bodies, add_marker, add_props, joined, make_figure


@dataclass(slots=True)
class Stage:
    """A scene made ready: bodies, light, camera and the course of the set.

    Its `scene` has every moment as seconds from the set's beginning.
    """

    scene: Scene
    camera: Camera
    light: Light
    still: Stillness
    body: BallBody
    play: Play
    back_y_m: float


def aim_camera(scene: Scene) -> Camera:
    """The camera of a scene, turned to its aim."""
    return aim_lens(scene.camera, scene.picture.width_px, scene.picture.height_px)


def aim_lens(c: CameraPart, width_px: int, height_px: int) -> Camera:
    """A camera table as a camera, turned to its aim."""
    at = np.array([c.position_m[0], -c.position_m[1], c.position_m[2]])
    aim = np.array([c.aim_m[0], -c.aim_m[1], c.aim_m[2]]) - at
    yaw = math.degrees(math.atan2(aim[0], aim[1]))
    pitch = math.degrees(math.atan2(-aim[2], math.hypot(aim[0], aim[1])))
    return look_from(
        (float(at[0]), float(at[1]), float(at[2])),
        width_px,
        height_px,
        c.hfov_deg,
        (yaw, pitch, c.roll_deg),
        c.k1,
    )


def set_stage(scene: Scene) -> Stage:
    """Build everything that a scene names."""
    rng = np.random.default_rng([scene.seed, 1])
    half = scene.width_m / 2.0
    markers = [Bodies([], [], [], []), Bodies([], [], [], [])]
    posts = np.array(
        [
            add_marker(markers[0], scene.goal.left, -half, rng),
            add_marker(markers[1], scene.goal.right, half, rng),
        ]
    )
    rows, bounces = [], []
    back_y = 1e6
    for w in scene.walls:
        across = w.y_m is not None
        place = -w.y_m if w.y_m is not None else (w.x_m or 0.0)
        rows.append([1.0 if across else 0.0, place, w.height_m, WALLS[w.kind]])
        if w.rebounds:
            bounces.append([1.0 if across else 0.0, place, w.height_m, REBOUNDS[w.kind]])
        if across and place > 0 and w.kind != "net":
            back_y = min(back_y, place)
    lamp = scene.light
    bearing, rise = math.radians(lamp.sun_bearing_deg), math.radians(lamp.sun_height_deg)
    to_sun = np.array(
        [
            math.sin(bearing) * math.cos(rise),
            math.cos(bearing) * math.cos(rise),
            math.sin(rise),
        ]
    )
    low = max(0.0, 1.0 - lamp.sun_height_deg / 35.0)
    light = Light(
        to_sun,
        lamp.sun * np.array([1.0, 0.95 - 0.12 * low, 0.86 - 0.28 * low]),
        lamp.sky * np.array([0.88, 0.97, 1.12]),
        math.tan(math.radians(lamp.haze_deg)),
        lamp.cloud,
    )
    body = BallBody(
        scene.ball.size,
        GOINGS[scene.ground],
        scene.ground_drag,
        np.array(bounces, float).reshape(-1, 4),
        posts,
        scene.ball.girth_m,
    )
    person = make_figure(
        scene.kicker.height_m,
        scene.kicker.outfit,
        scene.kicker.skin,
        np.random.default_rng([scene.seed, 2]),
    )
    play = stage_play(scene, body, person, scene.seed)
    scene = settle_moments(scene, play.kicks)
    fallen = {t.marker for t in play.topples}
    bodies = joined([m for i, m in enumerate(markers) if i not in fallen])
    if scene.props and back_y < 1e5:
        add_props(bodies, scene.props, back_y, rng)
    solids, casters, coats, groups = bodies.arrays()
    still = Stillness(
        GROUNDS[scene.ground],
        scene.seed,
        np.array(rows, float).reshape(-1, 4),
        solids,
        casters,
        coats,
        groups,
    )
    return Stage(scene, aim_camera(scene), light, still, body, play, back_y)
