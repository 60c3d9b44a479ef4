"""Films kicks of a dressed body in an invented yard: one clip with its truth.

``python -m truth.bodies.film develop 0 behind --out DIR``
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from truth.arrays import Floats, Picture
from truth.backdrop import Light
from truth.bodies.answers import answers, joints_at, touch
from truth.bodies.kick import Kicking, wished
from truth.bodies.person import Person, people, skin
from truth.bodies.raster import Mesh, draw
from truth.bodies.rig import BONE_ROW
from truth.bodies.wardrobe import BALLS, ball_mesh, outfit
from truth.camera import Camera
from truth.plain.darkroom import Darkroom
from truth.plain.easel import Easel
from truth.plain.shade import darken, shade_of
from truth.record import camera_record
from truth.render import auto_gain
from truth.scenes import Scene
from truth.shapes import round_cone
from truth.stage import set_stage
from truth.video import TIME_BASE, ClipWriter
from truth.yards import Split, yards

View = Literal["behind", "oblique", "side", "facing", "front oblique"]
VIEWS: tuple[View, ...] = get_args(View)
# Angle of the camera from straight behind the shot, deg.
AZIMUTHS: dict[View, tuple[float, float]] = {
    "behind": (0.0, 23.0),
    "oblique": (27.0, 58.0),
    "side": (62.0, 118.0),
    "facing": (152.0, 178.0),
    "front oblique": (122.0, 148.0),
}
KICKS_A_CLIP = 5
DRAWS: dict[Split, int] = {"develop": 0, "report": 2}  # 1 was the report split's before
SPAN_S = (-0.45, 0.47)
# Of eight clips five are plain, two run at twice the rate, and one is slowed down by the phone.
RATES_HZ = (30.0, 30.0, 60.0, 30.0, 30.0, 30.0, 60.0, 30.0)
SLOWED = (1.0, 1.0, 1.0, 1.0, 1.0, 4.0, 1.0, 1.0)
DENSE_S = 0.2  # so near to contact an exposure is drawn in several takes
WIDTH_PX, HEIGHT_PX = 1280, 720
TAKES = 3
# A sphere's friction on turf; common practice, no source.
SLOWS_MPS2 = 1.0


@dataclass(frozen=True, slots=True)
class KickClip:
    """One clip of kicks: which yard's split and number, and from where."""

    split: Split
    number: int
    view: View

    @property
    def name(self) -> str:
        """For files."""
        return f"{self.split}_{self.number:02d}_{self.view.replace(' ', '_')}"

    @property
    def rate_hz(self) -> float:
        """Pictures a second of the file."""
        return RATES_HZ[(self.number + VIEWS.index(self.view)) % len(RATES_HZ)]

    @property
    def slowed(self) -> float:
        """Seconds of the file to one of the world."""
        return SLOWED[(self.number + VIEWS.index(self.view)) % len(SLOWED)]

    def person(self) -> Person:
        """Who kicks; the splits share nobody."""
        known = people(self.split)
        return known[self.number % len(known)]

    def draws(self) -> np.random.Generator:
        """Random numbers of this clip alone."""
        return np.random.default_rng([VIEWS.index(self.view), self.number, DRAWS[self.split], 71])


