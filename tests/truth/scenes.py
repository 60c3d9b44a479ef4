"""A scene in words and numbers: the small TOML file, checked on load."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field

from truth.extras import CrosserPart, FilmPart, FriendPart, Moment, Part, WeatherPart

Point = tuple[float, float, float]
# How the next ball comes to be kicked. "next_ball" is brought from beside the kick line, one "in a
# row" lies on that line and is kicked where it lies, one "tapped along" is tapped along it to the
# spot; "tapped back" takes several taps; a friend sends it back in the last three.
Fetch = Literal[
    "carry",
    "dribble",
    "kick_back",
    "tapped back",
    "next_ball",
    "in a row",
    "tapped along",
    "rolled",
    "kicked",
    "thrown",
]
# What is done with a ball that has come to rest, before it is fetched: the kicker taps it on over
# the line or across it, or the friend does.
Then = Literal["tapped on", "tapped across", "tapped by the friend"]
Seek = Literal["marker in", "marker out", "on the line", "just over"]
GroundName = Literal["grass", "concrete", "gravel", "indoor"]
WallName = Literal["brick", "plaster", "fence", "hedge", "net"]
MarkerName = Literal["shoe", "cone", "bottle", "bag"]
BallDesign = Literal["white", "classic", "yellow", "orange", "dark", "green"]


class CameraPart(Part):
    """Camera. Points are in the goal frame (x right, y back to the kicker, z up), metres.

    `hfov_deg` is across the picture's long side. `shake_deg` is the swing of an unsteady hand;
    at `bump_at_s` (or the moment `bump_when`) the view turns by `bump_deg` (yaw, pitch, roll) and
    stays there.
    """

    position_m: Point
    aim_m: Point
    roll_deg: float = 0.0
    hfov_deg: float = Field(default=66.0, gt=20, lt=120)
    k1: float = 0.0
    shake_deg: float = 0.0
    bump_at_s: float | None = None
    bump_when: Moment | None = None
    bump_deg: Point = (0.0, 0.0, 0.0)


class PicturePart(Part):
    """Sensor and file. Sizes are as displayed; `rotation_deg` is what a player turns clockwise.

    The exposure jumps by `jump_ev` at `jump_at_s` (or the moment `jump_when`). `smear` is how far
    a greasy patch on the lens veils what lies behind it, 0 to 1.
    """

    width_px: int = 1280
    height_px: int = 720
    rotation_deg: Literal[0, 90, 180, 270] = 0
    fps: float = 30.0
    variable_rate: bool = False
    codec: Literal["libx264", "libx265"] = "libx264"
    crf: int = 27
    preset: str = "veryfast"
    bits: Literal[8, 10] = 8
    shutter_s: float = 1.0 / 100.0
    noise: float = 1.0
    exposure_ev: float = 0.0
    jump_at_s: float | None = None
    jump_when: Moment | None = None
    jump_ev: float = 0.0
    vignette: float = 0.25
    warmth: float = 0.0
    smear: float = Field(default=0.0, ge=0.0, le=1.0)


class LightPart(Part):
    """Sun and sky. `sun_bearing_deg`: 0 beyond the goal, 90 to the kicker's right, 180 behind."""

    sun_bearing_deg: float = 140.0
    sun_height_deg: float = Field(default=45.0, gt=3, lt=90)
    sun: float = 3.0
    sky: float = 1.0
    haze_deg: float = 0.5
    cloud: float = 0.4


class WallPart(Part):
    """An upright plane across y = `y_m`, or along x = `x_m` (goal frame)."""

    kind: WallName
    y_m: float | None = None
    x_m: float | None = None
    height_m: float = 2.2
    rebounds: bool = True


class GoalPart(Part):
    """The student's set-up, in the student's own steps. A marker that `topples` falls when hit.

    `paced` is the true width over what its steps would measure: nobody paces alike twice.
    """

    width_steps: int = 4
    back_steps: int = 10
    step_m: float = Field(default=0.6, ge=0.4, le=0.9)
    paced: float = 1.0
    left: MarkerName = "cone"
    right: MarkerName = "cone"
    topples: bool = False


class BallPart(Part):
    """The ball. `girth_m` is its true circumference, where it is not the usual one of its size."""

    size: Literal[3, 4, 5] = 5
    girth_m: float | None = None
    design: BallDesign = "white"


