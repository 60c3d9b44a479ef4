"""Which runs are shots, and which shots were not seen: every event with its chances.

A ball that left its place unseen may have been kicked, and so may one that comes to sight beyond
the kick spot out of nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, log

import numpy as np
import numpy.typing as npt

from shoegoal.ball.free_motion import Motion
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.crossing import Crossing, measure_crossing
from shoegoal.shots.runs import Run, runs_of
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import Between, Story
from shoegoal.shots.weights import Weights

F64 = npt.NDArray[np.float64]

SCENES = 64
SPOT_SPREAD = 0.08  # of the kick distance, over which starts are taken together
STAGE_SPREAD = 0.25  # how far a child's pacing may stray from the stage's ratio; no source
LEAST_UNSEEN = 0.05  # less likely to have left unseen, a ball is not asked about
# Of balls that came to sight on development yards, 2 of 10 likelier than this were shots that
# nothing else showed, and 0 of 17 less likely ones.
LEAST_CAME = 0.1
SOON_S = 3.0  # after which a ball's place tells little of where it was before
USUAL_MPS = 6.0  # of a child's shot; common practice, no source
ONE_KICK_S = 1.0  # nobody kicks twice at the goal within this time


@dataclass(frozen=True, slots=True)
class KickSpot:
    """Where the clip's shots start, in the goal frame.

    Attributes
    ----------
    x_m, y_m : the place.
    support : how much of what starts anywhere starts there, 0..1.
    """

    x_m: float
    y_m: float
    support: float


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """What may have been a shot: a run, or a ball that left its place or came to sight unseen.

    Attributes
    ----------
    time_s, end_s : when it was struck, and its last sighting.
    spot_m : (x, y) where it started, goal frame.
    run : the ball's way; None where the shot itself was not seen.
    stay : where the ball lay before; None where that was not seen.
    came : the first segment of a ball that came to sight out of nothing; None of any other.
    p_shot : probability that it was a kick at the goal from the kick spot.
    crossing : of the run; None without one.
    features : that `p_shot` was worked out from.
    """

    time_s: float
    end_s: float
    spot_m: tuple[float, float]
    run: Run | None
    stay: Segment | None
    came: Segment | None
    p_shot: float
    crossing: Crossing | None
    features: F64


def find_events(
    story: Story, scene: SceneFit, stage_ratio: float | None, weights: Weights
) -> list[Event]:
    """List everything that may have been a shot, in order of time, with its chances.

    Parameters
    ----------
    story : of the clip, on the scene's ground.
    scene : camera, goal and their spread.
    stage_ratio : kick distance over goal width that the stage asks for, when known.
    weights : learnt.
    """
    runs = runs_of(story)
    spot = kick_spot(runs, scene, stage_ratio)
    draws = scene.samples(SCENES)
    events = []
    for run in runs:
        crossing = measure_crossing(run, scene.camera, scene.goal, draws)
        features = shot_features(run, crossing, scene, spot)
        p = run.p_begins * _logistic(float(features @ weights.shot))
        x, y = start_of(run, scene)
        events.append(
            Event(run.start_s, run.end_s, (x, y), run, run.before, None, p, crossing, features)
        )
    kicks = [(event.time_s, event.p_shot) for event in events]
    for i, segment in enumerate(story.segments):
        p_unseen = unseen_chance(story, i) if segment.lies else 0.0
        if p_unseen < LEAST_UNSEEN:
            continue
        features = unseen_features(story, i, scene, spot, kicks)
        x, y = scene.goal.to_goal(segment.stretch.centre_m([segment.end_s]))[0, :2].tolist()
        # What was no ball at all was not kicked either.
        p = p_unseen * _logistic(segment.ball_log_odds)
        p *= _logistic(float(features @ weights.unseen))
        end_s = min(segment.latest_s, segment.left_s + SOON_S)
        events.append(Event(segment.left_s, end_s, (x, y), None, segment, None, p, None, features))
    for i, segment in enumerate(story.segments):
        p_came = float(story.follows[-1, i])
        if p_came < LEAST_UNSEEN or (segment.lies and not np.isfinite(segment.earliest_s)):
            continue
        features = came_features(story, i, scene, spot, kicks)
        p = p_came * _logistic(segment.ball_log_odds) * _logistic(float(features @ weights.came))
        if p < LEAST_CAME:
            continue
        at_s = segment.start_s - spot.y_m / USUAL_MPS
        spot_m = (spot.x_m, spot.y_m)
        events.append(Event(at_s, segment.end_s, spot_m, None, None, segment, p, None, features))
    earned = weights.shot_calibration.of
    # What only came to sight is never called, so its chances have no classes to earn.
    weighed = [
        e if e.came is not None else replace(e, p_shot=earned(e.p_shot))
        for e in _one_kick_at_a_time(events)
    ]
    return sorted(_one_kick_at_a_time(weighed), key=lambda e: e.time_s)


def start_of(run: Run, scene: SceneFit) -> tuple[float, float]:
    """Where a run starts, goal frame, metres."""
    if run.before is not None and run.before.lies:
        place = run.before.stretch.centre_m([run.before.end_s])
    else:
        place = run.segments[0].stretch.centre_m([run.start_s])
    x, y = scene.goal.to_goal(place)[0, :2].tolist()
    return x, y


def kick_spot(runs: Sequence[Run], scene: SceneFit, stage_ratio: float | None) -> KickSpot:
    """Find where most runs towards the goal start, near where the stage asks for it."""
    starts, votes = [], []
    for run in runs:
        x, y = start_of(run, scene)
        if y <= 0.3:
            continue
        vx, vy = _velocity(run, scene)
        towards = -(vx * x + vy * y) / max(1e-6, hypot(vx, vy) * hypot(x, y))
        vote = run.p_begins * _logistic(run.ball_log_odds - 2) * max(0.0, towards) ** 4
        vote *= min(1.0, hypot(vx, vy) / 3.0) * (2.0 if run.before is not None else 1.0)
        starts.append((x, y))
        votes.append(vote)
    asked_m = scene.goal.width_m * stage_ratio if stage_ratio else None
    if not starts or sum(votes) <= 0:
        return KickSpot(0.0, asked_m or 2.5 * scene.goal.width_m, 0.0)
    places, weight = np.array(starts), np.array(votes)
    logs = np.log(places[:, 1])
    near = np.exp(-0.5 * ((logs[:, None] - logs) / SPOT_SPREAD) ** 2)
    score = near @ weight
    if asked_m:
        score = score * np.exp(-0.5 * ((logs - log(asked_m)) / STAGE_SPREAD) ** 2)
    k = int(np.argmax(score))
    share = near[k] * weight
    y = float(np.exp(np.average(logs, weights=share)))
    x = float(np.average(places[:, 0], weights=share))
    return KickSpot(x, y, float(share.sum() / weight.sum()))


def shot_features(run: Run, crossing: Crossing, scene: SceneFit, spot: KickSpot) -> F64:
    """Return what tells a shot from a pass back, a fetch or a touch that sets the ball, (15,).

    Most are bounded: how far beyond a scale something is, 0..1.
    """
    x, y = start_of(run, scene)
    vx, vy = _velocity(run, scene)
    speed = hypot(vx, vy)
    aim = float(np.arctan2(abs(x * vy - y * vx), -(x * vx + y * vy)))  # 0 is at the goal's middle
    back = log(max(y, 0.05) / spot.y_m)
    aside = abs(x - spot.x_m) / spot.y_m
    went = float(np.clip((y - crossing.nearest_m) / max(y, 0.3), 0.0, 1.0))
    sightings = sum(len(s.stretch.sightings) for s in run.segments)
    first = run.segments[0]
    rested = run.before is not None and run.before.lies
    height = max(0.0, float(first.stretch.centre_m([first.start_s])[0, 2]) - 0.2)
    return np.array(
        [
            1.0,
            _beyond(back, 0.1),
            _beyond(back, 0.3),
            _beyond(aside, 0.1),
            _beyond(aside, 0.3),
            _beyond(aim, 0.3),
            _beyond(aim, 1.0),
            _beyond(went, 0.25),
            _beyond(went, 0.8),
            _beyond(speed, 1.5),
            _beyond(speed, 5.0),
            float(np.clip(run.ball_log_odds, -4.0, 6.0)) / 4,
            float(rested),
            _beyond(sightings, 8.0),
            _beyond(height, 0.4),
        ]
    )


def _beyond(value: float, scale: float) -> float:
    return value**2 / (value**2 + scale**2)


def unseen_chance(story: Story, i: int) -> float:
    """Probability that a ball left its place and was not seen on its way."""
    stay = story.segments[i]
    if not np.isfinite(stay.latest_s):
        return 0.0
    seen = story.follows[i] * (
        story.between[i, :, Between.KICKED]
        + story.between[i, :, Between.RAN_ON]
        + story.between[i, :, Between.MET]
    )
    return float(np.clip(1.0 - seen.sum(), 0.0, 1.0))


def unseen_features(
    story: Story, i: int, scene: SceneFit, spot: KickSpot, kicks: Sequence[tuple[float, float]]
) -> F64:
    """Return what tells a ball kicked unseen from one picked up or never there, (11,).

    ``kicks`` are the times and chances of shots that were seen: nobody kicks again at once.
    """
    stay = story.segments[i]
    x, y = scene.goal.to_goal(stay.stretch.centre_m([stay.end_s]))[0, :2].tolist()
    back = log(max(y, 0.05) / spot.y_m)
    aside = abs(x - spot.x_m) / spot.y_m
    lay_s = stay.end_s - stay.start_s
    # Where a ball was soon after: back at the spot, it was only touched; beyond it, kicked.
    again = emerged = 0.0
    for j, other in enumerate(story.segments):
        if not 0 <= other.start_s - stay.end_s < SOON_S or j == i:
            continue
        p = _logistic(other.ball_log_odds) * (story.follows[-1, j] + story.follows[i, j])
        ox, oy = scene.goal.to_goal(other.stretch.centre_m([other.start_s]))[0, :2].tolist()
        if hypot(ox - x, oy - y) < 0.15 * spot.y_m and other.lies:
            again = max(again, p)
        elif oy < 0.8 * y:
            emerged = max(emerged, p)
    return np.array(
        [
            1.0,
            _beyond(back, 0.1),
            _beyond(back, 0.3),
            _beyond(aside, 0.3),
            float(np.clip(stay.ball_log_odds, -4.0, 6.0)) / 4,
            _beyond(lay_s, 1.0),
            again,
            emerged,
            float(stay.track >= 0),
            # A ball must have come there, unless it lay there when the film began.
            float(story.follows[-1, i]) * float(stay.start_s > story.segments[0].start_s + SOON_S),
            max((p * exp(-abs(at_s - stay.end_s) / SOON_S) for at_s, p in kicks), default=0.0),
        ]
    )


def came_features(
    story: Story, i: int, scene: SceneFit, spot: KickSpot, kicks: Sequence[tuple[float, float]]
) -> F64:
    """Return what tells a ball that was kicked out of sight from one brought there, (9,)."""
    segment = story.segments[i]
    stretch = segment.stretch
    y = float(scene.goal.to_goal(stretch.centre_m([segment.start_s]))[0, 1])
    speed = float(np.linalg.norm(stretch.velocity_mps(stretch.start_s)))
    since_s = segment.start_s - story.segments[0].start_s
    ago = [(p, segment.start_s - at_s) for at_s, p in kicks if at_s <= segment.start_s]
    return np.array(
        [
            1.0,
            float(np.clip(segment.ball_log_odds, -4.0, 6.0)) / 4,
            _beyond(len(stretch.sightings), 20.0),
            _beyond(speed, 1.5),
            float(stretch.motion is Motion.FLIES),
            float(segment.lies),
            _beyond(max(0.0, 1 - y / spot.y_m), 0.3),
            max((p * exp(-off_s / SOON_S) for p, off_s in ago), default=0.0),
            exp(-since_s / SOON_S),
        ]
    )


def _velocity(run: Run, scene: SceneFit) -> tuple[float, float]:
    """Velocity at the run's start in the goal frame, m/s; of its first two parts the truer one."""
    first = run.segments[0].stretch
    t = max(run.start_s, first.start_s - 2.0)
    here, on = scene.goal.to_goal(first.centre_m([t, t + 0.02]))[:, :2]
    vx, vy = ((on - here) / 0.02).tolist()
    return vx, vy


def _one_kick_at_a_time(events: list[Event]) -> list[Event]:
    """Of events at one moment, each is a shot only where no likelier one is."""
    out = []
    for event in events:
        p = event.p_shot
        for other in events:
            likelier = (other.p_shot, -other.time_s) > (event.p_shot, -event.time_s)
            if likelier and abs(other.time_s - event.time_s) < ONE_KICK_S:
                p *= 1 - other.p_shot
        out.append(replace(event, p_shot=p))
    return out


def _logistic(x: float) -> float:
    return 1 / (1 + exp(-x)) if x > -500 else 0.0
