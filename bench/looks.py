"""Pictures in which markers are looked for, without the clip, and what may stand in them.

For each set of evidence: its yard painted alone, and the watcher's background model beside it, in
which people may stand. Both can be laid out otherwise: a marker painted over with the ground
beside it, things beside the goal, more of the same kind, a second shoe beside each shoe.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from truth.arrays import Bytes, Floats, Picture
from truth.catalogue import EvaluationSet
from truth.optics import LensGrease
from truth.painter import Reel
from truth.render import auto_gain
from truth.sensor import Sensor
from truth.stage import set_stage
from truth.studio import Studio
from truth.things import MARKER_SIZE_M

AS_IT_IS, TWO_SHOES = "as it is", "two shoes for one"
AWAY, BESIDE, ALIKE = "one taken away", "things beside", "more alike"
APART_M = 0.45  # of what is pasted from markers, and from each other
SAME_LEVELS = 22  # of two pictures of a yard, where nobody is before it
HIDDEN_SHARE = 0.2  # of a marker's box that differs, from which on somebody hides it
PASTED_LEVELS = (8.0, 26.0)  # difference from the ground at which a thing begins, and is whole


@dataclass(frozen=True, slots=True, eq=False)
class Cutout:
    """A marker cut out: BGR, how opaque it is, its foot's middle in it, pixels for a metre."""

    bgr: Bytes
    alpha: Picture
    foot: tuple[float, float]
    px_per_m: float
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """Pictures of one yard: alone, and as the watcher saw it settle."""

    alone: Bytes
    settled: Bytes
    truth: dict[str, Any]

    @property
    def picture(self) -> Bytes:
        """As the watcher saw it settle, or alone where somebody stood before a marker."""
        for side in (0, 1):
            x0, y0, x1, y1 = self._box(side, 0.2)
            off = cv2.absdiff(self.alone[y0:y1, x0:x1], self.settled[y0:y1, x0:x1]).max(axis=2)
            if (off > SAME_LEVELS).mean() > HIDDEN_SHARE:
                return self.alone
        return self.settled

    def cutout(self, side: int) -> Cutout:
        """The left (0) or right (1) marker, cut out of the yard."""
        x0, y0, x1, y1 = self._box(side, 0.35)
        bgr = self.alone[y0:y1, x0:x1]
        off = cv2.absdiff(bgr, self.without(side)[y0:y1, x0:x1]).max(axis=2).astype(np.float32)
        low, high = PASTED_LEVELS
        alpha = np.asarray(np.clip((off - low) / (high - low), 0, 1), np.float32)
        alpha = np.asarray(cv2.GaussianBlur(alpha, (0, 0), 0.8), np.float32)
        rim = max(2, int(x1 - x0) // 12)
        fade = np.zeros(alpha.shape, np.float32)
        fade[rim:-rim, rim:-rim] = 1
        alpha = alpha * cv2.GaussianBlur(fade, (0, 0), rim / 2)
        (x, y), scale = self._foot(side)
        return Cutout(
            bgr.copy(), alpha, (x - x0, y - y0), scale, self.truth["goal"]["markers"][side]
        )

    def without(self, side: int) -> Bytes:
        """The yard with a marker painted over by what lies beside it."""
        x0, y0, x1, y1 = self._box(side, 0.45)
        wide, columns = x1 - x0, self.alone.shape[1]
        best: tuple[float, Bytes] | None = None
        for way in (-1, 1):
            for share in (1.1, 1.5, 2.0, 2.6):
                left = x0 + way * int(share * wide)
                if left < 0 or left + wide > columns:
                    continue
                piece = self.alone[y0:y1, left : left + wide]
                here = self.alone[y0:y1, x0:x1]
                border = np.ones(here.shape[:2], bool)
                border[3:-3, 3:-3] = False
                off = float(np.abs(here.astype(float) - piece).mean(axis=2)[border].mean())
                if best is None or off < best[0]:
                    best = off, piece
        assert best is not None
        out = self.alone.copy()
        fade = np.zeros((y1 - y0, wide), np.float32)
        rim = max(2, wide // 10)
        fade[rim:-rim, rim:-rim] = 1
        soft = np.asarray(cv2.GaussianBlur(fade, (0, 0), rim / 2), np.float32)[..., None]
        out[y0:y1, x0:x1] = soft * best[1] + (1 - soft) * out[y0:y1, x0:x1]
        return out

    def changed(self, alone: Bytes) -> Looks:
        """The same yard with another picture of it, where nobody stands before it."""
        bare = cv2.absdiff(self.alone, self.settled).max(axis=2) < SAME_LEVELS
        bare = cv2.medianBlur(bare.astype(np.uint8), 7) > 0
        where = (cv2.absdiff(self.alone, alone).max(axis=2) > 2) & bare
        settled = self.settled.copy()
        settled[where] = alone[where]
        return replace(self, alone=alone, settled=settled)

    def _foot(self, side: int) -> tuple[tuple[float, float], float]:
        """Middle of a marker's foot in the picture, and pixels for a metre there."""
        half = MARKER_SIZE_M[self.truth["goal"]["markers"][side]][0]
        x = (-1, 1)[side] * (self.truth["goal"]["width_m"] / 2 + half)
        a, b = self.project(np.array([[x, 0.0, 0.0], [x + 0.1, 0.0, 0.0]]))
        up = self.project(np.array([[x, 0.0, 0.1]]))[0]
        scale = 10 * max(float(np.hypot(*(b - a))), float(np.hypot(*(up - a))))
        return (float(a[0]), float(a[1])), scale

    def _box(self, side: int, more: float) -> tuple[int, int, int, int]:
        """Box of a marker in the picture with some room."""
        half, high = MARKER_SIZE_M[self.truth["goal"]["markers"][side]]
        (x, y), scale = self._foot(side)
        wide = scale * max(half, 0.1) * (1 + more) + 3
        rows, columns = self.alone.shape[:2]
        return (
            max(0, round(x - wide)),
            max(0, round(y - scale * high * (1 + more / 2) - 3)),
            min(columns, round(x + wide)),
            min(rows, round(y + scale * (0.12 + 0.1 * more) + 3)),
        )

    def project(self, points: Floats) -> Floats:
        """Picture points of goal-frame points (N, 3)."""
        p = np.array(self.truth["camera"]["projection_goal_to_px"])
        seen = np.column_stack([points, np.ones(len(points))]) @ p.T
        return np.asarray(seen[:, :2] / seen[:, 2:])


def paste(alone: Bytes, look: Looks, thing: Cutout, place: Floats) -> Bytes:
    """Paste something at a goal-frame place (x, y) of a yard."""
    at, aside = look.project(np.array([[*place, 0.0], [place[0] + 0.1, place[1], 0.0]]))
    up = look.project(np.array([[*place, 0.1]]))[0]
    scale = 10 * max(float(np.hypot(*(aside - at))), float(np.hypot(*(up - at))))
    zoom = scale / thing.px_per_m
    move = np.array(
        [[zoom, 0, at[0] - zoom * thing.foot[0]], [0, zoom, at[1] - zoom * thing.foot[1]]]
    )
    size = (alone.shape[1], alone.shape[0])
    alpha = cv2.warpAffine(thing.alpha, move, size)[..., None]
    bgr = cv2.warpAffine(thing.bgr, move, size, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.clip(alpha * bgr + (1 - alpha) * alone, 0, 255), np.uint8)


def laid_out(look: Looks, layout: str, name: str, bank: Sequence[Cutout]) -> Looks | None:
    """A yard laid out otherwise; None where the layout does not suit it."""
    rng = np.random.default_rng([zlib.crc32(f"{name} {layout}".encode())])
    if layout == AS_IT_IS:
        return look
    kinds = look.truth["goal"]["markers"]
    half = look.truth["goal"]["width_m"] / 2
    alone = look.alone
    if layout == AWAY:
        return look.changed(look.without(int(rng.integers(2))))
    taken = [np.array([s * half, 0.0]) for s in (-1, 1)]
    if layout == TWO_SHOES:
        if "shoe" not in kinds:
            return None
        for side, sign in enumerate((-1, 1)):
            if kinds[side] == "shoe":
                x = sign * (half + MARKER_SIZE_M["shoe"][0] + rng.uniform(0.13, 0.26))
                place = np.array([x, rng.uniform(-0.07, 0.07)])
                alone = paste(alone, look, look.cutout(side), place)
        return look.changed(alone)
    count = int(rng.integers(2, 6)) if layout == BESIDE else int(rng.integers(1, 4))
    for _ in range(count):
        thing = bank[int(rng.integers(len(bank)))]
        if layout == ALIKE:
            thing = look.cutout(int(rng.integers(2)))
        for _ in range(40):
            at = np.array([rng.uniform(-half - 2.2, half + 2.2), rng.uniform(-1.2, 2.0)])
            if layout == ALIKE and rng.random() < 0.6:
                at[1] = rng.normal(0, 0.25)
            seen = look.project(np.array([[*at, 0.0]]))[0]
            inside = (seen > 8).all() and (seen < np.array(alone.shape[1::-1]) - 8).all()
            if inside and min(np.hypot(*(at - t)) for t in taken) > APART_M:
                alone = paste(alone, look, thing, at)
                taken.append(at)
                break
    return look.changed(alone)


def looks_at(truth: dict[str, Any], evidence: Path, yards: Path, one: EvaluationSet) -> Looks:
    """Pictures of a set; its yard is painted first where that is missing."""
    place = yards / f"{one.file_name}.yard.jpg"
    if not place.exists():
        yards.mkdir(parents=True, exist_ok=True)
        paint_yard(one, place)
    alone, settled = cv2.imread(str(place)), cv2.imread(str(evidence))
    assert alone is not None and settled is not None
    return Looks(np.asarray(alone, np.uint8), np.asarray(settled, np.uint8), truth)


def paint_yard(one: EvaluationSet, place: Path) -> None:
    """Paint a set's yard alone, as a phone would store it."""
    scene = one.scene()
    steady = {"shake_deg": 0.0, "bump_at_s": None, "bump_when": None}
    camera = scene.camera.model_copy(update=steady)
    stage = set_stage(scene.model_copy(update={"camera": camera}))
    p = scene.picture
    grease = LensGrease.on(p.width_px, p.height_px, p.smear, scene.seed)
    if one.painter == "plain":
        reel = Reel.open(stage, [0])
        still = reel.easel.still
        planes = reel.darkroom.develop_whole(grease.over(still.copy()), auto_gain(still, scene))
    else:
        still = Studio.open(stage, stage.camera).base
        sensor = Sensor.make(p.width_px, p.height_px, p.noise, p.vignette, scene.seed)
        planes = sensor.planes(grease.over(still.copy()), auto_gain(still, scene))
    quality = int(np.clip(92 - 1.6 * (p.crf - 20), 35, 92))
    bgr = cv2.cvtColor(planes, cv2.COLOR_YUV2BGR_I420)
    cv2.imwrite(str(place), bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
