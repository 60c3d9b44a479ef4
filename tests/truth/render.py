"""Renders a scene to a clip and its truth: `python -m truth.render SCENE.toml --out DIR`."""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from truth.arrays import Floats, Picture
from truth.backdrop import Backdrop, Light, Stillness, paint_backdrop
from truth.camera import Camera, look_from, sphere_box
from truth.motion import GOINGS, RATE_HZ, REBOUNDS, BallBody
from truth.plot import FIGURE_HZ, Play, stage_play
from truth.record import FrameTruth, Truth, camera_record, judge, to_goal
from truth.scenes import Scene, load_scene
from truth.sensor import Sensor, turn_planes
from truth.surfaces import GROUNDS, WALLS
from truth.things import Bodies, add_marker, add_props, ball_skin, make_figure
from truth.tracing import ball_in_view, boxes_of, draw_moving
from truth.video import TIME_BASE, ClipWriter, frame_pts, set_rotation

# Still bodies can be drawn larger than the caster that stands for them.
DRAWN_PAD_M = 0.06


@dataclass(slots=True)
class Stage:
    """A scene made ready: bodies, light, camera and the course of the set."""

    scene: Scene
    camera: Camera
    light: Light
    still: Stillness
    body: BallBody
    play: Play
    back_y_m: float


def aim_camera(scene: Scene) -> Camera:
    """The camera of a scene, turned to its aim."""
    c, p = scene.camera, scene.picture
    at = np.array([c.position_m[0], -c.position_m[1], c.position_m[2]])
    aim = np.array([c.aim_m[0], -c.aim_m[1], c.aim_m[2]]) - at
    yaw = math.degrees(math.atan2(aim[0], aim[1]))
    pitch = math.degrees(math.atan2(-aim[2], math.hypot(aim[0], aim[1])))
    return look_from(
        (float(at[0]), float(at[1]), float(at[2])), p.width_px, p.height_px, c.hfov_deg,
        (yaw, pitch, c.roll_deg), c.k1,
    )


