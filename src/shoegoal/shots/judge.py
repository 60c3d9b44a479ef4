"""From kicks to judged shots: make, miss or unsure, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.scene.fit import SceneFit
from shoegoal.shots.crossing import Crossing, measure_crossing
from shoegoal.shots.followed import lost_early, on_the_goals_ground, seen_to_stop
from shoegoal.shots.kicks import SEEN_AGAIN_S
from shoegoal.shots.places import on_the_ground
from shoegoal.shots.readings import Kick
from shoegoal.types import Call, Estimate, ImagePoint, Outcome, Shot

CALL_AT = 0.95  # P above which a make (below one minus it, a miss) is called without a person
SCENES = 64
AIM_LIMIT_DEG = 55.0  # a kick further off the goal's middle than this was not at the goal
MIN_SPOT_SHARE = 0.6  # of the usual kick distance: nearer the goal, a kick is no shot
MAX_SPOT_SHARE = 0.5  # of that distance, to any side: further off, it was another play
UNSEEN_SPOT_SHARE = 0.2  # the same for a ball that left and was not seen again: limbs settle too
UNSEEN_P_MAKE = 0.5
LOOK_S = 2.0
PLACED_WITHIN_S = 7.0  # told by then, a ball that lay there again too soon to have been to a wall
SAME_SHOT_S = 1.0  # a ball that must have been kicked more than this later is another shot's
LEAST_ROLL_M = 0.4  # of a ball that came to sight,
ONWARD_DEG = 60.0  # so far from straight on at most, if it comes from the kick spot
PUSH_MPS = 3.0  # and pushed no faster; no source
ROLLED_OUT = "a ball came to sight on its way from the kick spot: was there a shot, and a make?"
CLOSE_CM = 40.0  # further from a marker, it is not what makes a call hard
PATH_STEP_S = 0.04
MIN_SIGHTINGS = 6  # fewer, or less than
MIN_SEEN_S = 0.2  # of a flight is too little to call it,
HIDDEN_TOO_LONG_S = 0.25  # between kick and first sighting
SHAKY_SURE = 0.8  # and its probability goes no nearer to 1 (or its complement to 0) than this
MAY_HAVE_HIT = 0.3  # probability of meeting a marker from which on that is the reason told
FLUFF_MPS = 2.5  # slower and short: perhaps a touch to set the ball rather than a shot


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A kick that is not a shot at the goal, and why."""

    time_s: float
    why: str


def judge_kicks(kicks: Sequence[Kick], scene: SceneFit) -> tuple[list[Shot], list[LeftOut]]:
    """Judge every kick against the goal.

    Parameters
    ----------
    kicks : in order of time.
    scene : camera, goal and their spread.

    Returns
    -------
    shots, left_out : shots numbered in order of time, and kicks that were not shots.
    """
    usual_m = _usual_spot_m(kicks, scene)
    draws = scene.samples(SCENES)
    shots: list[Shot] = []
    left_out: list[LeftOut] = []
    for kick in kicks:
        rolled_out = _rolled_out(kick, scene, usual_m)
        if rolled_out:
            soon = bool(shots) and _may_be_of(shots[-1], kick, scene, usual_m)
            why = "a ball kicked before came to sight again" if soon else None
        else:
            why = _not_a_shot(kick, scene, usual_m)
        if why:
            left_out.append(LeftOut(kick.time_s, why))
            continue
        doubt = ROLLED_OUT if rolled_out else _why_to_ask(kick, scene)
        if kick.flight is None or doubt:
            shots.append(
                unseen_shot(
                    len(shots) + 1,
                    kick.time_s,
                    doubt,
                    end_time_s=max(kick.latest_s, kick.time_s),
                    kick_spot_m=_spot_m(kick, scene),
                )
            )
            continue
        crossing = measure_crossing(
            kick.flight, scene.camera, scene.goal, draws, kick.later, kick.seen_again
        )
        shots.append(_judged(len(shots) + 1, kick, crossing, scene))
    return shots, left_out


