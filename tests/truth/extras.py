"""Further tables of a scene: who else is there, the weather, what the film keeps of the set."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

# A moment of the set: shot number from 1, and seconds after its contact (before: negative). With
# number 0: seconds from the beginning of the set.
Moment = tuple[int, float]


class Part(BaseModel):
    """Base of the tables: unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class FriendPart(Part):
    """Somebody who waits by the goal, returns balls and stands in the way of shots.

    `place_m` is where he or she waits (x right, y back to the kicker), goal frame; negative y is
    behind the goal.
    """

    height_m: float = Field(default=1.6, ge=0.9, le=2.0)
    place_m: tuple[float, float] = (1.6, -0.7)
    outfit: int | None = None
    skin: int | None = None


class CrosserPart(Part):
    """What goes right through the picture, along y = `y_m` of the goal frame.

    A person, a dog, somebody who bounces a ball at every step, or a ball from another game. It
    passes x = `x_m` at the moment `when`. A ball's way is turned about that place by `turn_deg`;
    of its `height_m` nothing is used.
    """

    kind: Literal["person", "dog", "ball bouncer", "ball"]
    when: Moment
    y_m: float
    x_m: float = 0.0
    from_left: bool = True
    speed_mps: float = 1.6
    height_m: float = Field(default=1.6, ge=0.3, le=2.0)
    turn_deg: float = 0.0


class WeatherPart(Part):
    """Wind and lamps.

    `dapple` is the share of the sun that leaves overhead take away in patches, `wind` how strongly
    these patches and the hedge's leaves stir (1: a fresh breeze). Lamps flicker by `flicker` of
    their light at twice the mains frequency `mains_hz`.
    """

    wind: float = Field(default=0.0, ge=0.0, le=2.0)
    dapple: float = Field(default=0.0, ge=0.0, le=0.9)
    flicker: float = Field(default=0.0, ge=0.0, le=0.6)
    mains_hz: float = 50.0


class GapPart(Part):
    """A stretch of the set that the film lacks; `closed` when the times run on over the cut."""

    begins: Moment
    ends: Moment
    closed: bool


class FilmPart(Part):
    """What the film keeps of the set: all of it where nothing is said."""

    begins: Moment | None = None
    ends: Moment | None = None
    gaps: tuple[GapPart, ...] = ()