def set_stage(scene: Scene) -> Stage:
    """Build everything that a scene names."""
    rng = np.random.default_rng([scene.seed, 1])
    bodies = Bodies([], [], [], [])
    half = scene.width_m / 2.0
    posts = np.array(
        [
            add_marker(bodies, scene.goal.left, -half, rng),
            add_marker(bodies, scene.goal.right, half, rng),
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
        if across and place > 0:
            back_y = min(back_y, place)
    if scene.props and back_y < 1e5:
        add_props(bodies, scene.props, back_y, rng)
    solids, casters, coats, groups = bodies.arrays()
    still = Stillness(
        GROUNDS[scene.ground], scene.seed, np.array(rows, float).reshape(-1, 4), solids, casters,
        coats, groups,
    )
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
        scene.ball.size, GOINGS[scene.ground], scene.ground_drag,
        np.array(bounces, float).reshape(-1, 4), posts,
    )
    person = make_figure(
        scene.kicker.height_m, scene.kicker.outfit, scene.kicker.skin,
        np.random.default_rng([scene.seed, 2]),
    )
    play = stage_play(scene, body, person, scene.seed)
    return Stage(scene, aim_camera(scene), light, still, body, play, back_y)


@dataclass(slots=True)
class Studio:
    """Draws single linear frames of a stage."""

    stage: Stage
    backdrop: Backdrop
    base: Picture
    skin: Floats
    shutter_s: float

    @classmethod
    def open(cls, stage: Stage, camera: Camera, samples: int = 4) -> Studio:
        """Paint the still part for a camera."""
        backdrop = paint_backdrop(camera, stage.still, stage.light, samples)
        return cls(
            stage, backdrop, backdrop.sun + backdrop.sky, ball_skin(stage.scene.ball.design),
            stage.scene.picture.shutter_s,
        )

    def moving(self, at_s: float, times: int) -> tuple[Floats, Floats, Floats, Floats]:
        """Solids, casters, ball centres and turns at sub-times of the exposure, (k, ...)."""
        play = self.stage.play
        spread = (np.arange(times) + 0.5) / times - 0.5
        moments = np.maximum(0.0, at_s + spread * self.shutter_s)
        q = np.clip(moments * FIGURE_HZ, 0, len(play.solids) - 1.001)
        i = q.astype(int)
        f = (q - i)[:, None, None]
        solids = play.solids[i] * (1 - f) + play.solids[i + 1] * f
        casters = play.casters[i] * (1 - f) + play.casters[i + 1] * f
        q = np.clip(moments * RATE_HZ, 0, play.balls.shape[1] - 1.001)
        i = q.astype(int)
        g = (q - i)[None, :, None]
        balls = play.balls[:, i] * (1 - g) + play.balls[:, i + 1] * g
        turns = play.turns[:, np.round(q).astype(int)]
        return solids, casters, balls.transpose(1, 0, 2), turns.transpose(1, 0, 2, 3)

    def draw(self, camera: Camera, at_s: float, base: Backdrop, still: Picture) -> Picture:
        """One linear frame (h, w, 3) over a backdrop whose sum is `still`."""
        stage = self.stage
        lens = camera.numbers()
        radius = stage.body.radius_m
        _, ends, balls, _ = self.moving(at_s, 2)
        # How far things move in the exposure says how many sub-times it needs.
        track = camera.project(balls)
        smear = float(np.nanmax(np.linalg.norm(track[1] - track[0], axis=-1), initial=0.0)) * 2
        spots = camera.project(ends[:, :, 4:7])
        body_smear = np.nanmax(np.linalg.norm(spots[1] - spots[0], axis=-1), initial=0.0) * 2
        times = int(np.clip(math.ceil(max(smear / 1.2, body_smear / 2.5)), 3, 32))
        solids, casters, balls, turns = self.moving(at_s, times)
        everything = np.concatenate(
            [
                casters,
                np.concatenate([balls, np.full((*balls.shape[:2], 1), radius)] * 2, axis=2),
            ],
            axis=1,
        )
        n = solids.shape[1]
        pads = np.full(everything.shape[1], DRAWN_PAD_M)
        pads[n:] = 0.0
        drawn = boxes_of(lens, everything, pads, stage.light.to_sun, stage.back_y_m, False)
        shade = boxes_of(lens, everything, pads, stage.light.to_sun, stage.back_y_m, True)
        out = still.copy()
        draw_moving(
            lens, stage.light.numbers(), base.sun, base.sky, base.depth_m, stage.back_y_m,
            solids, stage.play.coats, balls, turns, radius, self.skin, everything, drawn[:n],
            drawn[n:], shade, 5 if body_smear < 3 else 10, int(np.clip(smear, 14, 40)), out,
        )
        return out

    def frame_truth(self, camera: Camera, pts_s: float, base: Backdrop) -> FrameTruth:
        """What is true of the ball at a frame."""
        stage = self.stage
        solids, _, balls, _ = self.moving(pts_s, 1)
        number = 0
        for since, ball in stage.play.active:
            if pts_s >= since:
                number = ball
        at = balls[0, number]
        others = np.delete(balls[0], number, axis=0)
        lens = camera.numbers()
        box = sphere_box(lens, at[0], at[1], at[2], stage.body.radius_m)
        visible = 0.0
        if box[0] < camera.width_px and box[2] > 0 and box[1] < camera.height_px and box[3] > 0:
            visible = ball_in_view(
                lens, base.depth_m, solids[0], others, at[0], at[1], at[2], stage.body.radius_m
            )
        u, v = camera.project(at)
        size = float(camera.diameter_px(at, 2.0 * stage.body.radius_m))
        return FrameTruth(
            pts_s, number, (float(u), float(v)), size if size > 0 else math.nan,
            camera.outline_px(at, stage.body.radius_m), to_goal(at), visible,
            [to_goal(o) for o in others],
        )


def camera_sway(scene: Scene, at_s: float) -> tuple[float, float, float]:
    """Yaw, pitch, roll in degrees that an unsteady or bumped camera adds at a moment."""
    c = scene.camera
    rng = np.random.default_rng([scene.seed, 7])
    out = np.zeros(3)
    for rate in (0.35, 0.9, 2.3, 6.1):
        phase = rng.uniform(0, 2 * np.pi, 3)
        out += c.shake_deg * np.sin(2 * np.pi * rate * at_s + phase) / (1.0 + rate)
    out[2] *= 0.5
    if c.bump_at_s is not None and at_s >= c.bump_at_s:
        since = at_s - c.bump_at_s
        ring = 1.0 - math.exp(-since / 0.05) * math.cos(2 * math.pi * 5.0 * since)
        out += np.array(c.bump_deg) * ring
    return float(out[0]), float(out[1]), float(out[2])


def auto_gain(backdrop: Picture, scene: Scene) -> Floats:
    """Exposure with white balance that sets the picture's middle tone."""
    mean = float(np.median(backdrop.mean(axis=2)))
    warm = scene.picture.warmth
    gain: Floats = 0.21 / max(1e-4, mean) * 2.0**scene.picture.exposure_ev * np.array(
        [1.0 + warm, 1.0, 1.0 - warm]
    )
    return gain


def frames_of(stage: Stage, pts: list[int]) -> Iterator[tuple[Picture, FrameTruth]]:
    """Linear frames and their truth in order of time."""
    scene = stage.scene
    moves = scene.camera.shake_deg > 0 or scene.camera.bump_at_s is not None
    camera = stage.camera
    if not moves:
        studio = Studio.open(stage, camera)
        for tick in pts:
            at = float(tick * TIME_BASE)
            yield (
                studio.draw(camera, at, studio.backdrop, studio.base),
                studio.frame_truth(camera, at, studio.backdrop),
            )
        return
    # A turn about the lens moves the whole picture by a homography, whatever the depths.
    pad = 96
    wide = replace(
        camera, width_px=camera.width_px + 2 * pad, height_px=camera.height_px + 2 * pad,
        cx_px=camera.cx_px + pad, cy_px=camera.cy_px + pad,
    )
    studio = Studio.open(stage, wide)
    lens = np.array([[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px],
                     [0, 0, 1.0]])
    shift = np.array([[1.0, 0, pad], [0, 1.0, pad], [0, 0, 1.0]])
    size = (camera.width_px, camera.height_px)
    for tick in pts:
        at = float(tick * TIME_BASE)
        yaw, pitch, roll = camera_sway(scene, at)
        now = replace(
            camera, yaw_deg=camera.yaw_deg + yaw, pitch_deg=camera.pitch_deg + pitch,
            roll_deg=camera.roll_deg + roll,
        )
        turn = camera.rotation() @ now.rotation().T
        h = shift @ lens @ turn @ np.linalg.inv(lens)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        edge = cv2.BORDER_REPLICATE
        moved = Backdrop(
            cv2.warpPerspective(studio.backdrop.sun, h, size, flags=flags, borderMode=edge),
            cv2.warpPerspective(studio.backdrop.sky, h, size, flags=flags, borderMode=edge),
            cv2.warpPerspective(
                studio.backdrop.depth_m, h, size,
                flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP, borderMode=edge,
            ),
        )
        still = moved.sun + moved.sky
        yield studio.draw(now, at, moved, still), studio.frame_truth(now, at, moved)


def render_clip(scene: Scene, out_path: Path, progress: bool = False) -> Truth:
    """Render a scene to an mp4.

    Parameters
    ----------
    out_path
        The mp4 to write.
    progress
        Say how far it is on stderr.

    Returns
    -------
    Truth
        What the clip shows; `Truth.write` saves it.
    """
    stage = set_stage(scene)
    p = scene.picture
    pts = frame_pts(stage.play.duration_s, p.fps, p.variable_rate, scene.seed)
    sensor = Sensor.make(p.width_px, p.height_px, p.noise, p.vignette, scene.seed)
    upright = p.rotation_deg % 180 == 0
    stored = (p.width_px, p.height_px) if upright else (p.height_px, p.width_px)
    frames: list[FrameTruth] = []
    gain: Floats | None = None
    begun = time.perf_counter()
    with ClipWriter(out_path, *stored, p.fps, p.codec, p.crf, p.preset) as writer:
        for tick, (picture, truth) in zip(pts, frames_of(stage, pts), strict=True):
            if gain is None:
                gain = auto_gain(picture, scene)
            level = gain
            if p.jump_at_s is not None:
                since = truth.pts_s - p.jump_at_s
                level = gain * 2.0 ** (p.jump_ev * float(np.clip(since / 0.4, 0.0, 1.0)))
            # The stored picture is turned so that the player's turn brings it upright.
            planes = turn_planes(sensor.planes(picture, level), p.rotation_deg // 90)
            writer.add(planes, tick)
            frames.append(truth)
            if progress and len(frames) % 150 == 0:
                spent = (time.perf_counter() - begun) / len(frames)
                print(f"{len(frames)}/{len(pts)} frames, {spent:.3f} s each", file=sys.stderr)
    if p.rotation_deg:
        set_rotation(out_path, p.rotation_deg)
    return _truth(stage, frames)


def _truth(stage: Stage, frames: list[FrameTruth]) -> Truth:
    scene = stage.scene
    radius = stage.body.radius_m
    half = scene.width_m / 2.0
    bases = np.array([[-half, 0.0, 0.0], [half, 0.0, 0.0]])
    shots = [
        judge(i + 1, k, scene.width_m, radius) for i, k in enumerate(stage.play.kicks)
    ]
    makes = sum(s.is_make for s in shots)
    rule = scene.rule
    return Truth(
        name=scene.name,
        seed=scene.seed,
        width_px=stage.camera.width_px,
        height_px=stage.camera.height_px,
        rotation_deg=scene.picture.rotation_deg,
        duration_s=frames[-1].pts_s,
        camera=camera_record(stage.camera),
        goal={
            "width_m": scene.width_m,
            "back_m": scene.back_m,
            "inner_bases_m": [to_goal(b) for b in bases],
            "inner_bases_px": stage.camera.project(bases).tolist(),
            "markers": [scene.goal.left, scene.goal.right],
        },
        ball={
            "size": scene.ball.size,
            "design": scene.ball.design,
            "diameter_m": 2.0 * radius,
            "roll_mps2": stage.body.going.roll_mps2,
        },
        stage={
            "width_steps": scene.goal.width_steps,
            "back_steps": scene.goal.back_steps,
            "step_m": scene.goal.step_m,
            "rule": {"kind": "makes of shots", "makes": rule.makes, "shots": rule.shots},
        },
        kicker={"height_m": scene.kicker.height_m, "foot": scene.kicker.foot},
        tally={
            "shots": len(shots),
            "makes": makes,
            "misses": len(shots) - makes,
            "stage_met": sum(s.is_make for s in shots[: rule.shots]) >= rule.makes,
        },
        shots=shots,
        frames=frames,
    )


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Render scene files to clips with their truth.")
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, default=Path())
    options = parser.parse_args(argv)
    options.out.mkdir(parents=True, exist_ok=True)
    for path in options.scenes:
        clip = options.out / f"{path.stem}.mp4"
        truth = render_clip(load_scene(path), clip, progress=True)
        truth.write(clip.with_suffix(".truth.json"))
        print(f"{clip}: {truth.tally['makes']} of {truth.tally['shots']}")


if __name__ == "__main__":
    main()