def _spot_m(kick: Kick, scene: SceneFit) -> tuple[float, float] | None:
    if kick.rest is not None:
        x, y = on_the_goals_ground([kick.rest], scene)[0]
    elif kick.flight is not None:
        x, y = scene.goal.to_goal(np.array([kick.flight.start_m]))[0]
    else:
        return None
    return (float(x), float(y)) if np.isfinite([x, y]).all() else None


def _heading(kick: Kick, scene: SceneFit) -> float:
    """Angle between the kick's direction and the goal's middle, degrees, 0..180."""
    assert kick.flight is not None
    start = np.array([*kick.flight.start_m])
    ahead = np.array(kick.flight.velocity_mps[:2])
    towards = np.array(scene.goal.origin_m) - start
    cosine = ahead @ towards / max(1e-9, float(np.hypot(*ahead) * np.hypot(*towards)))
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def _usual_spot_m(kicks: Sequence[Kick], scene: SceneFit) -> tuple[float, float] | None:
    """Median place of the kicks that head for the goal from a seen resting place."""
    spots = [
        spot
        for kick in kicks
        if kick.flight is not None
        and kick.rest is not None
        and _heading(kick, scene) <= AIM_LIMIT_DEG
        for spot in [_spot_m(kick, scene)]
        if spot is not None and spot[1] > 0
    ]
    if not spots:
        return None
    x, y = np.median(np.array(spots), axis=0)
    return float(x), float(y)


def _not_a_shot(kick: Kick, scene: SceneFit, usual_m: tuple[float, float] | None) -> str | None:
    if kick.rest is None and kick.flight is None:
        return "a ball came to sight that did not come from the kick spot"
    spot = _spot_m(kick, scene)
    if spot is None:
        return "its start was not seen on the ground"
    if spot[1] <= 0:
        return "it started behind the goal line"
    if usual_m is not None:
        if spot[1] < MIN_SPOT_SHARE * usual_m[1]:
            return "it started much nearer to the goal than the kick line"
        away_m = float(np.hypot(spot[0] - usual_m[0], spot[1] - usual_m[1]))
        if away_m > MAX_SPOT_SHARE * usual_m[1]:
            return "it started far from the kick spot"
        if kick.flight is None and away_m > UNSEEN_SPOT_SHARE * usual_m[1]:
            return "something left a place that is not the kick spot"
    if usual_m is not None and _only_placed(kick, scene, usual_m):
        return "the ball was only put on the kick spot"
    at_the_spot = (
        kick.rest is not None
        and usual_m is not None
        and float(np.hypot(spot[0] - usual_m[0], spot[1] - usual_m[1]))
        <= UNSEEN_SPOT_SHARE * usual_m[1]
    )
    if _off_course(kick, scene) and not (at_the_spot and _poorly_followed(kick)):
        return "it did not head for the goal"
    return None


def _rolled_out(kick: Kick, scene: SceneFit, usual_m: tuple[float, float] | None) -> bool:
    """Whether a ball that came to sight only past the kick line rolls on from the kick spot."""
    if usual_m is None or kick.rest is not None:
        return False
    seen = kick.flight.sightings if kick.flight is not None else kick.later
    first, last = on_the_goals_ground([seen[0], seen[-1]], scene)
    out, onward = first - np.array(usual_m), last - first
    lengths = float(np.hypot(*out) * np.hypot(*onward))
    if not np.isfinite(lengths) or np.hypot(*onward) < LEAST_ROLL_M:
        return False
    past_the_kick_line = first[1] < MIN_SPOT_SHARE * usual_m[1]
    return bool(past_the_kick_line and out @ onward >= lengths * np.cos(np.radians(ONWARD_DEG)))