@dataclass(slots=True)
class Shooting:
    """A clip ready to be filmed."""

    clip: KickClip
    scene: Scene
    easel: Easel
    person: Person
    coat: Floats
    design: str
    kicks: list[Kicking]
    speeds_mps: list[float]
    contacts_s: list[float]

    @classmethod
    def ready(cls, clip: KickClip) -> Shooting:
        """Draw yard, camera, clothes and kicks."""
        rng = clip.draws()
        every = yards(clip.split)
        yard = every[clip.number % len(every)]
        person = clip.person()
        spot = np.array([rng.uniform(-0.3, 0.3), -yard.back_m])
        turn = math.radians(rng.uniform(*AZIMUTHS[clip.view])) * rng.choice([-1.0, 1.0])
        far = rng.uniform(2.8, 6.0) + (0.8 if clip.view != "behind" else 0.0)
        place = spot + far * np.array([math.sin(turn), -math.cos(turn)])
        aim = spot + np.array([0.0, 0.25])
        scene = Scene.model_validate(
            {
                **yard.tables,
                "name": clip.name,
                "seed": yard.seed,
                "camera": {
                    "position_m": [place[0], -place[1], rng.uniform(0.7, 1.5)],
                    "aim_m": [aim[0], -aim[1], 0.45 * person.height_m],
                    "roll_deg": rng.uniform(-1.5, 1.5),
                    "hfov_deg": rng.uniform(60.0, 70.0),
                },
                "picture": {"shutter_s": 1.0 / float(rng.choice([60.0, 100.0, 250.0]))},
                "shots": [{"aim_x_m": 0.0, "speed_mps": 6.0}],
            }
        )
        stage = set_stage(scene)
        design = scene.ball.design if scene.ball.design in BALLS else "white"
        foot = "left" if (clip.number + clip.number // 4) % 2 else "right"
        kicks = []
        for _ in range(KICKS_A_CLIP):
            heading = math.atan2(spot[0], yard.back_m) + math.radians(rng.normal(0.0, 3.0))
            wish = wished(rng, foot)
            kicks.append(Kicking.plan(person, wish, spot, heading, yard.ball_radius_m))
        gap = SPAN_S[1] - SPAN_S[0]
        return cls(
            clip,
            scene,
            Easel.open(stage, stage.camera, still_air=True),
            person,
            outfit(person, rng),
            design,
            kicks,
            [float(rng.uniform(5.0, 12.0)) for _ in kicks],
            [
                i * gap - SPAN_S[0] + float(rng.uniform(0, 1 / clip.rate_hz))
                for i in range(len(kicks))
            ],
        )

    @property
    def camera(self) -> Camera:
        """Where it is filmed from."""
        return self.easel.camera

    @property
    def light(self) -> Light:
        """Sun and sky."""
        return self.easel.stage.light

    def kick_at(self, time_s: float) -> int:
        """Which kick is on at a time."""
        gap = SPAN_S[1] - SPAN_S[0]
        return min(len(self.kicks) - 1, int(time_s / gap))

    def ball(self, kick: Kicking, t_s: float, speed_mps: float) -> tuple[Floats, Floats]:
        """Middle (3,) and turn (3, 3) of the ball, seconds from contact."""
        t = min(max(t_s, 0.0), speed_mps / SLOWS_MPS2)
        way = speed_mps * t - 0.5 * SLOWS_MPS2 * t * t
        ahead = np.array([-math.sin(kick.shot), math.cos(kick.shot)])
        roll = way / kick.radius_m
        across = np.array([ahead[1], -ahead[0], 0.0])
        # Rolling forwards turns the top ahead: about the axis to the left (Rodrigues).
        k = -across
        cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
        spin = np.eye(3) - math.sin(roll) * cross + (1 - math.cos(roll)) * cross @ cross
        return np.array([*(kick.spot_m + way * ahead), kick.radius_m]), spin

    def meshes(self, time_s: float) -> tuple[list[Mesh], Floats]:
        """What moves, as meshes, and as casters of shadows (n, 8)."""
        i = self.kick_at(time_s)
        kick, t = self.kicks[i], (time_s - self.contacts_s[i]) / self.clip.slowed
        turns, begin = kick.pose(t)
        body = Mesh(skin(self.person, turns, begin), self.person.faces, self.coat)
        middle, spin = self.ball(kick, t, self.speeds_mps[i])
        ball = ball_mesh(middle, kick.radius_m, spin, self.design)
        return [body, ball], casters_of(self.person, turns, begin, middle, kick.radius_m)

    def paint(self, time_s: float) -> tuple[Picture, list[tuple[int, int, int, int]]]:
        """Linear picture at a time, and the boxes in which it differs from the still one."""
        easel = self.easel
        canvas = easel.still.copy()
        shutter = self.scene.picture.shutter_s
        near = abs(time_s - self.contacts_s[self.kick_at(time_s)]) < DENSE_S
        takes = TAKES if near else 1
        open_s = min(shutter * self.clip.slowed, 1 / self.clip.rate_hz)
        moments = [self.meshes(time_s + open_s * q) for q in (np.arange(takes) + 0.5) / takes - 0.5]
        boxes = []
        shade = shade_of(easel.caster, easel.scenery, np.stack([m[1] for m in moments]))
        if shade is not None:
            darken(
                canvas,
                *shade.box[:2],
                easel.scenery.sun,
                easel.scenery.sky,
                easel.bare,
                shade.sun_taken,
                shade.sky_left,
            )
            boxes.append(shade.box)
        lamp = (self.light.to_sun, self.light.sun, self.light.sky)
        layer = draw(self.camera, [m[0] for m in moments], lamp)
        if layer is not None:
            x0, y0, x1, y1 = layer.box
            part = canvas[y0:y1, x0:x1]
            canvas[y0:y1, x0:x1] = part * (1.0 - layer.cover[..., None]) + layer.light
            boxes.append(layer.box)
        return canvas, boxes

    def film(self, path: Path) -> dict[str, Any]:
        """Write the clip; returns its truth."""
        p = self.scene.picture
        reach = 0.5 * math.hypot(WIDTH_PX, HEIGHT_PX)
        room = Darkroom.open(self.easel.still, p.noise, p.vignette, self.scene.seed, reach)
        gain = auto_gain(self.easel.still, self.scene)
        times = []
        with ClipWriter(
            path, WIDTH_PX, HEIGHT_PX, self.clip.rate_hz, p.codec, p.crf, p.preset
        ) as writer:
            for tick in self.ticks():
                times.append(float(tick * TIME_BASE))
                picture, boxes = self.paint(times[-1])
                writer.add(room.develop(picture, gain, boxes), tick)
        return self.truth(times)

    def ticks(self) -> list[int]:
        """When pictures are taken, in units of the file's time base."""
        rate_hz = self.clip.rate_hz
        count = round(len(self.kicks) * (SPAN_S[1] - SPAN_S[0]) * rate_hz)
        return [round(i / rate_hz / TIME_BASE) for i in range(count)]

    def truth(self, times_s: list[float]) -> dict[str, Any]:
        """All that is known of the clip; goal frame where metres have one."""
        half = self.scene.width_m / 2
        rows = []
        for kick, contact_s in zip(self.kicks, self.contacts_s, strict=True):
            part, gap_m = touch(kick)
            seen = {
                f"{t:.6f}": {
                    name: self.camera.project(at).round(2).tolist()
                    for name, at in joints_at(kick, (t - contact_s) / self.clip.slowed).items()
                }
                for t in times_s
                if abs(t - contact_s) < 0.42
            }
            rows.append(
                {
                    "contact_s": contact_s,
                    "spot_m": [float(kick.spot_m[0]), -float(kick.spot_m[1])],
                    "foot": kick.wish.foot,
                    "touched": part,
                    "gap_m": gap_m,
                    "answers": answers(kick, np.zeros(2)),
                    "joints_px": seen,
                }
            )
        return {
            "name": self.clip.name,
            "person": self.person.name,
            "person_height_m": self.person.height_m,
            "slowed": self.clip.slowed,
            "camera": camera_record(self.camera),
            "inner_bases_m": [[-half, 0.0], [half, 0.0]],
            "ball_diameter_m": 2 * self.kicks[0].radius_m,
            "kicks": rows,
        }


def casters_of(
    person: Person, turns: Floats, begin: Floats, ball_m: Floats, ball_radius_m: float
) -> Floats:
    """Round cones (n, 8) that throw the body's and the ball's shadow."""
    h = person.height_m
    girth = {
        "pelvis": 0.085, "spine_02": 0.085, "spine_03": 0.085, "head": 0.06, "upperarm": 0.028,
        "lowerarm": 0.022, "hand": 0.018, "thigh": 0.05, "calf": 0.03, "foot": 0.024, "ball": 0.02,
    }  # fmt: skip
    rows = []
    for name, i in BONE_ROW.items():
        stem = name if name in girth else name.split("_")[0]
        if stem in girth:
            tip = begin[i] + turns[i] @ (person.tails_m[i] - person.heads_m[i])
            rows.append(round_cone(begin[i], girth[stem] * h, tip, girth[stem] * h * 0.9)[1])
    rows.append(round_cone(ball_m, ball_radius_m, ball_m, ball_radius_m)[1])
    return np.stack(rows)


def film_kicks(clip: KickClip, folder: Path) -> tuple[Path, dict[str, Any]]:
    """The clip's file and truth in a folder; filmed where they are missing."""
    path, told = folder / f"{clip.name}.mp4", folder / f"{clip.name}.json"
    if not told.exists():
        folder.mkdir(parents=True, exist_ok=True)
        truth = Shooting.ready(clip).film(path)
        told.write_text(json.dumps(truth))
    truth = json.loads(told.read_text())
    assert isinstance(truth, dict)
    return path, truth


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("split", choices=["develop", "report"])
    parser.add_argument("number", type=int)
    parser.add_argument("view", choices=VIEWS)
    parser.add_argument("--out", type=Path, default=Path())
    options = parser.parse_args()
    path, truth = film_kicks(KickClip(options.split, options.number, options.view), options.out)
    print(path, [k["touched"] for k in truth["kicks"]])


if __name__ == "__main__":
    main()
