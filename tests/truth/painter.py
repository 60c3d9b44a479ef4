"""The plain painter: films a stage with tiles, stamps and shadow polygons instead of rays.

It shows the same course of events as `studio` and tells the same truth about it, but shares none
of its pixels: another ground, other walls, other balls, bodies drawn as shaded stamps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from truth.arrays import Bytes, Floats, Picture
from truth.camera import Camera
from truth.plain.darkroom import Darkroom
from truth.plain.easel import Easel
from truth.record import FrameTruth
from truth.stage import Stage
from truth.studio import camera_sway
from truth.video import TIME_BASE

MOST_PAD_PX = 600


def swayed(stage: Stage, at_s: float) -> Camera:
    """The camera of a stage as it hangs at a moment."""
    yaw, pitch, roll = camera_sway(stage.scene, at_s)
    camera = stage.camera
    return replace(
        camera,
        yaw_deg=camera.yaw_deg + yaw,
        pitch_deg=camera.pitch_deg + pitch,
        roll_deg=camera.roll_deg + roll,
    )


def turn_homography(camera: Camera, now: Camera) -> Floats:
    """(3, 3) from image points of a turned camera to those of the camera before the turn."""
    lens = np.array(
        [[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px], [0, 0, 1.0]]
    )
    out: Floats = lens @ camera.rotation() @ now.rotation().T @ np.linalg.inv(lens)
    return out


@dataclass(slots=True)
class Reel:
    """Frames of a stage in order of time, and their development."""

    stage: Stage
    ticks: list[int]
    easel: Easel
    darkroom: Darkroom
    pad_px: int
    moves: bool
    warps_light: bool
    to_painted: Floats | None = None

    @classmethod
    def open(cls, stage: Stage, ticks: list[int]) -> Reel:
        """Paint what stands still; a camera that will sway gets a margin to sway in."""
        scene, camera = stage.scene, stage.camera
        moves = scene.camera.shake_deg > 0 or scene.camera.bump_at_s is not None
        pad = _margin(stage, ticks) if moves else 0
        wide = replace(
            camera,
            width_px=camera.width_px + 2 * pad,
            height_px=camera.height_px + 2 * pad,
            cx_px=camera.cx_px + pad,
            cy_px=camera.cy_px + pad,
        )
        easel = Easel.open(stage, wide, still_air=moves)
        p = scene.picture
        reach = 0.5 * math.hypot(camera.width_px, camera.height_px)
        darkroom = Darkroom.open(easel.still, p.noise, p.vignette, scene.seed, reach)
        # Grease and lamps act on the filmed picture: then the light is turned, not the planes.
        lens_acts = p.smear > 0.0 or scene.weather.flicker > 0.0
        return cls(stage, ticks, easel, darkroom, pad, moves, moves and lens_acts)

    def frames(self) -> Iterator[tuple[Picture, FrameTruth]]:
        """Painted linear pictures, to be developed before the next is drawn, and their truth."""
        shift = np.array([[1.0, 0, self.pad_px], [0, 1.0, self.pad_px], [0, 0, 1.0]])
        for tick in self.ticks:
            at = float(tick * TIME_BASE)
            picture = self.easel.paint(at)
            camera, depth = self.easel.camera, self.easel.scenery.depth_m
            if self.moves:
                camera = swayed(self.stage, at)
                self.to_painted = shift @ turn_homography(self.stage.camera, camera)
                depth = self._seen(depth, cv2.INTER_NEAREST)
                if self.warps_light:
                    picture = self._seen(picture, cv2.INTER_LINEAR)
            yield picture, self.easel.truth(at, camera, depth)

    def develop(self, picture: Picture, gain: Floats) -> Bytes:
        """Stacked 4:2:0 planes of the picture that `frames` gave last, or of one made from it."""
        if picture is not self.easel.canvas:
            return self.darkroom.develop_whole(picture, gain)
        size = (self.stage.camera.width_px, self.stage.camera.height_px)
        return self.darkroom.develop(picture, gain, self.easel.changed, self.to_painted, size)

    def _seen(self, plane: Picture, how: int) -> Picture:
        """A painted plane as the swayed camera films it."""
        size = (self.stage.camera.width_px, self.stage.camera.height_px)
        assert self.to_painted is not None
        flags = how | cv2.WARP_INVERSE_MAP
        edge = cv2.BORDER_REPLICATE
        out = cv2.warpPerspective(plane, self.to_painted, size, flags=flags, borderMode=edge)
        return np.asarray(out, np.float32)


def _margin(stage: Stage, ticks: list[int]) -> int:
    """Even number of pixels that sway can bring in from beyond the picture's rim."""
    w, h = stage.camera.width_px, stage.camera.height_px
    corners = np.array([[0.0, 0, 1], [w, 0, 1], [0, h, 1], [w, h, 1]])
    worst = 0.0
    for tick in ticks:
        to_still = turn_homography(stage.camera, swayed(stage, float(tick * TIME_BASE)))
        at = corners @ to_still.T
        at = at[:, :2] / at[:, 2:]
        worst = max(worst, float(-at.min()), float((at - (w, h)).max()))
    return min(MOST_PAD_PX, 2 * math.ceil(0.5 * worst) + 4)