def _may_be_of(
    shot: Shot, kick: Kick, scene: SceneFit, usual_m: tuple[float, float] | None
) -> bool:
    """Whether a ball that rolls into sight may be the one that was shot before.

    Balls only slow down: from the kick spot it took no longer than at the pace that it is seen at.
    """
    if kick.latest_s - shot.kick_time_s > SEEN_AGAIN_S:
        return False
    if usual_m is None or kick.flight is None:
        return True
    first = on_the_goals_ground(kick.flight.sightings[:1], scene)[0]
    way_s = float(np.linalg.norm(first - np.array(usual_m))) / max(0.1, kick.flight.speed_mps()[0])
    return kick.flight.sightings[0].time_s - way_s - shot.kick_time_s <= SAME_SHOT_S


def _only_placed(kick: Kick, scene: SceneFit, usual_m: tuple[float, float]) -> bool:
    """Whether a ball that was pushed lay on the kick spot soon after, and never went far."""
    lying = [
        s
        for s in kick.seen_again
        if s.at_rest
        and s.time_s <= kick.time_s + PLACED_WITHIN_S
        and on_the_ground(scene.camera, scene.ball_diameter_m.value, s)
    ]
    if not lying or kick.flight is None or kick.flight.speed_mps()[0] > PUSH_MPS:
        return False
    spots = on_the_goals_ground(lying, scene)
    near = np.linalg.norm(spots - np.array(usual_m), axis=1) <= UNSEEN_SPOT_SHARE * usual_m[1]
    way = on_the_goals_ground((*kick.flight.sightings, *kick.later), scene)
    return bool(near.any() and np.nanmin(way[:, 1]) > MIN_SPOT_SHARE * usual_m[1])


def _off_course(kick: Kick, scene: SceneFit) -> bool:
    return kick.flight is not None and _heading(kick, scene) > AIM_LIMIT_DEG


def _poorly_followed(kick: Kick) -> bool:
    """Whether a flight may be another thing's that was followed in place of the ball."""
    assert kick.flight is not None
    hidden_s = kick.flight.sightings[0].time_s - kick.flight.kick_time_s
    return len(kick.flight.sightings) < MIN_SIGHTINGS or hidden_s > HIDDEN_TOO_LONG_S


def _why_to_ask(kick: Kick, scene: SceneFit) -> str:
    """Say what a person has to tell of a kick from the kick spot; "" when it can be judged."""
    if kick.flight is None:
        return "the ball left the kick spot and was not seen again: a shot, and a make?"
    if _off_course(kick, scene):
        return "the ball left the kick spot, but was not followed to the goal: was it a shot?"
    return ""


def unseen_shot(
    number: int,
    kick_time_s: float,
    reason: str,
    *,
    end_time_s: float | None = None,
    kick_spot_m: tuple[float, float] | None = None,
) -> Shot:
    """Make a shot of which only the kick is known: a person has to look.

    Parameters
    ----------
    number : 1-based.
    kick_time_s, end_time_s : when it was kicked and when it was over; a look's length apart when
        the end is not known.
    reason : what to look for.
    kick_spot_m : (x, y) of the resting ball in the goal frame, when known.
    """
    end_s = kick_time_s + LOOK_S if end_time_s is None else end_time_s
    return Shot(
        number=number,
        kick_time_s=kick_time_s,
        end_time_s=end_s,
        call=Call.UNSURE,
        outcome=Outcome.NOT_SEEN,
        p_make=UNSEEN_P_MAKE,
        reason=reason,
        crossing_time_s=None,
        crossing_x_m=None,
        crossing_z_m=None,
        speed_mps=None,
        kick_spot_m=kick_spot_m,
        path=(),
        fitted_path_px=(),
    )


