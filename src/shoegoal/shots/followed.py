"""Whether a kicked ball was followed to its end, or was lost, or something else was followed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from shoegoal.ball.flight import Flight
from shoegoal.ball.sightings import apart_px
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.crossing import Crossing
from shoegoal.shots.passing import first_stop
from shoegoal.shots.places import on_the_ground
from shoegoal.shots.readings import Kick
from shoegoal.types import BallSighting

ROLLING_OUT_MPS = 0.7  # slower than this at the end of its flight, a ball is rolling out
BELIEVED_LOSS_MPS2 = 4.0  # more than long grass takes from a ball; no source
BESIDE_DIAMETERS = 1.0  # so near to where another ball lay, a stop may be that one's
LOST_EARLY_S = 0.2  # before it would cross the line; a person in its way may have stopped it
LAST_S = 0.3  # of a way, in which a ball that stops is seen to lie on the ground,
ELSEWHERE_S, ELSEWHERE_M = 1.0, 0.6  # and no ball so soon moves on from so far away

F64 = npt.NDArray[np.float64]


def on_the_goals_ground(sightings: Sequence[BallSighting], scene: SceneFit) -> F64:
    """(N, 2) metres of the goal frame where balls seen so would touch the ground."""
    pixels = [(s.x_px, s.y_px) for s in sightings]
    return scene.goal.to_goal(scene.camera.ball_on_ground(pixels, scene.ball_diameter_m.value))


def lost_early(kick: Kick, crossing: Crossing, scene: SceneFit) -> bool:
    """Whether a ball was lost long before it would cross and not seen beyond: blocked, perhaps."""
    flight = kick.flight
    assert flight is not None
    if crossing.time_s is None or crossing.time_s - flight.end_s <= LOST_EARLY_S:
        return False
    since = [s for s in (*kick.later, *kick.seen_again) if s.time_s > flight.end_s]
    if not since:
        return True
    y_m = on_the_goals_ground(since, scene)[:, 1]
    return not bool(np.nanmin(y_m, initial=np.inf) <= flight.radius_m)


def seen_to_stop(kick: Kick, scene: SceneFit) -> bool:
    """Whether a short ball rolled out in view; where it was lost, its stop is only foretold."""
    flight = kick.flight
    assert flight is not None
    seen = (*flight.sightings, *kick.later)
    if any(apart_px(seen[-1], ball) <= BESIDE_DIAMETERS * ball.diameter_px for ball in kick.lying):
        return False  # another ball lay there: that one may have been followed instead
    if _goes_on_elsewhere(kick, flight, scene):
        return False
    just_before, end = flight.centre_m([flight.end_s - 0.1, flight.end_s])
    end_mps = float(np.linalg.norm((end - just_before)[:2])) / 0.1
    if end_mps <= ROLLING_OUT_MPS and flight.loss_mps2 <= BELIEVED_LOSS_MPS2:
        return _ends_on_the_ground(flight, scene)
    # A back that stays where it is does not have the size of a ball that lies there.
    seen = tuple(s for s in seen if on_the_ground(scene.camera, 2 * flight.radius_m, s))
    spots = scene.camera.ball_on_ground([(s.x_px, s.y_px) for s in seen], 2 * flight.radius_m)
    return first_stop(np.array([s.time_s for s in seen]), spots) is not None


def _ends_on_the_ground(flight: Flight, scene: SceneFit) -> bool:
    """Whether what was followed was at last of the size of a ball that lies there."""
    last = [s for s in flight.sightings if s.time_s >= flight.end_s - LAST_S]
    lying = [on_the_ground(scene.camera, 2 * flight.radius_m, s) for s in last]
    return 2 * sum(lying) > len(lying)


def _goes_on_elsewhere(kick: Kick, flight: Flight, scene: SceneFit) -> bool:
    """Whether a ball was seen to move soon after, and not from where this one seems to stop."""
    soon = [s for s in kick.seen_again if not s.at_rest and s.time_s <= flight.end_s + ELSEWHERE_S]
    if not soon:
        return False
    first = min(soon, key=lambda s: s.time_s)
    stop, there = on_the_goals_ground([flight.sightings[-1], first], scene)
    return bool(np.linalg.norm(there - stop) > ELSEWHERE_M)