class KickerPart(Part):
    """The student. Colours are drawn from the seed where not given.

    One whose run-up is `straight` waits right behind the ball.
    """

    height_m: float = Field(default=1.5, ge=1.0, le=2.0)
    foot: Literal["left", "right"] = "right"
    walk_mps: float = 1.9
    strides: int = Field(default=3, ge=2, le=4)
    straight: bool = False
    outfit: int | None = None
    skin: int | None = None


class RulePart(Part):
    """The stage's rule: so many makes out of so many shots."""

    makes: int = 3
    shots: int = 6


class ShotPart(Part):
    """One shot: where the ball is sent and what the student does next.

    `aim_x_m` is where the straight line from the kick spot meets the goal line. With `seek` the
    aim (on that side of the goal) or the speed is searched for until the shot ends like that.
    With `stops_m` the speed is searched for at which the ball's centre would stop so far beyond the
    goal line (before it: negative). A `fluff` before the shot barely moves the ball, by `fluff_m`
    where that is given; it is put back, or kicked where it lies if it `stays`. The ball is put down
    `closer_m` in front of the kick line. A shot that is `blocked` meets the friend.
    """

    aim_x_m: float
    speed_mps: float
    loft_deg: float = 0.0
    fetch: Fetch = "carry"
    through_goal: bool = False
    idle_s: float = 0.8
    seek: Seek | None = None
    stops_m: float | None = None
    then: Then | None = None
    fluff: bool = False
    fluff_m: float | None = None
    stays: bool = False
    closer_m: float = 0.0
    blocked: bool = False


class Scene(Part):
    """Everything a clip is made from.

    `nuisance` names what makes the set hard; `honest` is what an honest count may do with it:
    judge it, judge or refuse it as a whole, or judge it up to the camera's bump.
    """

    name: str
    seed: int
    camera: CameraPart
    picture: PicturePart = PicturePart()
    light: LightPart = LightPart()
    ground: GroundName = "grass"
    walls: tuple[WallPart, ...] = ()
    props: int = 0
    goal: GoalPart = GoalPart()
    ball: BallPart = BallPart()
    kicker: KickerPart = KickerPart()
    rule: RulePart = RulePart()
    ground_drag: bool = False
    shots: tuple[ShotPart, ...]
    friend: FriendPart | None = None
    crossers: tuple[CrosserPart, ...] = ()
    weather: WeatherPart = WeatherPart()
    film: FilmPart = FilmPart()
    nuisance: str = ""
    honest: Literal["judge", "judge or refuse", "judge up to the bump"] = "judge"

    @property
    def width_m(self) -> float:
        """Distance between the inner marker bases."""
        return self.goal.width_steps * self.goal.step_m * self.goal.paced

    @property
    def back_m(self) -> float:
        """Distance from the goal line to the kick line."""
        return self.goal.back_steps * self.goal.step_m


def load_scene(path: Path | str) -> Scene:
    """Read a scene file.

    Raises
    ------
    pydantic.ValidationError
        A key or value that no scene has.
    """
    with Path(path).open("rb") as f:
        return Scene.model_validate(tomllib.load(f))


