"""Which leg is which: swaps undone, the foot that kicks, and the foot that stands.

The plant foot stands still from shortly before contact until well after, and nothing else of the
kicker does. So it is looked for among both feet of every picture, whatever the model calls them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from shoegoal.cues.pose import LEFT_LEG, RIGHT_LEG, Joint, Leg, Pose
from shoegoal.cues.smooth import smoothed

F64 = npt.NDArray[np.float64]


# Rows of a leg that are compared: hips hardly differ between the two.
_COMPARED = (1, 2, 3, 4)
TELEPORT = 1.0  # a joint that is off by more than a leg's length costs no more
CONTRADICTED = 0.02  # cost, in squared leg lengths, of not believing the model's own left and right
STANDS_SAY = 3.0  # cost, in the same unit, of a leg's length between where a foot stands and is
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


def legs_named(
    poses: Sequence[Pose], seen: Standing, contact_s: float
) -> dict[Side, tuple[float, list[Pose]]]:
    """Undo swaps of the left and the right leg between pictures, as if either foot stood.

    Of all ways to swap or not in each picture, the one is taken in which the joints move most
    evenly (smallest second differences over the pictures' own times), in which one and the same
    foot stands where a foot was seen to stand, and which contradicts the model the least. It is
    found by dynamic programming over pairs of neighbouring pictures.

    Parameters
    ----------
    poses : of one person, in order of time; at least three.
    seen : the foot that stands round contact. contact_s : when that is.

    Returns
    -------
    By the standing foot's name: what that costs, and the poses, with the legs of some swapped.
    """
    off = np.array([[_off(_foot(pose, side) - seen.points_px) for side in Side] for pose in poses])
    times = np.array([pose.time_s for pose in poses])
    near = (times >= contact_s - STANDS_BEFORE_S) & (times <= contact_s + STANDS_AFTER_S)
    away = STANDS_SAY * np.minimum((off / seen.leg_px) ** 2, TELEPORT) * near[:, None]
    # The left foot stands, or the right one: then it is the other one's place that counts.
    ways = {Side.LEFT: _smoothest(poses, away), Side.RIGHT: _smoothest(poses, away[:, ::-1])}
    return {side: (cost, _swapped_where(poses, swaps)) for side, (cost, swaps) in ways.items()}


def _smoothest(poses: Sequence[Pose], away: F64) -> tuple[float, list[bool]]:
    """Cost of the best way to swap pictures or not, and where that swaps.

    Parameters
    ----------
    away : (T, 2) what each picture costs by itself, as it is and swapped.
    """
    count = len(poses)
    times = np.array([pose.time_s for pose in poses])
    legs = np.stack([_legs(pose) for pose in poses])  # (T, 2, joints, 2)
    length = float(np.median(_leg_lengths(poses)))
    both = np.stack([legs, legs[:, ::-1]], axis=1) / max(length, 1e-6)  # (T, swapped?, ...)
    own = away + np.array([0.0, CONTRADICTED])
    cost = np.full((count, 2, 2), np.inf)  # by picture, its state and the state before
    back = np.zeros((count, 2, 2), dtype=int)
    cost[1] = own[1][:, None] + own[0][None, :]
    for t in range(2, count):
        share = (times[t] - times[t - 1]) / max(1e-9, times[t - 1] - times[t - 2])
        for now in (0, 1):
            for before in (0, 1):
                foreseen = both[t - 1, before] + share * (both[t - 1, before] - both[t - 2])
                off = np.sum((both[t, now] - foreseen) ** 2, axis=-1) / (1 + share) ** 2
                bent = np.minimum(off, TELEPORT).sum(axis=(1, 2))
                ways = cost[t - 1, before] + bent
                back[t, now, before] = int(np.argmin(ways))
                cost[t, now, before] = ways.min() + own[t, now]
    states = list(divmod(int(np.argmin(cost[-1])), 2))  # the last picture's, the one before
    for t in range(count - 1, 1, -1):
        states.append(int(back[t, states[-2], states[-1]]))
    return float(cost[-1].min()), [state == 1 for state in reversed(states)]


def _swapped_where(poses: Sequence[Pose], swaps: Sequence[bool]) -> list[Pose]:
    return [legs_swapped(p) if swap else p for p, swap in zip(poses, swaps, strict=True)]


def kicking_side(
    poses: Sequence[Pose], contact_s: float, ball_px: tuple[float, float], ball_diameter_px: float
) -> Side | None:
    """Tell the kicking foot: the one that moves fast at contact and comes to the ball.

    Parameters
    ----------
    poses : unswapped, in order of time.
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
    rows = [[leg.rows[i] for i in _COMPARED] for leg in (LEFT_LEG, RIGHT_LEG)]
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


STANDS_BEFORE_S, STANDS_AFTER_S = (
    0.10,
    0.25,
)  # of contact; the plant foot stands, common practice, no source
NEAR_LEGS = 0.06  # two pictures show one foot where its places differ by less, in leg lengths
# Feet that show less than a foot's length apart are taken for one another, or hide one another.
APART_LEGS = 0.25
LEAST_TRUST = 0.05
LEAST_TRUSTED = 1.5  # so many pictures' worth; with fewer the foot is hidden
# How unsure the shoes' network usually is of an end that shows well, in leg lengths: the unit in
# which what is learnt of it stands, and what is taken where it did not look.
USUAL_UNSURE = 0.015


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """The foot that stands, in the picture.

    Attributes
    ----------
    points_px : (3, 2) of its heel, toe and ankle.
    spread_px : (3,) standard deviation of these means along one axis, as the pictures differ.
    unsure : how unsure the shoes' network was of the worse of its ends, over what is usual.
    leg_px : length of the leg, hip to ankle.
    side : what it is called in most pictures.
    """

    points_px: F64
    spread_px: F64
    unsure: float
    leg_px: float
    side: Side


def standing_foot(poses: Sequence[Pose], contact_s: float) -> Standing | None:
    """Find the foot that stands still round contact; None where it is hidden."""
    near = [pose for pose in poses if -STANDS_BEFORE_S <= pose.time_s - contact_s <= STANDS_AFTER_S]
    if not near:
        return None
    feet = np.stack([[_foot(p, side) for side in Side] for p in near])
    legs = np.array([[_leg_px(p, side) for side in Side] for p in near])
    leg_px = max(float(np.median(legs)), 1e-6)
    unsure = np.array([[unsure_of(p, side.leg.ends, leg_px) for side in Side] for p in near])
    trust = trust_in_feet(near, leg_px)
    # How far each foot of each picture is from each of every picture: (T, 2, T, 2).
    off = _off(feet[:, :, None, None] - feet[None, None]) / leg_px
    alike = np.exp(-0.5 * (off / NEAR_LEGS) ** 2) * trust[:, None]
    # A foot stands where most other pictures have one, whichever they call it.
    score = alike.max(axis=3).sum(axis=2) * trust[:, None]
    t, s = np.unravel_index(int(np.argmax(score)), score.shape)
    chosen, rows = np.argmax(alike[t, s], axis=1), np.arange(len(near))
    weight = alike[t, s][rows, chosen]
    if float(weight.sum()) < LEAST_TRUSTED:
        return None
    places, doubt = feet[rows, chosen], unsure[rows, chosen]
    say = weight / doubt**2
    say /= say.sum()
    middle = np.tensordot(say, places, axes=1)
    scatter = np.mean((places - middle) ** 2, axis=2)
    variance = say @ scatter * np.sum(say**2)
    sides = [float(weight[chosen == i].sum()) for i in range(len(Side))]
    return Standing(
        middle,
        np.sqrt(variance),
        float(np.sqrt(say @ doubt**2)),
        float(np.average(legs[rows, chosen], weights=weight)),
        list(Side)[int(np.argmax(sides))],
    )


def unsure_of(pose: Pose, joints: Sequence[Joint], leg_px: float) -> float:
    """How unsure the shoes' network was of the worst of a foot's joints, over `USUAL_UNSURE`.

    Where it is unsure of one end it has taken something else for the shoe, and says less of the
    other end's error than it should.
    """
    unsure = float(np.max(pose.unsure_px[list(joints)])) / leg_px / USUAL_UNSURE
    return unsure if np.isfinite(unsure) else 1.0


def trust_in_feet(poses: Sequence[Pose], leg_px: float) -> F64:
    """(T,) 0..1: what feet are worth that show so far apart."""
    left, right = (np.stack([_foot(pose, side) for pose in poses]) for side in Side)
    trust: F64 = np.clip(_off(left - right) / leg_px / APART_LEGS, LEAST_TRUST, 1.0)
    return trust


def _off(gaps: F64) -> F64:
    """Root mean square distance of feet (..., 3, 2)."""
    off: F64 = np.sqrt(np.mean(np.sum(gaps**2, axis=-1), axis=-1))
    return off


def _foot(pose: Pose, side: Side) -> F64:
    """(3, 2) px of heel, toe and ankle."""
    return pose.points_px[list(_rows(side))]


def _rows(side: Side) -> tuple[int, int, int]:
    return side.leg.heel, side.leg.toe, side.leg.ankle


def _leg_px(pose: Pose, side: Side) -> float:
    return float(np.hypot(*(pose.points_px[side.leg.hip] - pose.points_px[side.leg.ankle])))
