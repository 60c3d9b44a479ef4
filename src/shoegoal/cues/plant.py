"""Cues of the plant foot: beside the ball, level with it, and where it points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from shoegoal.cues.foot import FootFit
from shoegoal.cues.motion import Kick
from shoegoal.cues.reading import Measurement

F64 = npt.NDArray[np.float64]

MOST_OFF_CM = 70.0  # a foot that far from the ball is another person's, or not on the ground
MOST_TURN_DEG = 90.0  # nobody stands on a foot that points back


def plant_cues(kick: Kick) -> list[Measurement]:
    """Measure where the plant foot stands and points, over the ground.

    Returns
    -------
    ``plant_beside``, ``plant_fore_aft`` (cm) and ``plant_to_target`` (deg), by the method ``foot``;
    none where the foot is hidden or cannot be where it seems.
    """
    told = _told(kick, kick.plant)
    if told is None:
        return []
    (beside, ahead, turn), own = told
    if beside < 0 or np.hypot(beside, ahead) > MOST_OFF_CM:
        return []
    # What the scene leaves open: the same foot on grounds that are one standard deviation off.
    others = [_told(kick, kick.plant_fit(space)) for space in kick.space.neighbours]
    shifts = [other[0] - told[0] for other in others if other is not None]
    across, along, turned = np.sqrt(own**2 + np.sum(np.square(shifts), axis=0))
    found = [
        Measurement("plant_beside", "foot", beside, across),
        Measurement("plant_fore_aft", "foot", ahead, along),
    ]
    if abs(turn) <= MOST_TURN_DEG:
        found.append(Measurement("plant_to_target", "foot", turn, turned))
    return found


def _told(kick: Kick, fit: FootFit | None) -> tuple[F64, F64] | None:
    """Values and standard deviations of the three cues, (3,) each."""
    if fit is None:
        return None
    out, scales = kick.outwards, np.array([100.0, 100.0, np.degrees(1.0)])
    value = np.array([-out * fit.right_m, fit.ahead_m, -out * fit.turn_rad]) * scales
    return value, np.array(fit.sigmas) * scales
