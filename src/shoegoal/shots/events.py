"""Which runs are shots: every run and every ball that left its place, with probabilities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, exp, hypot, inf, log, pi

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from shoegoal.scene.fit import SceneFit
from shoegoal.shots.crossing import Crossing, measure_crossing
from shoegoal.shots.rebounds import Between, passing
from shoegoal.shots.runs import Run, runs_of
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import Story
from shoegoal.shots.weights import Weights

F64 = npt.NDArray[np.float64]

SCENES = 64
SPOT_SPREAD = 0.08  # of the kick distance: starts this close together are one spot
STAGE_SPREAD = 0.25  # how far a child's pacing may stray from the stage's ratio; no source
LEAST_UNSEEN = 0.05  # a ball less likely to have left unseen is not asked about
NEAR_THE_LINE_M = 0.3  # nobody kicks from there
SOON_S = 3.0  # after which a ball's place says little about where it was before
ONE_KICK_S = 1.0  # nobody kicks at the goal twice within this time
AT_ONCE_S = 0.3  # of the film's start: a ball already moving then was kicked before


@dataclass(frozen=True, slots=True)
class KickSpot:
    """Where the clip's shots start, in the goal frame.

    Attributes
    ----------
    x_m, y_m : the place.
    starts_m : (N,) of each run, where it starts, x.
    from_rest : (N,) how much each run looks like a kick of a ball that lay there, 0..1.
    """

    x_m: float
    y_m: float
    starts_m: F64
    from_rest: F64

    def beside(self, number: int) -> KickSpot:
        """Return the spot without one of the runs: what the others say about it."""
        starts_m, from_rest = np.delete(self.starts_m, number), np.delete(self.from_rest, number)
        return replace(self, starts_m=starts_m, from_rest=from_rest)

    def aside(self, x_m: float) -> float:
        """How far a place is from the nearest other kick, over the kick distance.

        Balls may wait in a row, and each is kicked where it lies.
        """
        off = np.abs(x_m - np.append(self.starts_m, self.x_m)) / self.y_m
        return float(np.min(off + 1 - np.append(self.from_rest, 1.0)))


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """A run, or a ball that left its place unseen, that may have been a shot.

    Attributes
    ----------
    time_s, end_s : when it was struck, and its last sighting.
    spot_m : (x, y) where it started, goal frame.
    run : the ball's way; None where the ball was not seen again.
    stay : where the ball lay before; None where that was not seen.
    p_shot : probability that it was a kick at the goal from the kick spot.
    crossing : of the run; None without one.
    features : that `p_shot` was worked out from.
    """

    time_s: float
    end_s: float
    spot_m: tuple[float, float]
    run: Run | None
    stay: Segment | None
    p_shot: float
    crossing: Crossing | None
    features: F64


def find_events(
    story: Story,
    scene: SceneFit,
    stage_ratio: float | None,
    weights: Weights,
    start_s: float = -inf,
) -> list[Event]:
    """List everything that may have been a shot, in order of time, with its chances.

    Parameters
    ----------
    story : of the clip, on the scene's ground.
    scene : camera, goal and their spread.
    stage_ratio : kick distance over goal width that the stage asks for, when known.
    weights : learnt.
    start_s : presentation time of the first picture, when known.
    """
    runs = runs_of(story)
    starts = [start_of(run, story, scene, weights) for run in runs]
    spot = kick_spot(runs, starts, scene, stage_ratio)
    draws = scene.samples(SCENES)
    events = []
    seen_to_leave: dict[int, float] = {}  # by the lying ball to which a ball's way leads back
    for number, (run, start) in enumerate(zip(runs, starts, strict=True)):
        crossing = measure_crossing(run, scene.camera, scene.goal, draws)
        features = shot_features(run, start, crossing, spot.beside(number), start_s)
        # A shot is of a ball and from in front of the goal line, whatever else it looks like.
        p_ball = run.p_begins * expit(run.ball_log_odds)
        if start.stay is not None:
            seen = max(seen_to_leave.get(id(start.stay), 0.0), p_ball * (1 - start.p_new))
            seen_to_leave[id(start.stay)] = seen
        p = p_ball * (start.place_m[1] > 0) * expit(float(features @ weights.shot))
        events.append(
            Event(start.time_s, run.end_s, start.place_m, run, start.stay, p, crossing, features)
        )
    kicks = [(event.time_s, event.p_shot) for event in events]
    for i, segment in enumerate(story.segments):
        p_unseen = unseen_chance(story, i) if segment.lies else 0.0
        p_unseen = min(p_unseen, 1 - seen_to_leave.get(id(segment), 0.0))
        if p_unseen < LEAST_UNSEEN:
            continue
        features = unseen_features(story, i, scene, spot, kicks)
        x, y = scene.goal.to_goal(segment.stretch.centre_m([segment.end_s]))[0, :2].tolist()
        # If it was not a ball, it was not kicked.
        p = p_unseen * expit(segment.ball_log_odds)
        p *= expit(float(features @ weights.unseen))
        end_s = min(segment.latest_s, segment.left_s + SOON_S)
        events.append(Event(segment.left_s, end_s, (x, y), None, segment, p, None, features))
    earned = weights.shot_calibration.of
    weighed = [replace(e, p_shot=earned(e.p_shot)) for e in _one_kick_at_a_time(events)]
    return sorted(_one_kick_at_a_time(weighed), key=lambda e: e.time_s)


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """How a run begins.

    Attributes
    ----------
    time_s : when it was struck.
    place_m : (x, y) where, goal frame.
    velocity_mps : (x, y) with which it set off, goal frame.
    stay : the lying ball that was struck, or what else the run came from; None for a ball that came
        to sight on its way.
    p_new : probability that it came to sight on its way, out of nothing that was seen.
    """

    time_s: float
    place_m: tuple[float, float]
    velocity_mps: tuple[float, float]
    stay: Segment | None
    p_new: float


def start_of(run: Run, story: Story, scene: SceneFit, weights: Weights) -> Start:
    """Find when and from where a run was struck: by the lying ball to which its path leads back.

    That is the ball from which the story has it struck or, if the path does not lead there, the
    likeliest of those that lay just before and did not leave otherwise. If none is likelier than a
    ball from anywhere, the run begins where the story has it begin.
    """
    j, first = run.numbers[0], run.segments[0]
    stay, at_s, p_new = run.before, run.start_s, run.p_new
    found = []
    if stay is not None and stay.lies:
        found.append((*passing(stay, first, run.start_s, weights), stay))
    if not found or found[0][0] <= 0:
        found = []
        for i, other in enumerate(story.segments):
            if other.lies and other.start_s < first.start_s:
                met, when_s = passing(other, first, first.start_s, weights)
                stayed = 1 - float(story.follows[i].sum() - story.follows[i, j])
                found.append((met + log(max(stayed, 1e-9)), when_s, other))
    if found:
        met, when_s, struck = max(found, key=lambda one: one[0])
        if met > 0:
            stay, at_s, p_new = struck, when_s, p_new * expit(-met)
    if stay is not None and stay.lies:
        place = stay.stretch.centre_m([stay.end_s])
    else:
        place = first.stretch.centre_m([run.start_s])
    x, y = scene.goal.to_goal(place)[0, :2].tolist()
    return Start(at_s, (x, y), _velocity(run, scene), stay, p_new)


def kick_spot(
    runs: Sequence[Run], starts: Sequence[Start], scene: SceneFit, stage_ratio: float | None
) -> KickSpot:
    """Find where most runs towards the goal start, near where the stage asks for it."""
    asked_m = scene.goal.width_m * stage_ratio if stage_ratio else None
    places = np.array([start.place_m for start in starts]).reshape(-1, 2)
    rested = np.array([start.stay is not None and start.stay.lies for start in starts], bool)
    votes = np.array([_kick_like(run, start) for run, start in zip(runs, starts, strict=True)])
    if votes.sum() <= 0:
        nothing = np.zeros(len(runs))
        return KickSpot(0.0, asked_m or 2.5 * scene.goal.width_m, places[:, 0], nothing)
    logs = np.log(np.maximum(places[:, 1], NEAR_THE_LINE_M))
    near = np.exp(-0.5 * ((logs[:, None] - logs) / SPOT_SPREAD) ** 2)
    weight = votes * np.where(rested, 2.0, 1.0)
    score = near @ weight
    if asked_m:
        score = score * np.exp(-0.5 * ((logs - log(asked_m)) / STAGE_SPREAD) ** 2)
    share = near[int(np.argmax(score))]
    y = float(np.exp(np.average(logs, weights=share * weight)))
    x = float(np.average(places[:, 0], weights=share * weight))
    return KickSpot(x, y, places[:, 0], share * votes * rested)


def _kick_like(run: Run, start: Start) -> float:
    """How much a run looks like a kick towards the goal from anywhere, 0..1."""
    (x, y), (vx, vy) = start.place_m, start.velocity_mps
    if y <= NEAR_THE_LINE_M:
        return 0.0
    towards = -(vx * x + vy * y) / max(1e-6, hypot(vx, vy) * hypot(x, y))
    ball = run.p_begins * expit(run.ball_log_odds - 2)
    return ball * max(0.0, towards) ** 4 * min(1.0, hypot(vx, vy) / 3.0)


def shot_features(
    run: Run, start: Start, crossing: Crossing, spot: KickSpot, start_s: float = -inf
) -> F64:
    """Return features that separate a shot from a pass back, a fetch or another game's ball, (12,).

    Each is bounded: a share of a scale, 0..1. ``spot`` is of the other runs: a ball that rolls
    through where nobody kicks is no shot.
    """
    x, y = start.place_m
    speed = hypot(*start.velocity_mps)
    back = log(max(y, 0.05) / spot.y_m)
    went = float(np.clip((y - crossing.nearest_m) / max(y, 0.3), 0.0, 1.0))
    first = run.segments[0]
    seen_s = sum(s.end_s - s.start_s for s in run.segments if not s.lies)
    height = max(0.0, float(first.stretch.centre_m([first.start_s])[0, 2]) - 0.2)
    return np.array(
        [
            1.0,
            # Behind the kick line, a ball is on its way back; before it, it may have been hidden.
            _beyond(max(back, 0.0), 0.1),
            min(max(-back, 0.0), 1.0),
            _beyond(spot.aside(x), 0.5),
            min(went / 0.6, 1.0),
            # A ball seen for long that comes no nearer was not shot; a glimpse says little.
            _beyond(seen_s, 1.3) * (1 - min(went / 0.3, 1.0)),
            min(speed / 3.0, 1.0),
            # Faster than that, it was hardly an accident.
            float(np.clip((speed - 3.0) / 4.0, 0.0, 1.0)),
            _beyond(height, 0.4),
            # If no other ball was kicked from rest, one that comes into sight may have rolled in.
            start.p_new * exp(-float(spot.from_rest.sum())),
            # A ball under way when the film begins was not kicked on film.
            exp(-max(start.time_s - start_s, 0.0) / AT_ONCE_S),
            # A ball that sets off 45 degrees or more from the goal's middle was hardly aimed.
            min(_turn(start) / (pi / 4), 1.0) ** 2,
        ]
    )


def _turn(start: Start) -> float:
    """Angle between a run's first direction and that to the middle of the goal, 0 to pi, rad."""
    (x, y), (vx, vy) = start.place_m, start.velocity_mps
    return abs(atan2(vy * x - vx * y, -vx * x - vy * y))


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
    """Return features that separate a ball kicked unseen from one picked up or never there, (6,).

    ``kicks`` are times and probabilities of the shots that were seen: nobody kicks again at once.
    """
    stay = story.segments[i]
    _, y = scene.goal.to_goal(stay.stretch.centre_m([stay.end_s]))[0, :2].tolist()
    emerged = 0.0  # a ball that came into sight soon after, further on
    for j, other in enumerate(story.segments):
        if not 0 <= other.start_s - stay.end_s < SOON_S or j == i:
            continue
        there = scene.goal.to_goal(other.stretch.centre_m([other.start_s]))[0]
        if there[1] < 0.8 * y:
            p = expit(other.ball_log_odds) * (story.follows[-1, j] + story.follows[i, j])
            emerged = max(emerged, p)
    return np.array(
        [
            1.0,
            _beyond(log(max(y, 0.05) / spot.y_m), 0.1),
            float(np.clip(stay.ball_log_odds, -4.0, 6.0)) / 4,
            _beyond(stay.end_s - stay.start_s, 1.0),
            emerged,
            max((p * exp(-abs(at_s - stay.end_s) / SOON_S) for at_s, p in kicks), default=0.0),
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
