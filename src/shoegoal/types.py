"""The plain data that travels between the floors: numbers with units, no behaviour to speak of.

Image points are (x right, y down) in pixels of the displayed (rotated) frame. Goal-frame points
are metres: origin midway between the markers' inner bases, x along the goal line to the kicker's
right, y from the goal back towards the kicker, z up. Times are presentation times in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured value and its standard deviation, both in the unit its field names."""

    value: float
    sigma: float


@dataclass(frozen=True, slots=True)
class ImagePoint:
    """A point of the displayed frame, px."""

    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True)
class Detection:
    """The ball as measured in one frame.

    Attributes
    ----------
    time_s : presentation time of the frame.
    x_px, y_px : centre of the disc; for a streak, the middle of the streak.
    diameter_px : diameter of the disc; for a streak, its width across the motion.
    sigma_px : standard deviation of the centre, per axis.
    diameter_sigma_px : standard deviation of the diameter.
    at_rest : the ball had not moved for several frames.
    ball_score : how surely this is a ball, 0..1.
    """

    time_s: float
    x_px: float
    y_px: float
    diameter_px: float
    sigma_px: float
    diameter_sigma_px: float
    at_rest: bool = False
    ball_score: float = 1.0

    @property
    def place(self) -> tuple[float, float, float]:
        """(x, y, diameter) of the disc, px."""
        return self.x_px, self.y_px, self.diameter_px


class Call(StrEnum):
    """What the tally says of one shot."""

    MAKE = "make"
    MISS = "miss"
    UNSURE = "unsure"


class Outcome(StrEnum):
    """How a shot ended, as far as it could be seen."""

    INSIDE = "inside"
    WIDE_LEFT = "wide left"
    WIDE_RIGHT = "wide right"
    SHORT = "short"
    MARKER_IN = "off the marker, in"
    MARKER_OUT = "off the marker, out"
    BLOCKED = "blocked"
    NOT_SEEN = "not seen"
    TOUCH = "touch"
    LOSS = "ball lost"


class EventKind(StrEnum):
    """What an event of a set is: a shot, or on a dribble stage a touch or a loss of the ball."""

    SHOT = "shot"
    TOUCH = "touch"
    LOSS = "ball lost"


@dataclass(frozen=True, slots=True)
class Shot:
    """One judged shot; or on a dribble stage a touch, or a loss of the ball, that was or was not.

    Attributes
    ----------
    number : 1-based, in order of time.
    kick_time_s : presentation time of contact.
    end_time_s : time at which the crossing, the stop or the loss of the ball was seen.
    p_make : probability that the shot is a make, 0..1; of a touch or a loss, that it happened.
    reason : for an unsure shot, what the person should look for; else how the call was reached.
    crossing_time_s, crossing_x_m, crossing_z_m : where and when the ball's centre met the goal
        line's plane (None when it never did).
    speed_mps : speed of the ball just after contact.
    kick_spot_m : (x, y) of the resting ball in the goal frame.
    path : sightings that the flight was fitted to.
    fitted_path_px : the fitted flight as image points, from contact to the end.
    kind : a shot, a touch or a loss; a touch or loss that happened has the call "make".
    p_shot : probability that it was a shot at all; `p_make` is given that it was. Of a touch or a
        loss, 1.
    """

    number: int
    kick_time_s: float
    end_time_s: float
    call: Call
    outcome: Outcome
    p_make: float
    reason: str
    crossing_time_s: float | None
    crossing_x_m: Estimate | None
    crossing_z_m: Estimate | None
    speed_mps: Estimate | None
    kick_spot_m: tuple[float, float] | None
    path: tuple[Detection, ...]
    fitted_path_px: tuple[ImagePoint, ...]
    kind: EventKind = EventKind.SHOT
    p_shot: float = 1.0
