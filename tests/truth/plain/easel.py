"""The easel: one stage as one camera sees it, painted frame by frame over a still picture."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from truth.arrays import Floats, Picture
from truth.backdrop import Backdrop
from truth.camera import Camera, sphere_box
from truth.plain.brush import WEAVE_PX
from truth.plain.layers import Box, Brush, Cast, Layers, lamp_row, merge_boxes
from truth.plain.outlines import ball_share_seen
from truth.plain.scenery import Scenery, paint_scenery, sun_over_walls
from truth.plain.shade import Caster, Shade, darken, shade_of, sun_on
from truth.plain.skins import make_skin
from truth.plain.stamps import flatten
from truth.plain.tiles import spectral
from truth.record import FrameTruth
from truth.stage import Stage
from truth.studio import DiscBox, Studio
from truth.wind import Wind

FAR_M = 1e6
# A ball or a limb may sink this far into a wall's plane before the wall hides it.
WALL_ROOM_M = 0.05
# Sub-times into which every exposure is cut at first: its middle, and how far things move.
TAKES = 3
# Which of them stand for fewer: two, at a third of the exposure from its middle, suit limbs only.
BASE_TAKES = {1: slice(1, 2), 2: slice(0, 3, 2)}


@dataclass(frozen=True, slots=True)
class Kept:
    """A painted box of the last frame, what lay under it, and what was in it."""

    look: bytes
    under: Picture
    painted: Picture


@dataclass(slots=True)
class Easel:
    """Paints single linear frames of a stage as one camera sees them."""

    stage: Stage
    camera: Camera
    scenery: Scenery
    studio: Studio
    caster: Caster
    brush: Brush
    wall_depth: Picture
    still: Picture
    bare: Picture
    canvas: Picture
    changed: list[Box] = field(default_factory=list)
    wind: Wind | None = None
    takes: Takes | None = None
    kept: dict[Box, Kept] = field(default_factory=dict)
    keeping: dict[Box, Kept] = field(default_factory=dict)

    @classmethod
    def open(cls, stage: Stage, camera: Camera, still_air: bool = False) -> Easel:
        """Paint the still part for a camera; in still air no leaf stirs."""
        scenery = paint_scenery(camera, stage)
        rng = np.random.default_rng([stage.scene.seed, 24])
        skins = [make_skin(stage.scene.ball.design, rng) for _ in stage.play.balls]
        # The studio says what moves where, and what is true of it; it draws nothing here.
        studio = Studio(
            stage,
            Backdrop(scenery.sun, scenery.sky, scenery.depth_m),
            scenery.sky,
            np.zeros((36, 4)),
            stage.scene.picture.shutter_s,
        )
        axis = camera.rotation()[2].astype(np.float32)
        depth = (scenery.spot_m - np.asarray(camera.position_m, np.float32)) @ axis
        out = cls(
            stage,
            camera,
            scenery,
            studio,
            Caster(camera, stage.light, stage.still.walls),
            Brush(
                camera.numbers(),
                lamp_row(stage.light),
                stage.body.radius_m,
                np.stack(skins),
                spectral(rng, WEAVE_PX, 0.8, 3),
            ),
            np.where(scenery.surface > 0.5, depth + WALL_ROOM_M, FAR_M).astype(np.float32),
            scenery.sun,
            np.ones_like(scenery.depth_m),
            scenery.sun,
        )
        out._place_bodies()
        if not still_air:
            base = Backdrop(scenery.sun, scenery.sky, scenery.depth_m)
            out.wind = Wind.over(stage.scene, camera, base, stage.light.to_sun)
        return out

    def _place_bodies(self) -> None:
        """Shade the ground round the still bodies and stamp them onto the still picture."""
        bodies = self.stage.still
        ground = self.scenery
        self.still = ground.sun + ground.sky
        if len(bodies.solids):
            cast = Cast(
                bodies.solids[None],
                bodies.casters[None],
                bodies.coats,
                np.zeros((1, 0, 3)),
                np.zeros((1, 0, 3, 3)),
            )
            h, w = ground.depth_m.shape
            whole: Box = (0, 0, w, h)
            shade = shade_of(self.caster, ground, bodies.casters[None])
            if shade is not None:
                x0, y0, x1, y1 = shade.box
                ground.sun[y0:y1, x0:x1] *= (1.0 - shade.sun_taken)[..., None]
                ground.sky[y0:y1, x0:x1] *= shade.sky_left[..., None]
            bare = ground.sun + ground.sky
            layers = self.lay(cast)
            self.still = layers.patch(bare, self.wall_depth, whole, self.brush, 1)
            # What a white ground adds to the painting shows where no body covers it.
            white = layers.patch(bare + 1.0, self.wall_depth, whole, self.brush, 1)
            self.bare = np.clip((white - self.still)[..., 0], 0.0, 1.0)
        self.canvas = self.still.copy()

    def lay(self, cast: Cast) -> Layers:
        """Project a cast and sort it by depth."""
        radius = self.brush.radius_m
        stamps = flatten(self.camera, cast.solids)
        moments = len(cast.balls)
        boxes = np.array(
            [
                [sphere_box(self.brush.lens, b[0], b[1], b[2], radius) for b in cast.balls[k]]
                for k in range(moments)
            ]
        ).reshape(moments, -1, 4)
        mid = moments // 2
        middle = 0.5 * (cast.casters[mid, :, 0:3] + cast.casters[mid, :, 4:7])
        balls = cast.balls[mid]
        everything = cast.all_casters(mid, radius)
        light = self.stage.light
        ball_sun = self._by_walls(balls)
        for i, at in enumerate(balls):
            rim = at + radius * np.array([[0, 0, 0.9], [0.8, 0, 0], [-0.8, 0, 0]])
            ball_sun[i] *= sun_on(rim, everything, len(middle) + i, light.to_sun, light.half_width)
        depth = stamps[..., 10:12].mean(axis=-1) - stamps[..., 12:14].mean(axis=-1)
        far = self.camera.view(cast.balls)[..., 2]
        ball_depth = far - radius
        ball_px = 2.0 * radius * self.camera.focal_px / np.maximum(far[mid], 0.1)
        order = np.argsort(-np.concatenate([depth, ball_depth], axis=1), axis=1, kind="stable")
        return Layers(
            stamps,
            cast.coats,
            self._by_walls(middle),
            cast.balls,
            cast.turns,
            boxes,
            ball_px,
            ball_sun,
            order.astype(np.int64),
        )

    def _by_walls(self, points: Floats) -> Floats:
        """Share of the sun that walls leave at points (n, 3)."""
        p = np.asarray(points, np.float32)
        left = sun_over_walls(
            self.stage.still.walls, -1, p[:, 0], p[:, 1], p[:, 2], self.stage.light
        )
        return np.asarray(left, float)

    def paint(self, at_s: float) -> Picture:
        """The linear frame (h, w, 3) at a time.

        It is the easel's own canvas: the next frame is painted over it. `changed` then lists the
        boxes in which it differs from the still picture.
        """
        sunlight, skylight = self._blow(at_s)
        self.kept, self.keeping = self.keeping, {}
        self.takes = takes = Takes(self, at_s)
        cast, layers = takes.cast(TAKES), takes.layers(TAKES)
        moving = cast.coats.shape[0] - len(self.stage.still.solids)
        smear = self._smear(layers)
        shade = self._shade(takes, moving, smear)
        if shade is not None:
            darken(
                self.canvas,
                shade.box[0],
                shade.box[1],
                sunlight,
                skylight,
                self.bare,
                shade.sun_taken,
                shade.sky_left,
            )
            self.changed.append(shade.box)
        boxes = np.concatenate([layers.stamps[..., 15:19], layers.ball_boxes], axis=1)
        keep = np.r_[0:moving, len(cast.coats) : boxes.shape[1]]
        room = 0.5 * smear + 1.0
        low = boxes[..., :2].min(axis=0) - room[:, None]
        high = boxes[..., 2:].max(axis=0) + room[:, None]
        for box in merge_boxes(np.concatenate([low, high], axis=1)[keep], self.bare.shape):
            x0, y0, x1, y1 = box
            inside = (low[:, 0] < x1) & (high[:, 0] > x0) & (low[:, 1] < y1) & (high[:, 1] > y0)
            worst = smear * inside
            ball_part = float(worst[len(cast.coats) :].max(initial=0.0)) / 1.2
            body_part = float(worst[: len(cast.coats)].max(initial=0.0)) / 3.5
            cuts = (1, 2, TAKES, 6, 12, 24) if ball_part <= 1.0 else (TAKES, 6, 12, 24)
            times = next((k for k in cuts if k >= max(ball_part, body_part)), 24)
            # Sub-times add their own points: the ball's rim stays as smooth with fewer each.
            side = 3 if times == 1 else 2
            if times == 1 and float(layers.ball_px[inside[len(cast.coats) :]].min(initial=99)) < 24:
                side = 4
            self._paint_box(takes.layers(times), box, side)
            self.changed.append(box)
        return self.canvas

    def _paint_box(self, layers: Layers, box: Box, side: int) -> None:
        """Paint a box of the canvas, or take it from the last frame if nothing in it changed."""
        x0, y0, x1, y1 = box
        area = np.s_[y0:y1, x0:x1]
        before = self.kept.get(box)
        look = layers.look(box)
        under = self.canvas[area].copy()
        if before is not None and before.look == look and np.array_equal(before.under, under):
            self.canvas[area] = before.painted
            self.keeping[box] = before
            return
        painted = layers.patch(self.canvas, self.wall_depth, box, self.brush, side)
        self.canvas[area] = painted
        self.keeping[box] = Kept(look, under, painted)

    def _blow(self, at_s: float) -> tuple[Picture, Picture]:
        """Bring the canvas back to the still picture, in the wind of a moment; its two lights."""
        sun, sky = self.scenery.sun, self.scenery.sky
        if self.wind is not None:
            stirred = self.wind.stirred(Backdrop(sun, sky, self.scenery.depth_m), at_s)
            change = (stirred.sun - sun) + (stirred.sky - sky)
            np.add(self.still, change * self.bare[..., None], out=self.canvas)
            h, w = self.bare.shape
            self.changed = [(0, 0, w, h)]
            return stirred.sun, stirred.sky
        for x0, y0, x1, y1 in self.changed:
            self.canvas[y0:y1, x0:x1] = self.still[y0:y1, x0:x1]
        self.changed = []
        return sun, sky

    def _smear(self, layers: Layers) -> Floats:
        """How far (n + m,) px each stamp and ball travels in an exposure, from the base takes."""
        ends = np.concatenate([layers.stamps[..., 15:19], layers.ball_boxes], axis=1)
        share = (TAKES - 1) / TAKES
        seen = np.abs(ends[-1] - ends[0]).max(axis=1) / share
        return np.where(np.abs(ends).max(axis=(0, 2)) < 1e8, seen, 0.0)

    def _shade(self, takes: Takes, moving: int, smear: Floats) -> Shade | None:
        fast = max(float(smear[:moving].max(initial=0.0)), float(smear[-1:].max(initial=0.0)))
        times = 1 if fast < 4.0 else TAKES
        cast = takes.cast(times)
        radius = self.brush.radius_m
        rows = np.stack([cast.all_casters(k, radius) for k in range(times)])
        keep = np.r_[0:moving, len(cast.coats) : rows.shape[1]]
        return shade_of(self.caster, self.scenery, rows[:, keep])

    def truth(self, at_s: float, camera: Camera, depth_m: Picture) -> FrameTruth:
        """What is true of the ball, with the share of it that this painting shows.

        Parameters
        ----------
        camera, depth_m
            The camera as it hangs now, and its (h, w) ray lengths to the still scene.
        """
        base = Backdrop(self.scenery.sun, self.scenery.sky, depth_m)
        takes = self.takes
        if takes is None or takes.at_s != at_s:
            takes = Takes(self, at_s)
        lens, radius = camera.numbers(), self.brush.radius_m
        if camera == self.camera:
            stamps = takes.layers(1).stamps[0]
        else:
            stamps = flatten(camera, takes.cast(1).solids[0])
        b = stamps[:, 15:19]

        def painted(at: Floats, others: Floats, box: DiscBox) -> float:
            x0, y0, x1, y1 = box
            near = (b[:, 0] < x1) & (b[:, 2] > x0) & (b[:, 1] < y1) & (b[:, 3] > y0)
            return ball_share_seen(lens, depth_m, stamps[near], others, at, radius, np.array(box))

        return self.studio.frame_truth(camera, at_s, base, painted)


@dataclass(slots=True)
class Takes:
    """One exposure cut into more or fewer sub-times; each cut is worked out once."""

    easel: Easel
    at_s: float
    casts: dict[int, Cast] = field(default_factory=dict)
    laid: dict[int, Layers] = field(default_factory=dict)

    def cast(self, times: int) -> Cast:
        """Everything in front of the lens, still bodies last."""
        if times in BASE_TAKES:
            return self.cast(TAKES).at(BASE_TAKES[times])
        if times not in self.casts:
            stage = self.easel.stage
            solids, casters, balls, turns = self.easel.studio.moving(self.at_s, times)
            still = stage.still
            self.casts[times] = Cast(
                np.concatenate([solids, np.tile(still.solids, (times, 1, 1))], axis=1),
                np.concatenate([casters, np.tile(still.casters, (times, 1, 1))], axis=1),
                np.concatenate([stage.play.coats, still.coats]),
                balls,
                turns,
            )
        return self.casts[times]

    def layers(self, times: int) -> Layers:
        """The same, laid flat."""
        if times in BASE_TAKES:
            return self.layers(TAKES).at(BASE_TAKES[times])
        if times not in self.laid:
            self.laid[times] = self.easel.lay(self.cast(times))
        return self.laid[times]