def _merge(base: dict[str, Any], extra: dict[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in extra.items():
        old = out.get(key)
        both = isinstance(old, dict) and isinstance(value, dict)
        out[key] = _merge(old, value) if both else value  # type: ignore[arg-type]
    return out


def random_scene(
    seed: int,
    view: Literal["behind", "oblique", "side"] = "behind",
    shot_count: int = 5,
    **overrides: Any,
) -> Scene:
    """A scene drawn from a seed: same seed, same scene.

    Parameters
    ----------
    view
        Where the camera stands. "oblique" is behind and well to one side.
    shot_count
        How many.
    overrides
        Fields of Scene; a dict is merged into the drawn table, anything else replaces it.
        A bump, an unsteady hand, an exposure jump or a close call come in only this way.
    """
    rng = np.random.default_rng([seed, 41])

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 3)

    def one_of(*choices: Any) -> Any:
        return choices[int(rng.integers(len(choices)))]

    ground = one_of("grass", "grass", "concrete", "gravel", "indoor")
    # Speeds are drawn to suit the ground, so a chosen ground counts from the start.
    ground = overrides.get("ground", ground)
    step = between(0.45, 0.72)
    width_steps = int(rng.integers(3, 7))
    back_steps = int(one_of(10, 10, 12, 15))
    back, half = back_steps * step, width_steps * step / 2.0
    walled = ground == "indoor" or rng.random() < 0.75
    wall_kind = "plaster" if ground == "indoor" else one_of("brick", "plaster", "fence", "hedge")
    gap = between(0.9, 2.6)
    walls = [{"kind": wall_kind, "y_m": -gap, "height_m": between(1.7, 3.0)}] if walled else []
    if ground == "indoor":
        walls[0]["height_m"] = 6.0
        side = half + max(3.4, back * 0.62) + between(0.8, 2.0)
        walls += [{"kind": "plaster", "x_m": x, "height_m": 6.0} for x in (-side, side)]
    height = between(0.35, 1.75)
    if view == "behind":
        place = [between(-0.6, 0.6), back + between(2.4, 5.5), height]
        aim = [between(-0.15, 0.15), back * 0.35, 0.35]
    elif view == "oblique":
        place = [one_of(-1, 1) * (half + between(1.0, 2.0)), back + between(2.2, 4.0), height]
        aim = [0.0, back * 0.42, 0.35]
    else:
        away = half + max(3.4, back * 0.62)
        place = [one_of(-1, 1) * away, between(0.3, 2.0), height]
        aim = [0.0, back * 0.45, 0.35]
    # Common practice, no source: rolls to a stop by ground; must match motion.GOINGS.
    roll = {"grass": 0.91, "concrete": 0.35, "gravel": 1.9, "indoor": 0.25}[ground]
    drawn = []
    for _ in range(shot_count):
        further = between(3.0, 9.0) if walled else between(1.2, 3.0)
        speed = math.sqrt(2.0 * roll * (back + further)) * (between(1.0, 1.5) if walled else 1.0)
        if rng.random() < 0.08:
            speed = math.sqrt(2.0 * roll * back * between(0.45, 0.85))
        drawn.append(
            {
                "aim_x_m": round(float(rng.normal(0.0, 0.75 * half)), 3),
                "speed_mps": round(speed, 2),
                "loft_deg": between(9, 20) if walled and rng.random() < 0.12 else 0.0,
                "fetch": one_of("carry", "carry", "dribble", "kick_back"),
                "through_goal": bool(rng.random() < 0.3),
                "idle_s": between(0.4, 1.4),
            }
        )
    sunny = rng.random() < 0.6 and ground != "indoor"
    base: dict[str, Any] = {
        "name": f"drawn {seed}",
        "seed": seed,
        "ground": ground,
        "props": int(rng.integers(0, 4)) if walled and ground != "indoor" else 0,
        "walls": walls,
        "camera": {
            "position_m": place,
            "aim_m": aim,
            "roll_deg": between(-2.0, 2.0),
            "hfov_deg": between(60, 75),
        },
        "picture": {
            "fps": float(one_of(24, 30, 30, 30, 60)),
            "crf": int(rng.integers(23, 30)),
            "shutter_s": 1.0 / float(one_of(60, 100, 120)),
            "noise": between(0.6, 1.8),
            "warmth": between(-0.06, 0.06),
        },
        "light": {
            "sun_bearing_deg": between(0, 360),
            "sun_height_deg": between(22, 65),
            "sun": between(2.2, 3.2) if sunny else between(0.2, 0.9),
            "sky": between(0.8, 1.2),
            "haze_deg": 0.5 if sunny else 8.0,
            "cloud": between(0.2, 0.5) if sunny else between(0.7, 0.95),
        },
        "goal": {
            "width_steps": width_steps,
            "back_steps": back_steps,
            "step_m": step,
            "left": one_of("shoe", "cone", "bottle", "bag"),
            "right": one_of("shoe", "cone", "bottle", "bag"),
        },
        "ball": {
            "size": int(one_of(3, 4, 5)),
            "design": one_of("white", "classic", "yellow", "orange", "dark", "green"),
        },
        "kicker": {
            "height_m": between(1.25, 1.75),
            "foot": one_of("right", "right", "left"),
            "walk_mps": between(1.9, 2.9),
            "strides": int(one_of(2, 3)),
        },
        "rule": {"makes": max(1, shot_count // 2), "shots": shot_count},
        "shots": drawn,
    }
    return Scene.model_validate(_merge(base, overrides))
