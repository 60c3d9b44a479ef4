"""From the pictures round a kick to what is said of each cue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shoegoal.cues.bands import load_bands, load_errors
from shoegoal.cues.eyes import eyes_cue
from shoegoal.cues.follow import follow_through_cue
from shoegoal.cues.motion import Kick
from shoegoal.cues.plant import plant_cues
from shoegoal.cues.reading import Measurement, Reading, cannot_tell, judge
from shoegoal.cues.sides import Side, kicking_side, legs_swapped, legs_untangled
from shoegoal.cues.skeleton import LEFT_LEG, RIGHT_LEG, Pose
from shoegoal.cues.space import ShotSpace, View
from shoegoal.cues.standing import legs_by_standing, standing_foot
from shoegoal.cues.strike import contact_cue
from shoegoal.cues.swing import swing_cues

LEAST_POSES = 5  # with fewer, neither a swing nor a plant foot can be told
# The model now and then makes up a body where none is; of such, it calls no leg visible. Dressed
# bodies that are there show 0.75 and more (bench form, 1407 pictures).
LEAST_VISIBLE = 0.4
# At contact the foot shows at most half a ball off its middle, seen from any side; with what the
# moment and the joints are off, 0.8 diameters in 19 of 20 kicks (bench form, kicks to develop on).
MOST_DIAMETERS_OFF = 1.0
NEAREST_S = 0.08  # the kicker must be seen this near to contact


UNTOLD_FOOT = "it could not be told which foot kicked"
_LEGS = [*LEFT_LEG.rows, *RIGHT_LEG.rows]


@dataclass(frozen=True, slots=True, eq=False)
class KickForm:
    """The form of one kick.

    Attributes
    ----------
    side : kicking foot; None where it could not be told.
    readings : one for each cue, in the order of the bands.
    kick : poses and legs; None where there were too few.
    measurements : all numbers by all methods, before any judging.
    why_not : why nothing could be read; empty otherwise.
    """

    side: Side | None
    readings: tuple[Reading, ...]
    kick: Kick | None
    measurements: tuple[Measurement, ...]
    why_not: str


def read_kick(
    space: ShotSpace, contact_s: float, poses: Sequence[Pose], view: View | None = None
) -> KickForm:
    """Read a kick's form from the poses round it.

    Parameters
    ----------
    space : the space round the kick.
    contact_s : presentation time of contact.
    poses : as found, in order of time.
    view : of all kicks that the phone filmed; the space's own where it is not given.

    Returns
    -------
    A reading for every cue; those that cannot be told say why.
    """
    kick, why_not = _kick(space, contact_s, poses)
    measurements = () if kick is None else measure_kick(kick)
    errors = load_errors()
    readings = tuple(
        judge(
            band,
            [m for m in measurements if m.cue == cue],
            view or space.view,
            errors.get(cue, ()),
            why_not,
        )
        for cue, band in load_bands().items()
    )
    return KickForm(kick.side if kick else None, readings, kick, measurements, why_not)


def unread(why: str) -> tuple[Reading, ...]:
    """Give readings of a kick of which nothing can be told, each saying why."""
    return tuple(cannot_tell(band, (), why) for band in load_bands().values())


def measure_kick(kick: Kick) -> tuple[Measurement, ...]:
    """Measure every cue by every method."""
    return (
        *plant_cues(kick),
        *swing_cues(kick),
        *contact_cue(kick),
        *follow_through_cue(kick),
        *eyes_cue(kick),
    )


def _kick(space: ShotSpace, contact_s: float, poses: Sequence[Pose]) -> tuple[Kick | None, str]:
    poses = [pose for pose in poses if np.median(pose.visibility[_LEGS]) >= LEAST_VISIBLE]
    if len(poses) < LEAST_POSES or min(abs(p.time_s - contact_s) for p in poses) > NEAREST_S:
        return None, "the kicker's body was not found round the kick"
    untangled = legs_untangled(poses)
    ball, diameter_px = space.ball_px
    side = kicking_side(untangled, contact_s, (ball.x_px, ball.y_px), diameter_px)
    if side is None:
        return None, UNTOLD_FOOT
    seen = standing_foot(untangled, contact_s)
    if seen is not None:
        untangled = legs_by_standing(untangled, seen, contact_s)
    if seen is not None and seen.side is side:
        return None, UNTOLD_FOOT
    kick = Kick(space, contact_s, untangled, side, seen)
    if _stands_beyond(kick):
        # From the side the pose model takes one leg for the other all along.
        seen = None if seen is None else replace(seen, side=seen.side.other)
        kick = Kick(space, contact_s, [legs_swapped(p) for p in untangled], side.other, seen)
        if _stands_beyond(kick):
            return None, UNTOLD_FOOT
    if kick.foot_off_ball() > MOST_DIAMETERS_OFF:
        return None, "the moment of contact does not fit the foot's way to the ball"
    return kick, ""


def _stands_beyond(kick: Kick) -> bool:
    """Whether the plant foot stands on the kicking foot's side of the ball, where nobody stands."""
    return kick.plant is not None and kick.outwards * kick.plant.right_m > 2 * kick.plant.sigmas[0]
