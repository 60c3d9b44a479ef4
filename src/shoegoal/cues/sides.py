"""Left and right: swaps of the legs undone, and which foot kicked."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from shoegoal.cues.skeleton import LEFT_LEG, RIGHT_LEG, Leg, Pose
from shoegoal.cues.smooth import smoothed

F64 = npt.NDArray[np.float64]

# Hips hardly tell the legs apart.
_TOLD_BY = (1, 2, 3, 4)
TELEPORT = 1.0  # a joint that is off by more than a leg's length costs no more
CONTRADICTED = 0.02  # cost, in squared leg lengths, of not believing the model's own left and right
NEAR_CONTACT_S = 0.12
LEAST_RATIO = 1.4  # the kicking foot is so many times faster than the plant foot at contact
MOST_DIAMETERS_OFF = 2.5  # a foot that came no nearer to the ball did not kick it


class Side(StrEnum):
    """The person's own left or right."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def leg(self) -> Leg:
        """Rows of that leg."""
        return LEFT_LEG if self is Side.LEFT else RIGHT_LEG

    @property
    def other(self) -> Side:
        """The other one."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT


def legs_untangled(poses: Sequence[Pose]) -> list[Pose]:
    """Undo swaps of the left and the right leg between pictures.

    Of all ways to swap or not in each picture, the one is taken in which the joints move most
    evenly (smallest second differences over the pictures' own times) and which contradicts the
    model the least; it is found by dynamic programming over pairs of neighbouring pictures.

    Parameters
    ----------
    poses : of one person, in order of time.

    Returns
    -------
    The same poses, with the legs of some swapped.
    """
    count = len(poses)
    if count < 3:
        return list(poses)
    times = np.array([pose.time_s for pose in poses])
    legs = np.stack([_legs(pose) for pose in poses])  # (T, 2, joints, 2)
    length = float(np.median(_leg_lengths(poses)))
    both = np.stack([legs, legs[:, ::-1]], axis=1) / max(length, 1e-6)  # (T, swapped?, ...)
    cost = np.full((count, 2, 2), np.inf)  # by picture, its state and the state before
    back = np.zeros((count, 2, 2), dtype=int)
    cost[1] = [[CONTRADICTED * (now + before) for before in (0, 1)] for now in (0, 1)]
    for t in range(2, count):
        share = (times[t] - times[t - 1]) / max(1e-9, times[t - 1] - times[t - 2])
        for now in (0, 1):
            for before in (0, 1):
                foreseen = both[t - 1, before] + share * (both[t - 1, before] - both[t - 2])
                off = np.sum((both[t, now] - foreseen) ** 2, axis=-1) / (1 + share) ** 2
                bent = np.minimum(off, TELEPORT).sum(axis=(1, 2))
                ways = cost[t - 1, before] + bent
                back[t, now, before] = int(np.argmin(ways))
                cost[t, now, before] = ways.min() + CONTRADICTED * now
    states = list(divmod(int(np.argmin(cost[-1])), 2))  # the last picture's, the one before
    for t in range(count - 1, 1, -1):
        states.append(int(back[t, states[-2], states[-1]]))
    return [legs_swapped(p) if swap else p for p, swap in zip(poses, reversed(states), strict=True)]


def kicking_side(
    poses: Sequence[Pose], contact_s: float, ball_px: tuple[float, float], ball_diameter_px: float
) -> Side | None:
    """Tell the kicking foot: the one that moves fast at contact and comes to the ball.

    Parameters
    ----------
    poses : untangled, in order of time.
    contact_s : time of contact.
    ball_px, ball_diameter_px : the ball before the kick.

    Returns
    -------
    The side; None where neither foot is clearly the faster, or the faster one stays off the ball.
    """
    near = [pose for pose in poses if abs(pose.time_s - contact_s) <= NEAR_CONTACT_S]
    if len(near) < 3:
        return None
    times = np.array([pose.time_s for pose in poses])
    moments = np.linspace(near[0].time_s, near[-1].time_s, 9)
    speeds = {}
    for side in Side:
        feet = np.stack([pose.points_px[list(side.leg.foot)].mean(axis=0) for pose in poses])
        way = smoothed(times, feet, moments)
        speeds[side] = float(np.hypot(*np.diff(way, axis=0).T).sum())
    fast = max(speeds, key=lambda side: speeds[side])
    if speeds[fast] < LEAST_RATIO * speeds[fast.other]:
        return None
    off = min(_foot_to_ball(pose, fast.leg, ball_px) for pose in near)
    return fast if off <= MOST_DIAMETERS_OFF * ball_diameter_px else None


def _legs(pose: Pose) -> F64:
    rows = [[leg.rows[i] for i in _TOLD_BY] for leg in (LEFT_LEG, RIGHT_LEG)]
    legs: F64 = pose.points_px[np.array(rows)]
    return legs


def _leg_lengths(poses: Sequence[Pose]) -> list[float]:
    return [
        float(sum(np.hypot(*(pose.points_px[a] - pose.points_px[b])) for a, b in pairs))
        for pose in poses
        for leg in (LEFT_LEG, RIGHT_LEG)
        for pairs in [((leg.hip, leg.knee), (leg.knee, leg.ankle))]
    ]


def legs_swapped(pose: Pose) -> Pose:
    """Swap the legs from the knees down; hips and all above keep their sides."""
    order = np.arange(len(pose.points_px))
    for left, right in zip(LEFT_LEG.rows[1:], RIGHT_LEG.rows[1:], strict=True):
        order[left], order[right] = right, left
    return Pose(
        pose.time_s,
        pose.points_px[order],
        pose.visibility[order],
        pose.presence[order],
        pose.world_m[order],
        pose.unsure_px[order],
    )


def _foot_to_ball(pose: Pose, leg: Leg, ball_px: tuple[float, float]) -> float:
    """Distance of the ball's middle from the foot's line, heel to toe, px."""
    heel, toe = pose.points_px[leg.heel], pose.points_px[leg.toe]
    along = toe - heel
    share = np.clip((ball_px - heel) @ along / max(1e-9, float(along @ along)), 0.0, 1.0)
    return float(np.hypot(*(heel + share * along - ball_px)))
