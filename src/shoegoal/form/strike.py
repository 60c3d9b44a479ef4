"""The cue of contact: the side of the foot or its toe."""

from __future__ import annotations

import numpy as np

from shoegoal.form.motion import Kick
from shoegoal.form.reading import Measurement

FOOT_UP_M = 0.09  # a foot that meets a ball on the ground near its middle; no source
FOOT_M = (0.06, 0.5)  # lengths that it may seem to have at that height


def contact_cue(kick: Kick) -> list[Measurement]:
    """Measure how far the kicking foot is turned out at contact: ``contact_turn``, deg.

    By the method ``ground``, its heel and toe are put on a level plane at the ball's height; by the
    method ``body``, the network's own body in space is taken.
    """
    leg, found = kick.kicking, []
    ends = [kick.px(joint, kick.contact_s)[0] for joint in (leg.heel, leg.toe)]
    heel, toe = kick.space.on_level(ends, FOOT_UP_M)
    along = toe - heel
    if np.isfinite(along).all() and FOOT_M[0] <= np.hypot(*along) <= FOOT_M[1]:
        found.append(Measurement("contact_turn", "ground", _outwards_deg(kick, along)))
    body = (kick.world(leg.toe, kick.contact_s) - kick.world(leg.heel, kick.contact_s))[0]
    found.append(Measurement("contact_turn", "body", _outwards_deg(kick, body[:2])))
    return found


def _outwards_deg(kick: Kick, along: np.typing.NDArray[np.float64]) -> float:
    """Turn of a direction (right, ahead) towards the kicking side, -90 to 270."""
    turn = float(np.degrees(np.arctan2(kick.outwards * along[0], along[1])))
    return turn if turn >= -90 else turn + 360
