"""Films a stage: linear frames in order of time, each with what is true in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from truth.arrays import Floats, Picture
from truth.backdrop import Backdrop, paint_backdrop
from truth.camera import Camera, sphere_box
from truth.coats import boxes_of
from truth.motion import RATE_HZ
from truth.people import FIGURE_HZ
from truth.record import FrameTruth, to_goal
from truth.scenes import Scene
from truth.sight import ball_in_view
from truth.stage import Stage
from truth.things import ball_skin
from truth.tracing import draw_moving
from truth.video import TIME_BASE
from truth.wind import Wind

# Ellipsoids and oval cones reach beyond the caster that stands for them.
DRAWN_PAD_M = 0.06

DiscBox = tuple[float, float, float, float]
Seen = Callable[[Floats, Floats, DiscBox], float]


@dataclass(slots=True)
class Studio:
    """Draws single linear frames of a stage."""

    stage: Stage
    backdrop: Backdrop
    base: Picture
    skin: Floats
    shutter_s: float

    @classmethod
    def open(cls, stage: Stage, camera: Camera, samples: int = 3) -> Studio:
        """Paint the still part for a camera."""
        backdrop = paint_backdrop(camera, stage.still, stage.light, samples)
        return cls(
            stage,
            backdrop,
            backdrop.sun + backdrop.sky,
            ball_skin(stage.scene.ball.design),
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
        pads = np.zeros(everything.shape[1])
        pads[:n] = np.where(solids[0, :, 0] > 0.5, DRAWN_PAD_M, 0.0)
        drawn = boxes_of(lens, everything, pads, stage.light.to_sun, stage.back_y_m, False)
        shade = boxes_of(lens, everything, pads, stage.light.to_sun, stage.back_y_m, True)
        out = still.copy()
        draw_moving(
            lens,
            stage.light.numbers(),
            base.sun,
            base.sky,
            base.depth_m,
            stage.back_y_m,
            solids,
            stage.play.coats,
            balls,
            turns,
            radius,
            self.skin,
            everything,
            drawn[:n],
            drawn[n:],
            shade,
            5 if body_smear < 3 else 10,
            int(np.clip(smear, 14, 40)),
            out,
        )
        return out

    def frame_truth(
        self, camera: Camera, pts_s: float, base: Backdrop, seen: Seen | None = None
    ) -> FrameTruth:
        """What is true of the balls at a frame.

        Parameters
        ----------
        seen
            Share of a ball's disc that the camera sees, by its centre and those of the others;
            left out, it is found by following light.
        """
        stage = self.stage
        solids, _, balls, _ = self.moving(pts_s, 1)
        number = 0
        for since, ball in stage.play.active:
            if pts_s >= since:
                number = ball
        lens, radius = camera.numbers(), stage.body.radius_m

        def traced(at: Floats, others: Floats, box: DiscBox) -> float:
            x, y, z = at
            return ball_in_view(lens, base.depth_m, solids[0], others, x, y, z, radius)

        visible = []
        for i, at in enumerate(balls[0]):
            box = sphere_box(lens, at[0], at[1], at[2], radius)
            off = box[2] <= 0 or box[0] >= camera.width_px or box[3] <= 0
            off = off or box[1] >= camera.height_px
            others = np.delete(balls[0], i, axis=0)
            visible.append(0.0 if off else (seen or traced)(at, others, box))
        images = []
        for at, share in zip(balls[0], visible, strict=True):
            u, v = camera.project(at)
            size = float(camera.diameter_px(at, 2.0 * radius))
            images.append((float(u), float(v), size if size > 0 else math.nan, share))
        at = balls[0, number]
        u, v, size, share = images.pop(number)
        return FrameTruth(
            pts_s,
            number,
            (u, v),
            size,
            camera.outline_px(at, radius),
            to_goal(at),
            share,
            [to_goal(o) for o in np.delete(balls[0], number, axis=0)],
            images,
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


def frames_of(stage: Stage, pts: list[int]) -> Iterator[tuple[Picture, FrameTruth]]:
    """Linear frames and their truth in order of time; wind blows for a camera that stands still."""
    scene = stage.scene
    moves = scene.camera.shake_deg > 0 or scene.camera.bump_at_s is not None
    camera = stage.camera
    if not moves:
        studio = Studio.open(stage, camera)
        wind = Wind.over(scene, camera, studio.backdrop, stage.light.to_sun)
        for tick in pts:
            at = float(tick * TIME_BASE)
            base, still = studio.backdrop, studio.base
            if wind is not None:
                base = wind.stirred(base, at)
                still = base.sun + base.sky
            yield (
                studio.draw(camera, at, base, still),
                studio.frame_truth(camera, at, studio.backdrop),
            )
        return
    # A turn about the lens moves the whole picture by a homography, whatever the depths.
    pad = 96
    wide = replace(
        camera,
        width_px=camera.width_px + 2 * pad,
        height_px=camera.height_px + 2 * pad,
        cx_px=camera.cx_px + pad,
        cy_px=camera.cy_px + pad,
    )
    studio = Studio.open(stage, wide)
    lens = np.array(
        [[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px], [0, 0, 1.0]]
    )
    shift = np.array([[1.0, 0, pad], [0, 1.0, pad], [0, 0, 1.0]])
    size = (camera.width_px, camera.height_px)
    for tick in pts:
        at = float(tick * TIME_BASE)
        yaw, pitch, roll = camera_sway(scene, at)
        now = replace(
            camera,
            yaw_deg=camera.yaw_deg + yaw,
            pitch_deg=camera.pitch_deg + pitch,
            roll_deg=camera.roll_deg + roll,
        )
        turn = camera.rotation() @ now.rotation().T
        h = shift @ lens @ turn @ np.linalg.inv(lens)
        edge = cv2.BORDER_REPLICATE
        sun, sky, depth = (
            np.asarray(
                cv2.warpPerspective(
                    plane, h, size, flags=how | cv2.WARP_INVERSE_MAP, borderMode=edge
                ),
                np.float32,
            )
            for plane, how in (
                (studio.backdrop.sun, cv2.INTER_LINEAR),
                (studio.backdrop.sky, cv2.INTER_LINEAR),
                (studio.backdrop.depth_m, cv2.INTER_NEAREST),
            )
        )
        moved = Backdrop(sun, sky, depth)
        still = moved.sun + moved.sky
        yield studio.draw(now, at, moved, still), studio.frame_truth(now, at, moved)
