"""The cues of the pendulum: how far the leg swings back, and whether it comes through evenly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.cues.motion import Kick
from shoegoal.cues.reading import Measurement
from shoegoal.cues.skeleton import Joint

F64 = npt.NDArray[np.float64]

# The swing lies within these of contact; common practice, no source. Earlier the kicking leg still
# trails from its last step, and the two legs are hard to tell apart.
BACK_S, THROUGH_S = 0.35, 0.4
LEAST_BACK_S = 0.2  # seen less long than this before contact, the backswing may be missed
# A leg comes through the ball at several hundred degrees a second; slower is slow motion, of which
# the window holds only a part of the swing. Common practice, no source.
LEAST_DEG_PER_S = 140.0
QUICK_S = 0.12  # so near to contact
TRAILING_SIGMA = 4.0  # %, of a swing whose beginning was not seen (bench form, develop bodies)


@dataclass(frozen=True, slots=True, eq=False)
class Swing:
    """Angles of the kicking leg over time, from the vertical, positive ahead.

    Attributes
    ----------
    times_s : (M,) moments.
    leg_deg : (M,) of the line from hip to ankle.
    thigh_deg, shank_deg : (M,) of its two parts; their difference is the bend of the knee.
    """

    times_s: F64
    leg_deg: F64
    thigh_deg: F64
    shank_deg: F64


def swing_cues(kick: Kick) -> list[Measurement]:
    """Measure ``backswing`` (deg) and ``swing_evenness`` (%).

    By the method ``plane`` the joints are put on the upright plane along the shot, by the method
    ``body`` the network's own body in space is taken. Where the leg is farthest back or ahead at
    the window's edge it may have gone on, and nothing is said; but a leg that still trails from its
    last step there comes through all the same, and how evenly is seen, if less surely.
    """
    across = swing_of(kick) if kick.space.is_across else None
    if across is not None and not _is_quick(across, kick.contact_s):
        return []  # slow motion
    found = []
    for method, swing in (("plane", across), ("body", swing_of(kick, _in_body))):
        if swing is None:
            continue
        before = swing.times_s <= kick.contact_s
        back = int(np.argmin(np.where(before, swing.leg_deg, np.inf)))
        if back > 0:
            found.append(Measurement("backswing", method, -float(swing.leg_deg[back])))
        elif method == "body":
            continue
        through = back + int(np.argmax(swing.leg_deg[back:]))
        if through < len(swing.times_s) - 1:
            hit = int(np.searchsorted(swing.times_s, kick.contact_s))
            evenness = _evenness(np.append(swing.leg_deg[back:hit], swing.leg_deg[through]))
            sigma = 0.0 if back > 0 else TRAILING_SIGMA
            found.append(Measurement("swing_evenness", method, evenness, sigma))
    return found


def swing_of(kick: Kick, place: Callable[[Kick, Joint, F64], F64] | None = None) -> Swing | None:
    """Angles of the kicking leg over the swing; None where too little of it was seen."""
    moments = kick.moments(kick.contact_s - BACK_S, kick.contact_s + THROUGH_S)
    if not len(moments) or kick.contact_s - moments[0] < LEAST_BACK_S:
        return None
    if moments[-1] < kick.contact_s:
        return None
    leg = kick.kicking
    hip, knee, ankle = (
        (place or _on_plane)(kick, j, moments) for j in (leg.hip, leg.knee, leg.ankle)
    )
    swing = Swing(
        moments, _from_vertical(hip, ankle), _from_vertical(hip, knee), _from_vertical(knee, ankle)
    )
    return swing if np.isfinite(swing.leg_deg).all() else None


def _is_quick(swing: Swing, contact_s: float) -> bool:
    """Whether the leg comes through the ball as quickly as legs do."""
    near = np.abs(swing.times_s - contact_s) < QUICK_S
    speed = np.gradient(swing.leg_deg, swing.times_s)[near]
    return bool(len(speed) and speed.max() >= LEAST_DEG_PER_S)


def _evenness(through_deg: F64) -> float:
    """Forward share, %, of all turning from the farthest back to the farthest forward.

    Legs hitch on their way to the ball; after it, from contact to the farthest forward, only the
    net way counts, since there the pose model now and then loses the kicking leg.
    """
    steps = np.diff(through_deg)
    whole = float(np.abs(steps).sum())
    return 100 * float(steps.clip(0).sum()) / whole if whole > 0 else float("nan")


def _on_plane(kick: Kick, joint: Joint, moments: F64) -> F64:
    """(M, 2) ahead, up."""
    return kick.space.along_shot(kick.px(joint, moments))


def _in_body(kick: Kick, joint: Joint, moments: F64) -> F64:
    return kick.world(joint, moments)[:, 1:]


def _from_vertical(upper: F64, lower: F64) -> F64:
    """Angle, deg, of the line from an upper to a lower joint, (M, 2) ahead and up; ahead is +."""
    ahead, down = (lower - upper)[:, 0], (upper - lower)[:, 1]
    angle: F64 = np.degrees(np.arctan2(ahead, down))
    return angle
