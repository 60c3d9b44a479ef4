"""Finds the aim or the speed that makes a shot end as the scene asks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from truth.arrays import Floats
from truth.motion import BallBody
from truth.moves import Kick
from truth.record import judge
from truth.scenes import Scene, ShotPart

STEPS = 121
REACH_M = 0.5


def sought(body: BallBody, scene: Scene, at: Floats, shot: ShotPart) -> ShotPart:
    """The shot with its aim or speed set so that it ends as `shot.seek` says.

    Parameters
    ----------
    at
        (2,) where the ball lies; inner frame.

    Raises
    ------
    ValueError
        No aim near that marker, or no speed, ends the shot like that.
    """
    if shot.stops_m is not None:
        speed = _speed_to(body, at, shot, shot.stops_m)
        shot = shot.model_copy(update={"speed_mps": speed, "loft_deg": 0.0})
    if shot.seek is None:
        return shot
    if shot.seek in ("on the line", "just over"):
        over = 0.35 * body.radius_m if shot.seek == "on the line" else 2.6 * body.radius_m
        return shot.model_copy(update={"speed_mps": _speed_to(body, at, shot, over), "loft_deg": 0})
    side = 1.0 if shot.aim_x_m >= 0 else -1.0
    aims = side * (scene.width_m / 2.0 + np.linspace(-REACH_M, REACH_M, STEPS))
    good = []
    for aim in aims:
        tried = shot.model_copy(update={"aim_x_m": float(aim)})
        heading = math.atan2(float(aim - at[0]), float(-at[1]))
        run = body.shoot(at, heading, shot.speed_mps, shot.loft_deg)
        kick = Kick(0, 0.0, run, tried, np.append(at, body.radius_m))
        good.append(judge(1, kick, scene.width_m, body.radius_m).outcome == shot.seek)
    best = _middle_of_longest(good)
    if best is None:
        raise ValueError(f"no aim ends as {shot.seek}")
    return shot.model_copy(update={"aim_x_m": float(aims[best])})


def _middle_of_longest(good: list[bool]) -> int | None:
    """Index in the middle of the longest stretch of true values."""
    best: tuple[int, int] | None = None
    begin = 0
    for i, is_good in enumerate([*good, False]):
        if is_good:
            continue
        if i - begin > 0 and (best is None or i - begin > best[0]):
            best = (i - begin, begin)
        begin = i + 1
    return None if best is None else best[1] + (best[0] - 1) // 2


def _speed_to(body: BallBody, at: Floats, shot: ShotPart, over_m: float) -> float:
    """Speed at which the ball's centre stops `over_m` beyond the goal line, by halving."""
    heading = math.atan2(shot.aim_x_m - float(at[0]), float(-at[1]))
    low, high = 0.5, 14.0
    for _ in range(40):
        speed = 0.5 * (low + high)
        # Walls and feet left out: where the ball would stop on open ground.
        free = replace(body, walls=np.zeros((0, 4)), posts=np.zeros((0, 4)))
        if free.shoot(at, heading, speed, 0.0).path_m[-1, 1] < over_m:
            low = speed
        else:
            high = speed
    return 0.5 * (low + high)
