"""A shoe that stands on the ground, fitted to where its heel, toe and ankle show.

All three marks have a say by how well the pose model sees them, and what they leave open (from the
side its way across, from behind its way along) comes out as an uncertainty of the number itself.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from shoegoal.cues.legs import Standing
from shoegoal.cues.space import ShotSpace
from shoegoal.errors import ShoegoalError

F64 = npt.NDArray[np.float64]

FOOT_NAME = "foot.toml"
TURNS = np.radians(np.arange(-150.0, 150.5, 3.0))  # of the shoe from the shot; all are tried
USUAL_TURN = np.radians(40.0)  # standard deviation of how feet are planted; common practice
ROUNDS, STEP_M = 4, 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Foot:
    """What was learnt of shoes; the comments in ``foot.toml`` explain each number."""

    marks: F64
    noise: F64
    grows: float
    length: float
    length_spread: float
    strike_noise: float


@dataclass(frozen=True, slots=True, eq=False)
class FootFit:
    """A foot on the ground.

    Attributes
    ----------
    right_m, ahead_m : of its middle from the ball. turn_rad : from the shot, to the right.
    sigmas : standard deviations of these three.
    length_m : heel to toe.
    """

    right_m: float
    ahead_m: float
    turn_rad: float
    sigmas: tuple[float, float, float]
    length_m: float


@cache
def load_foot() -> Foot:
    """Read what was learnt of shoes.

    Raises
    ------
    ShoegoalError
        The file is damaged.
    """
    try:
        row = tomllib.loads((files("shoegoal.cues") / FOOT_NAME).read_text(encoding="utf-8"))
        return Foot(
            np.array(row["marks"], float).reshape(3, 3),
            np.array(row["noise"], float).reshape(3),
            float(row["grows"]),
            float(row["length"]),
            float(row["length_spread"]),
            float(row["strike_noise"]),
        )
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise ShoegoalError(f"{FOOT_NAME} is damaged ({error}): install shoegoal again.") from error


def seen_marks(space: ShotSpace, foot: Foot, at: F64, turn: F64, away: float) -> F64:
    """Where the marks (N, 3, 2) px of shoes show.

    Parameters
    ----------
    at : (N, 3) right and ahead of the ball, and length, m.
    turn : (N,) radians from the shot, to the right.
    away : +1 where the shoe's outside is on its right, -1 where it is on its left.
    """
    ways = np.stack([np.sin(turn), np.cos(turn)], axis=-1)
    across = away * np.stack([np.cos(turn), -np.sin(turn)], axis=-1)
    flat = foot.marks[:, :1] * ways[:, None] + foot.marks[:, 1:2] * across[:, None]
    spots = at[:, None, :2] + at[:, 2, None, None] * flat
    up = at[:, 2, None] * foot.marks[:, 2]
    return space.to_px(np.dstack([spots, up]).reshape(-1, 3)).reshape(-1, 3, 2)


def fit_foot(
    space: ShotSpace, seen: Standing, away: float, foot: Foot | None = None
) -> FootFit | None:
    """Fit a foot on the ground; None where it does not show there.

    For each turn the likeliest place and length are found by Gauss-Newton, and the turns are
    weighed by how well they fit (Laplace's approximation), which gives a mean and a spread.
    """
    foot = foot or load_foot()
    _, ball_px = space.ball_px
    length_m = foot.length * seen.leg_px / ball_px * space.ball_diameter_m
    usual = 1 / (foot.length_spread / foot.length * length_m) ** 2
    start = space.on_level(seen.points_px[:2], foot.marks[:2, 2] * length_m).mean(axis=0)
    if not np.isfinite(start).all():
        return None
    at = np.tile([*start, length_m], (len(TURNS), 1))
    noise = foot.noise * float(seen.unsure**foot.grows)
    sigma_px = np.hypot(noise * seen.leg_px, seen.spread_px)
    weight = np.repeat(1 / sigma_px, 2)

    def off(at: F64) -> F64:
        shown = seen_marks(space, foot, at, TURNS, away).reshape(-1, 6)
        return (seen.points_px.reshape(-1) - shown) * weight

    normal = np.zeros((len(TURNS), 3, 3))
    for _ in range(ROUNDS):
        gap = off(at)
        slope = np.stack([(gap - off(at + STEP_M * e)) / STEP_M for e in np.eye(3)], axis=-1)
        normal = np.einsum("nki,nkj->nij", slope, slope)
        normal[:, 2, 2] += usual
        push = np.einsum("nki,nk->ni", slope, gap)
        push[:, 2] += (length_m - at[:, 2]) * usual
        if not np.isfinite(push).all():
            return None
        at = at + np.linalg.solve(normal, push[..., None])[..., 0]
    cost = np.sum(off(at) ** 2, axis=1) + (at[:, 2] - length_m) ** 2 * usual
    if not np.isfinite(cost).all():
        return None
    own = np.linalg.inv(normal)
    likely = 0.5 * np.linalg.slogdet(own)[1] - 0.5 * cost - 0.5 * (TURNS / USUAL_TURN) ** 2
    share = np.exp(likely - likely.max())
    share /= share.sum()
    rows = np.column_stack([at, TURNS])
    mean = share @ rows
    variance = share @ (rows - mean) ** 2
    variance[:3] += share @ np.diagonal(own, axis1=1, axis2=2)
    right, ahead, length, turn = (float(x) for x in mean)
    sigmas = np.sqrt(variance)
    return FootFit(
        right, ahead, turn, (float(sigmas[0]), float(sigmas[1]), float(sigmas[3])), length
    )
