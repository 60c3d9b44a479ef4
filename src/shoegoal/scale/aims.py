"""From the shots of a pupil's sets to where they went: places to draw, directions to fit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shoegoal.analysis.model import Analysis
from shoegoal.ladder.next_setup import Advice, NotEnoughShots, SetUp, next_setup
from shoegoal.ladder.scatter import Between, Direction, Measured, Outside
from shoegoal.record.history import SetHistory
from shoegoal.record.standing import Standing, StandingShot
from shoegoal.types import Call, Outcome, Shot


@dataclass(frozen=True, slots=True)
class SeenSet:
    """A set with its count read; both None where another version counted."""

    history: SetHistory
    analysis: Analysis | None
    standing: Standing | None


@dataclass(frozen=True, slots=True)
class PlacedShot:
    """Where a shot went.

    Attributes
    ----------
    set_id, number : which shot.
    call : as it stands.
    verified : its set is signed.
    goal_width_m : between the markers.
    spot_m : (x, y) of the kick spot in the goal frame; None when not seen.
    crossing_m : x at which it crossed the goal line; None when it was not seen to.
    outcome : how it ended, as counted; None for one that a person added.
    """

    set_id: int
    number: int
    call: Call
    verified: bool
    goal_width_m: float
    spot_m: tuple[float, float] | None
    crossing_m: float | None
    outcome: Outcome | None


def placed_shots(seen: SeenSet) -> Iterable[PlacedShot]:
    """Give the shots of a set that count."""
    analysis, standing = seen.analysis, seen.standing
    if analysis is None or standing is None or analysis.scene is None:
        return
    for shot in standing.shots:
        if not shot.counts:
            continue
        counted = shot.counted
        crossing = None if counted is None else counted.crossing_x_m
        yield PlacedShot(
            set_id=seen.history.set_id,
            number=shot.number,
            call=shot.call,
            verified=seen.history.signature is not None,
            goal_width_m=analysis.goal_scene.goal_width_m.value,
            spot_m=None if counted is None else counted.kick_spot_m,
            crossing_m=None if crossing is None else crossing.value,
            outcome=None if counted is None else counted.outcome,
        )


def advice_of(sets: Sequence[SeenSet]) -> Advice:
    """Say what to try next after these sets, given in order of play."""
    directions: list[Direction] = []
    short = 0
    now, radius_steps = None, 0.0
    for seen in sets:
        analysis, standing, stage = seen.analysis, seen.standing, seen.history.stage
        if analysis is None or standing is None or analysis.scene is None:
            continue
        if stage.width_steps is None or stage.back_steps is None:
            continue
        now = SetUp(stage.width_steps, stage.back_steps)
        distance_m = _distance_m(analysis)
        if distance_m is None:
            continue
        radius_m = analysis.goal_scene.ball_diameter_m.value / 2
        radius_steps = radius_m * stage.back_steps / distance_m
        for shot in standing.shots:
            if not shot.counts:
                continue
            if shot.call is Call.MISS and _stopped_short(shot):
                short += 1
            elif (direction := direction_of(shot, analysis, distance_m, radius_m)) is not None:
                directions.append(direction)
    if now is None:
        return NotEnoughShots(0, "not enough shots yet: no set at a goal is signed")
    return next_setup(directions, short, now, radius_steps)


def direction_of(
    shot: StandingShot, analysis: Analysis, distance_m: float, radius_m: float
) -> Direction | None:
    """Read the direction of a shot that reached the line, or would have; None where none is told.

    Parameters
    ----------
    shot : as it stands; what a person answered holds against what was measured.
    analysis : of its set.
    distance_m : from the usual kick spot, for a shot whose own was not seen.
    radius_m : of the ball, which has to pass inside the markers whole.
    """
    counted = shot.counted
    spot_m = (0.0, distance_m)
    if counted is not None and counted.kick_spot_m is not None and counted.kick_spot_m[1] > 0:
        spot_m = counted.kick_spot_m
    half_m = max(0.0, analysis.goal_scene.goal_width_m.value / 2 - radius_m)
    low, high = (_angle_rad(spot_m, x_m) for x_m in (-half_m, half_m))
    if counted is not None and counted.crossing_x_m is not None:
        measured = _measured(spot_m, counted)
        is_inside = low <= measured.angle_rad <= high
        if shot.answer is None or is_inside == (shot.call is Call.MAKE):
            return measured
    if shot.call is Call.MAKE:
        return Between(low, high)
    if shot.call is Call.MISS:
        return _missed(shot, low, high)
    return None  # unsure, and not measured: it tells nothing


def _missed(shot: StandingShot, low: float, high: float) -> Direction | None:
    outcome = None if shot.counted is None else shot.counted.outcome
    if outcome is Outcome.WIDE_LEFT:
        return Between(-math.inf, low)
    if outcome is Outcome.WIDE_RIGHT:
        return Between(high, math.inf)
    if outcome is Outcome.BLOCKED:
        return None  # where it was going, nobody saw
    return Outside(low, high)


def _measured(spot_m: tuple[float, float], counted: Shot) -> Measured:
    crossing = counted.crossing_x_m
    assert crossing is not None
    x_m, y_m = spot_m
    # Derivative of the angle by the crossing point.
    per_m = y_m / (y_m**2 + (crossing.value - x_m) ** 2)
    return Measured(_angle_rad(spot_m, crossing.value), crossing.sigma * per_m)


def _angle_rad(spot_m: tuple[float, float], x_m: float) -> float:
    """Angle at the kick spot from the goal's middle to a point of the goal line."""
    return math.atan2(x_m - spot_m[0], spot_m[1]) - math.atan2(-spot_m[0], spot_m[1])


def _stopped_short(shot: StandingShot) -> bool:
    return shot.counted is not None and shot.counted.outcome is Outcome.SHORT


def _distance_m(analysis: Analysis) -> float | None:
    distance = analysis.goal_scene.kick_distance_m
    return distance.value if distance is not None and distance.value > 0 else None