def _judged(number: int, kick: Kick, crossing: Crossing, scene: SceneFit) -> Shot:
    flight = kick.flight
    assert flight is not None
    p_make = crossing.p_make
    outcome = _outcome(crossing, scene.goal.width_m, flight.radius_m)
    call, reason = _call(p_make, crossing, outcome, scene.goal.width_m, flight.radius_m)
    speed, speed_sigma = flight.speed_mps()
    if call is Call.MISS and outcome is Outcome.SHORT and not seen_to_stop(kick, scene):
        call, reason = Call.UNSURE, "the ball was lost before the line: did it reach the line?"
        p_make = max(p_make, crossing.p_inside * (1 - SHAKY_SURE))
    crosses = call is not Call.UNSURE and outcome is not Outcome.SHORT
    if crosses and lost_early(kick, crossing, scene):
        call, reason = Call.UNSURE, "the ball was lost well before the line: did it reach the line?"
        p_make = float(np.clip(p_make, 1 - SHAKY_SURE, SHAKY_SURE))
    seen_s = flight.end_s - flight.sightings[0].time_s
    if len(flight.sightings) < MIN_SIGHTINGS or seen_s < MIN_SEEN_S:
        call, reason = Call.UNSURE, "the ball was seen only for a moment: where did it go?"
        p_make = float(np.clip(p_make, 1 - SHAKY_SURE, SHAKY_SURE))
    tapped = speed < FLUFF_MPS or kick.rest is None
    if call is not Call.UNSURE and outcome is Outcome.SHORT and tapped:
        call, reason = Call.UNSURE, "the ball was only tapped: was it a shot?"
        p_make = max(p_make, 1 - SHAKY_SURE)
    scale = scene.ball_diameter_m.sigma / scene.ball_diameter_m.value
    end_s = crossing.time_s if crossing.time_s is not None else flight.end_s
    return Shot(
        number,
        flight.kick_time_s,
        max(end_s, flight.end_s),
        call,
        outcome,
        p_make,
        reason,
        crossing.time_s,
        crossing.x_m,
        crossing.z_m,
        Estimate(speed, float(np.hypot(speed_sigma, scale * speed))),
        _spot_m(kick, scene),
        flight.sightings + kick.later,
        _path_px(kick, scene, end_s),
    )


def _outcome(crossing: Crossing, width_m: float, radius_m: float) -> Outcome:
    if crossing.p_reached < 0.5 or crossing.x_m is None:
        return Outcome.SHORT
    x = crossing.x_m.value
    if abs(x) <= width_m / 2 - radius_m:
        return Outcome.INSIDE
    return Outcome.WIDE_LEFT if x < 0 else Outcome.WIDE_RIGHT


def _call(
    p_make: float, crossing: Crossing, outcome: Outcome, width_m: float, radius_m: float
) -> tuple[Call, str]:
    side_m = crossing.x_m.value if crossing.x_m else 0.0
    clear_cm = 100 * abs(abs(side_m) - (width_m / 2 - radius_m))
    marker = "left" if side_m < 0 else "right"
    if p_make >= CALL_AT:
        return Call.MAKE, f"inside by {clear_cm:.0f} cm on the {marker}"
    if p_make <= 1 - CALL_AT:
        if outcome is Outcome.SHORT:
            return Call.MISS, f"stopped {max(0.0, crossing.last_y_m):.1f} m before the line"
        return Call.MISS, f"wide of the {marker} marker by {clear_cm:.0f} cm"
    if crossing.p_hit > MAY_HAVE_HIT:
        return Call.UNSURE, f"the ball met the {marker} marker or passed close to it: in or out?"
    if crossing.p_inside > 0.05 and 0.05 < crossing.p_reached < 0.95:
        return Call.UNSURE, "the ball was lost before the line: did it reach the line?"
    if clear_cm > CLOSE_CM:
        return Call.UNSURE, "where the ball met the line was not seen well: in or out?"
    return Call.UNSURE, f"too close to the {marker} marker to call ({clear_cm:.0f} cm)"


def _path_px(kick: Kick, scene: SceneFit, end_s: float) -> tuple[ImagePoint, ...]:
    flight = kick.flight
    assert flight is not None
    stop = max(end_s, flight.end_s)
    times = np.append(np.arange(flight.kick_time_s, stop, PATH_STEP_S), stop)
    centres, _ = scene.camera.ball_image(flight.centre_m(times), 2 * flight.radius_m)
    return tuple(ImagePoint(float(x), float(y)) for x, y in centres if np.isfinite([x, y]).all())
