"""Cues of the plant foot: beside the ball, level with it, and where it points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from shoegoal.form.motion import Kick
from shoegoal.form.reading import Measurement

F64 = npt.NDArray[np.float64]

# Height of the model's heel and toe over the ground, in a shoe; a child's differ by under 1 cm.
# Common practice, no source.
HEEL_UP_M, TOE_UP_M = 0.04, 0.03
MOST_OFF_M = 1.2  # a foot that far from the ball is another person's, or not on the ground
FOOT_M = (0.10, 0.45)  # lengths that a foot on the ground may seem to have


def plant_cues(kick: Kick) -> list[Measurement]:
    """Measure where the plant foot stands and points, over the ground.

    Its heel and its toe are put on the ground by their sight lines, in each picture in which it
    stands; the median of the pictures is taken.

    Returns
    -------
    ``plant_beside``, ``plant_fore_aft`` (cm) and ``plant_to_target`` (deg), each by the methods
    ``ground`` and, for the last, ``body`` (the network's own body in space); none where the foot
    cannot be where it seems.
    """
    found: list[Measurement] = []
    foot = standing_foot(kick)
    if foot is not None:
        heels, toes = foot
        middles = 100 * (heels + toes) / 2
        found.append(_measured("plant_beside", "ground", -kick.outwards * middles[:, 0]))
        found.append(_measured("plant_fore_aft", "ground", middles[:, 1]))
        lengths = np.hypot(*(toes - heels).T)
        if FOOT_M[0] <= np.median(lengths) <= FOOT_M[1]:
            found.append(_turned(kick, toes - heels, "ground"))
    times = [pose.time_s for pose in kick.stood]
    along = kick.world(kick.planted.toe, times) - kick.world(kick.planted.heel, times)
    found.append(_turned(kick, along[:, :2], "body"))
    return found


def standing_foot(kick: Kick) -> tuple[F64, F64] | None:
    """Heel and toe of the plant foot on the ground, (T, 2) m each, right and ahead of the ball.

    None where they do not lie on the ground near the ball.
    """
    leg = kick.planted
    heels = kick.space.on_level([p.points_px[leg.heel] for p in kick.stood], HEEL_UP_M)
    toes = kick.space.on_level([p.points_px[leg.toe] for p in kick.stood], TOE_UP_M)
    both = np.hstack([heels, toes])
    fine = np.isfinite(both).all(axis=1)
    heels, toes = heels[fine], toes[fine]
    if not len(heels):
        return None
    off = np.hypot(*np.median((heels + toes) / 2, axis=0))
    return (heels, toes) if off <= MOST_OFF_M else None


def _turned(kick: Kick, along: F64, method: str) -> Measurement:
    """Turn of heel-to-toe vectors (T, 2) from the shot, positive away from the kicking foot."""
    middle = np.median(along, axis=0)
    turn = _degrees(middle)
    spread = np.abs((_degrees(along.T) - turn + 180) % 360 - 180)
    sigma = _sigma_of_median(spread)
    return Measurement("plant_to_target", method, -kick.outwards * float(turn), sigma)


def _degrees(along: F64) -> F64:
    degrees: F64 = np.degrees(np.arctan2(along[0], along[1]))
    return degrees


def _measured(cue: str, method: str, values: F64) -> Measurement:
    value = float(np.median(values))
    return Measurement(cue, method, value, _sigma_of_median(np.abs(values - value)))


def _sigma_of_median(off: F64) -> float:
    """Tell the standard deviation of a median from the values' distances from it (as if normal)."""
    return float(1.4826 * np.median(off) / np.sqrt(len(off)))
