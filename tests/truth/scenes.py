"""A scene in words and numbers: the small TOML file, checked on load."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Point = tuple[float, float, float]
Fetch = Literal["carry", "dribble", "kick_back", "next_ball"]
GroundName = Literal["grass", "concrete", "gravel", "indoor"]
WallName = Literal["brick", "plaster", "fence", "hedge"]
MarkerName = Literal["shoe", "cone", "bottle", "bag"]
BallDesign = Literal["white", "classic", "yellow", "orange", "dark", "green"]


class Part(BaseModel):
    """Base of the tables: unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class CameraPart(Part):
    """Camera. Points are in the goal frame (x right, y back to the kicker, z up), metres.

    `hfov_deg` is across the picture's long side. `shake_deg` is the swing of an unsteady hand;
    at `bump_at_s` the view turns by `bump_deg` (yaw, pitch, roll) and stays there.
    """

    position_m: Point
    aim_m: Point
    roll_deg: float = 0.0
    hfov_deg: float = Field(66.0, gt=20, lt=120)
    k1: float = 0.0
    shake_deg: float = 0.0
    bump_at_s: float | None = None
    bump_deg: Point = (0.0, 0.0, 0.0)


class PicturePart(Part):
    """Sensor and file. Sizes are as displayed; `rotation_deg` is what a player turns clockwise."""

    width_px: int = 1280
    height_px: int = 720
    rotation_deg: Literal[0, 90, 180, 270] = 0
    fps: float = 30.0
    variable_rate: bool = False
    codec: Literal["libx264", "libx265"] = "libx264"
    crf: int = 27
    preset: str = "veryfast"
    shutter_s: float = 1.0 / 100.0
    noise: float = 1.0
    exposure_ev: float = 0.0
    jump_at_s: float | None = None
    jump_ev: float = 0.0
    vignette: float = 0.25
    warmth: float = 0.0


class LightPart(Part):
    """Sun and sky. `sun_bearing_deg`: 0 beyond the goal, 90 to the kicker's right, 180 behind."""

    sun_bearing_deg: float = 140.0
    sun_height_deg: float = Field(45.0, gt=3, lt=90)
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
    """The student's set-up, in the student's own steps."""

    width_steps: int = 4
    back_steps: int = 10
    step_m: float = Field(0.6, ge=0.4, le=0.9)
    left: MarkerName = "cone"
    right: MarkerName = "cone"


class BallPart(Part):
    """The ball."""

    size: Literal[3, 4, 5] = 5
    design: BallDesign = "white"


class KickerPart(Part):
    """The student. Colours are drawn from the seed where not given."""

    height_m: float = Field(1.5, ge=1.0, le=2.0)
    foot: Literal["left", "right"] = "right"
    walk_mps: float = 1.9
    strides: int = Field(3, ge=2, le=4)
    outfit: int | None = None
    skin: int | None = None


class RulePart(Part):
    """The stage's rule: so many makes out of so many shots."""

    makes: int = 3
    shots: int = 6


class ShotPart(Part):
    """One shot: where the ball is sent and what the student does next.

    `aim_x_m` is where the straight line from the kick spot meets the goal line.
    """

    aim_x_m: float
    speed_mps: float
    loft_deg: float = 0.0
    fetch: Fetch = "carry"
    through_goal: bool = False
    idle_s: float = 0.8


class Scene(Part):
    """Everything a clip is made from."""

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

    @property
    def width_m(self) -> float:
        """Distance between the inner marker bases."""
        return self.goal.width_steps * self.goal.step_m

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
