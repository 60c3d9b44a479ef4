"""Where the phone goes: the nearest place from which it sees all that a stage needs.

Lengths are metres in the goal frame: x along the goal line to the kicker's right, y from the goal
back towards the kicker. Cheap to import (standard library only).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from shoegoal.ladder.rules import Stage

# A pupil's step as the drawings take it; every child's own differs, so the text speaks of steps.
STEP_M = 0.6
# The narrowest field of view that phones have across the long side, and its share that is used:
# nobody aims a phone exactly (common practice, no source).
HFOV_DEG, USED_SHARE = 60.0, 0.9
ASPECT = 16.0 / 9.0
MOST_TILT_DEG = 45
CHEST_HEIGHT_M, HIP_HEIGHT_M, KNEE_HEIGHT_M = 1.2, 0.8, 0.5
LEAST_BEHIND_M, MOST_BEHIND_M = 2.0, 6.0
BESIDE_MARKERS_M = 1.0
ASIDE_STEPS = 3  # so that the kicker does not hide the ball on its way
DRIBBLE_STEPS = 4  # side of the square in which the ball is kept


@dataclass(frozen=True, slots=True)
class PhonePlace:
    """A place for the phone, and what it then sees.

    Attributes
    ----------
    behind_steps : steps behind the kick spot; for touches, from the middle of the square.
    aside_steps : steps to the side of the kicking foot; drawn for the right foot.
    height_m : above the ground.
    x_m, y_m : the same place in the goal frame; for touches, in a frame whose origin is the middle
        of the square and whose y points to the phone.
    pan_deg : turn of the view from square at the goal line, to the left as the phone looks.
    tilt_deg : turn of the view downwards.
    """

    behind_steps: int
    aside_steps: int
    height_m: float
    x_m: float
    y_m: float
    pan_deg: float
    tilt_deg: float

    @property
    def edges_deg(self) -> tuple[float, float]:
        """Bearings of the picture's left and right edge, to the left of square."""
        half = HFOV_DEG / 2.0
        return self.pan_deg + half, self.pan_deg - half


def needed_points_m(stage: Stage) -> list[tuple[float, float, float]]:
    """Points (x, y, z) that have to be in the picture.

    For shots: a metre beside each marker, a ball a metre up over the goal line, the kick spot, and
    the kicker's standing foot (half a metre beside and behind the ball). For touches: the corners
    of the square, and the middle up to the hips.
    """
    if stage.width_steps is None or stage.back_steps is None:
        half = DRIBBLE_STEPS * STEP_M / 2.0
        corners = [(x, y, 0.0) for x in (-half, half) for y in (-half, half)]
        return [*corners, (0.0, 0.0, HIP_HEIGHT_M)]
    beside = stage.width_steps * STEP_M / 2.0 + BESIDE_MARKERS_M
    back = stage.back_steps * STEP_M
    return [
        (-beside, 0.0, 0.0),
        (beside, 0.0, 0.0),
        (0.0, 0.0, 1.0),
        (0.0, back, 0.0),
        (-0.5, back + 0.5, 0.0),
    ]


def phone_place(stage: Stage) -> PhonePlace:
    """Find the nearest place, in whole steps behind the kick spot, that sees all that is needed.

    The picture's long side is level. What is needed has to lie within `USED_SHARE` of the field of
    view, sideways and upright.
    """
    if stage.back_steps is None:
        aside, height, back = 0, KNEE_HEIGHT_M, 0.0
    else:
        aside, height, back = ASIDE_STEPS, CHEST_HEIGHT_M, stage.back_steps * STEP_M
    points = needed_points_m(stage)
    for behind in range(math.ceil(LEAST_BEHIND_M / STEP_M), int(MOST_BEHIND_M / STEP_M) + 1):
        x, y = aside * STEP_M, back + behind * STEP_M
        left_deg = [math.degrees(math.atan2(x - px, y - py)) for px, py, _ in points]
        pan = (max(left_deg) + min(left_deg)) / 2.0
        away = [(px - x, py - y, pz - height) for px, py, pz in points]
        for tilt in range(MOST_TILT_DEG + 1):
            if all(_is_in_picture(point, pan, tilt) for point in away):
                return PhonePlace(behind, aside, height, x, y, pan, float(tilt))
    raise AssertionError("every stage within its ranges has a place")


def _is_in_picture(away_m: tuple[float, float, float], pan_deg: float, tilt_deg: float) -> bool:
    """Whether a point is drawn within the used share of the picture, by a pinhole camera.

    Parameters
    ----------
    away_m : (x, y, z) from the phone.
    pan_deg, tilt_deg : turn to the left of square at the goal line, and downwards.
    """
    pan, tilt = math.radians(pan_deg), math.radians(tilt_deg)
    x, y, z = away_m
    right = x * math.cos(pan) - y * math.sin(pan)
    ahead = -x * math.sin(pan) - y * math.cos(pan)
    depth = ahead * math.cos(tilt) - z * math.sin(tilt)
    down = -ahead * math.sin(tilt) - z * math.cos(tilt)
    half_wide = USED_SHARE * math.tan(math.radians(HFOV_DEG / 2.0))
    return depth > 0 and abs(right) <= half_wide * depth and abs(down) <= half_wide / ASPECT * depth
