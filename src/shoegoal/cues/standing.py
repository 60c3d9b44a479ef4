"""The foot that stands: where it is in the picture while the other leg and the ball leave.

The plant foot stands still from shortly before contact until well after, and nothing else of the
kicker does. So it is looked for among both feet of every picture, whatever the model calls them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.cues.sides import Side, legs_swapped
from shoegoal.cues.skeleton import Pose

F64 = npt.NDArray[np.float64]

BEFORE_S, AFTER_S = 0.10, 0.25  # of contact; the plant foot stands, common practice, no source
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
    unsure : (3,) how unsure the shoes' network was of them, over what is usual; 1 for the ankle.
    leg_px : length of the leg, hip to ankle.
    side : what the model calls it in most pictures.
    """

    points_px: F64
    spread_px: F64
    unsure: F64
    leg_px: float
    side: Side


def standing_foot(poses: Sequence[Pose], contact_s: float) -> Standing | None:
    """Find the foot that stands still round contact; None where it is hidden."""
    near = [pose for pose in poses if -BEFORE_S <= pose.time_s - contact_s <= AFTER_S]
    if not near:
        return None
    feet = np.stack([[p.points_px[list(_rows(side))] for side in Side] for p in near])
    legs = np.array([[_leg_px(p, side) for side in Side] for p in near])
    leg_px = max(float(np.median(legs)), 1e-6)
    unsure = np.stack([[unsure_of(p, _rows(side), leg_px) for side in Side] for p in near])
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
    say = weight[:, None] / doubt**2  # (T, 3): each mark by itself
    say /= say.sum(axis=0)
    middle = np.sum(say[..., None] * places, axis=0)
    scatter = np.mean((places - middle) ** 2, axis=2)
    variance = np.sum(say * scatter, axis=0) * np.sum(say**2, axis=0)
    sides = [float(weight[chosen == i].sum()) for i in range(len(Side))]
    return Standing(
        middle,
        np.sqrt(variance),
        np.sqrt(np.sum(say * doubt**2, axis=0)),
        float(np.average(legs[rows, chosen], weights=weight)),
        list(Side)[int(np.argmax(sides))],
    )


def unsure_of(pose: Pose, rows: Sequence[int], leg_px: float) -> F64:
    """How unsure the shoes' network was of joints of a pose, over `USUAL_UNSURE`."""
    unsure: F64 = pose.unsure_px[list(rows)] / leg_px / USUAL_UNSURE
    return np.where(np.isfinite(unsure), unsure, 1.0)


def trust_in_feet(poses: Sequence[Pose], leg_px: float) -> F64:
    """(T,) 0..1: what feet are worth that show so far apart."""
    left, right = (np.stack([pose.points_px[list(_rows(side))] for pose in poses]) for side in Side)
    trust: F64 = np.clip(_off(left - right) / leg_px / APART_LEGS, LEAST_TRUST, 1.0)
    return trust


def legs_by_standing(poses: Sequence[Pose], seen: Standing, contact_s: float) -> list[Pose]:
    """Swap the legs in pictures round contact in which the other one stands where the foot does."""

    def off(pose: Pose, side: Side) -> float:
        return float(_off(pose.points_px[list(_rows(side))] - seen.points_px))

    return [
        legs_swapped(pose)
        if -BEFORE_S <= pose.time_s - contact_s <= AFTER_S
        and off(pose, seen.side.other) < off(pose, seen.side)
        else pose
        for pose in poses
    ]


def _off(gaps: F64) -> F64:
    """Root mean square distance of feet (..., 3, 2)."""
    off: F64 = np.sqrt(np.mean(np.sum(gaps**2, axis=-1), axis=-1))
    return off


def _rows(side: Side) -> tuple[int, int, int]:
    return side.leg.heel, side.leg.toe, side.leg.ankle


def _leg_px(pose: Pose, side: Side) -> float:
    return float(np.hypot(*(pose.points_px[side.leg.hip] - pose.points_px[side.leg.ankle])))
