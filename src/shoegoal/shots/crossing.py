"""Where a run meets the goal line, and how likely the whole ball went in between the markers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from shoegoal.ball.free_motion import FreeStretch, Motion
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneSample
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.runs import Run
from shoegoal.types import Estimate

F64 = npt.NDArray[np.float64]

MARKER_M = 0.3  # how far a marker reaches outwards: a school bag; common practice, no source
MARKER_TOP_M = 0.4  # a ball whose middle passes higher meets no marker
PAST_MARKER_M = 0.25  # a ball that runs straight for this far past the line met no marker
# Errors of a fitted path near the line, on top of its own sigmas: measured on drawn clips.
SIDE_FLOOR_M, DEPTH_FLOOR_M = 0.02, 0.03
TURNED_M = 0.35  # a ball that turns back this near to the line met something that stands on it
HIT_IN = 0.5  # a ball that meets a marker may glance off either way, so a person is always asked
# How often, per second out of sight, a ball is stopped (keeper, bag, foot). Our estimate.
STOPPED_PER_S = 0.3
# How often, per second out of sight between two pieces of its path, it is touched. Our estimate.
TOUCHED_PER_S = 0.03
SEEN_AGAIN_S = 0.15  # shorter gaps do not count: a few pictures may miss a ball in plain view
SURELY_FOLLOWED = 0.99  # above this, another path would change nothing and is not measured
DRAWS = 400
LONGEST_ROLL_S = 8.0


@dataclass(frozen=True, slots=True)
class Crossing:
    """A run measured against the goal.

    Attributes
    ----------
    p_make : probability that the whole ball crossed the line between the markers in this run.
    p_inside : that it is between them where it meets the line (or would).
    p_reached : that the whole ball crosses the line.
    p_hit : that it meets a marker.
    p_followed : that what was followed to the line is one and the same ball.
    time_s, x_m, z_m : of the ball's centre on the goal line's plane; None when it stops before.
    nearest_m : how near it came to the line, negative behind it.
    stopped : it was seen lying still at the end.
    met_before_m : how far before the line something took its speed; None where nothing did.
    unseen_s : from where it was last seen before the line to where it would meet it, when it was
        not seen beyond; else 0.
    """

    p_make: float
    p_inside: float
    p_reached: float
    p_hit: float
    p_followed: float
    time_s: float | None
    x_m: Estimate | None
    z_m: Estimate | None
    nearest_m: float
    stopped: bool
    met_before_m: float | None
    unseen_s: float


def measure_crossing(
    run: Run, camera: Camera, goal: GoalFrame, scenes: Sequence[SceneSample]
) -> Crossing:
    """Measure a run against the goal.

    Parameters
    ----------
    run : of one ball.
    camera, goal : the most likely scene.
    scenes : scenes that the evidence allows, marker placement error included.

    Notes
    -----
    The whole of the ball must cross the line between the markers (IFAB Laws of the Game, Law 10,
    from memory), so its centre has to pass y = -radius with its sides inside both inner bases.
    """
    radius = run.segments[0].stretch.radius_m
    times, way, which = run.trajectory_m(goal)
    over = way[:, 1] <= 0.0
    at = int(np.argmax(over))  # 0 if it never crosses the line, or was beyond it from the start
    seen_to_cross = at > 0
    met_before = _met_before(run, goal, float(times[at]) if seen_to_cross else np.inf)
    last = run.segments[-1]
    if seen_to_cross:
        k = int(which[at])
        # Between two steps the path is practically straight.
        share = way[at - 1, 1] / (way[at - 1, 1] - way[at, 1])
        time_s = float(times[at - 1] + share * (times[at] - times[at - 1]))
        stretch = run.segments[k].stretch
        followed = run.chances[:k]
        deepest = float(way[at:, 1].min())
        # Behind somebody it may have rolled further than it was seen to.
        foretold = _runs_on(run, goal, radius) if at >= len(way) - 2 or not last.lies else 0.0
        depth_sigma = _depth_sigma(stretch, goal, time_s)
        p_reached = max(float(ndtr((-radius - deepest) / depth_sigma)), foretold)
    else:
        followed = run.chances
        nearest = int(np.argmin(way[:, 1]))
        deepest = float(way[nearest, 1])
        time_s, stretch = float(times[nearest]), run.segments[int(which[nearest])].stretch
        p_reached = _reached(run, goal, radius, way)
        if p_reached > 0.5 and not last.lies:
            time_s, stretch = _meets_s(last.stretch, goal), last.stretch
    sides, halves = _over_scenes(stretch, camera, goal, scenes, time_s)
    x_map = float(goal.to_goal(stretch.centre_m([time_s]))[0, 0])
    sigma = float(np.hypot(SIDE_FLOOR_M, _side_sigma(stretch, goal, time_s)))
    p_inside, p_hit = _inside_and_hit(sides, halves, radius, sigma)
    z_map = float(stretch.centre_m([time_s])[0, 2])
    went_past = seen_to_cross and _straight_past(run, goal, time_s)
    if z_map > MARKER_TOP_M + radius or went_past:
        p_hit = 0.0
    turned = _turned_at_line(run, goal)
    if turned is not None:
        p_reached = max(p_reached, float(ndtr((2 * radius - turned) / DEPTH_FLOOR_M)))
    crosses = seen_to_cross or p_reached > 0.5
    unseen_s = max(0.0, time_s - run.end_s) if crosses else 0.0
    if not seen_to_cross:
        p_reached = max(p_reached, _may_have_been_behind(run, goal, radius))
    p_make = (p_inside + HIT_IN * p_hit) * p_reached
    p_make *= float(np.exp(-STOPPED_PER_S * unseen_s - TOUCHED_PER_S * _hidden_s(run, time_s)))
    p_followed = float(np.prod(followed))
    if followed and p_followed < SURELY_FOLLOWED:
        # If another ball may have been followed, this one's own path decides, as far as it goes.
        own = run.until(int(np.argmin(followed)))
        p_own = measure_crossing(own, camera, goal, scenes).p_make
        p_make = p_followed * p_make + (1 - p_followed) * p_own
    spread = float(np.hypot(sigma, np.std(sides - x_map)))
    return Crossing(
        p_make=p_make,
        p_inside=p_inside,
        p_reached=p_reached,
        p_hit=p_hit,
        p_followed=p_followed,
        time_s=time_s if crosses else None,
        x_m=Estimate(x_map, spread) if crosses else None,
        z_m=Estimate(z_map, float(np.sqrt(stretch.centre_covariance_m2(time_s)[2, 2]) + 0.02))
        if crosses
        else None,
        nearest_m=deepest,
        stopped=last.lies or last.end_s >= last.stretch.stops_s - 0.1,
        met_before_m=met_before,
        unseen_s=unseen_s,
    )


def _met_before(run: Run, goal: GoalFrame, until_s: float) -> float | None:
    """How far before the line something first took the ball's speed."""
    for segment, joint_s, met in zip(run.segments, run.joints_s, run.met, strict=False):
        if met and joint_s < until_s:
            y = float(goal.to_goal(segment.stretch.centre_m([joint_s]))[0, 1])
            if y > -segment.stretch.radius_m:
                return y
    return None


def _hidden_s(run: Run, until_s: float) -> float:
    """How long the ball was out of sight between its segments before a time."""
    gaps = (
        min(b.start_s, until_s) - a.end_s
        for a, b in zip(run.segments, run.segments[1:], strict=False)
    )
    return sum(gap for gap in gaps if gap > SEEN_AGAIN_S)


def _may_have_been_behind(run: Run, goal: GoalFrame, radius_m: float) -> float:
    """Probability that a ball met something behind the line while it was not seen.

    Something took its speed between two segments, unseen. That may have been beyond the line, if
    free motion would have taken the ball there by then.
    """
    for k, met in enumerate(run.met):
        a, b = run.segments[k], run.segments[k + 1]
        if met and b.start_s - a.end_s > SEEN_AGAIN_S:
            times = np.linspace(a.end_s, b.start_s, 20)
            if (goal.to_goal(a.stretch.centre_m(times))[:, 1] < -radius_m).any():
                return 0.5
    return 0.0


def _turned_at_line(run: Run, goal: GoalFrame) -> float | None:
    """How far before the line the ball turned round at something that stands on it."""
    for k, (joint_s, met) in enumerate(zip(run.joints_s, run.met, strict=True)):
        if not met:
            continue
        before, after = run.segments[k].stretch, run.segments[k + 1].stretch
        y = float(goal.to_goal(before.centre_m([joint_s]))[0, 1])
        steps = [
            float(np.diff(goal.to_goal(s.centre_m([t, t + 0.02]))[:, 1])[0])
            for s, t in ((before, joint_s - 0.05), (after, joint_s + 0.03))
        ]
        if y <= TURNED_M and steps[0] < 0 <= steps[1]:
            return y
    return None


def _straight_past(run: Run, goal: GoalFrame, time_s: float) -> bool:
    """Whether one free stretch goes from before the line to well past it."""
    for segment in run.segments:
        if segment.start_s < time_s < segment.end_s:
            end = segment.stretch.centre_m([segment.end_s])
            y = float(goal.to_goal(end)[0, 1])
            return y <= -PAST_MARKER_M
    # Out of sight at the line, but on one line before and after it.
    for k in range(len(run.joints_s)):
        a, b = run.segments[k], run.segments[k + 1]
        if a.end_s <= time_s <= b.start_s and not run.met[k]:
            return float(goal.to_goal(b.stretch.centre_m([b.end_s]))[0, 1]) <= -PAST_MARKER_M
    return False


def _reached(run: Run, goal: GoalFrame, radius_m: float, way: F64) -> float:
    """Probability that a ball crossed although it was not seen to."""
    last = run.segments[-1]
    y = float(goal.to_goal(last.stretch.centre_m([last.end_s]))[0, 1])
    sigma = _depth_sigma(last.stretch, goal, last.end_s)
    if last.lies:
        return float(ndtr((-radius_m - way[:, 1].min()) / sigma))
    return max(float(ndtr((-radius_m - y) / sigma)), _runs_on(run, goal, radius_m))


def _runs_on(run: Run, goal: GoalFrame, radius_m: float) -> float:
    """Probability that a ball lost under way rolls on over the line.

    Drawn rather than linearised: how far a ball rolls goes with the inverse of its slowing.
    """
    stretch = run.segments[-1].stretch
    if stretch.motion is Motion.LIES:
        return 0.0
    rng = np.random.default_rng(DRAWS)
    flat = stretch.coefficients.reshape(-1)
    draws = rng.multivariate_normal(flat, stretch.covariance, DRAWS, method="svd")
    draws = draws.reshape(DRAWS, 3, 3)
    since_s = stretch.end_s - stretch.reference_s
    place = draws[:, 0] + since_s * draws[:, 1] + since_s**2 * draws[:, 2]
    velocity = draws[:, 1] + 2 * since_s * draws[:, 2]
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    along = velocity[:, :2] / np.maximum(speed, 1e-9)[:, None]
    loss = np.clip(-2 * np.sum(draws[:, 2, :2] * along, axis=1), 0.0, None)
    if stretch.motion is Motion.FLIES:
        loss = np.abs(rng.normal(0.7, 0.6, DRAWS))
    rolled = np.where(loss > 1e-3, speed**2 / np.maximum(2 * loss, 1e-9), speed * LONGEST_ROLL_S)
    rolled = np.minimum(rolled, speed * LONGEST_ROLL_S)
    ends = np.column_stack([place[:, :2] + along * rolled[:, None], np.zeros(DRAWS)])
    past = -radius_m - goal.to_goal(ends)[:, 1]
    return float(np.mean(ndtr(past / DEPTH_FLOOR_M)))


def _meets_s(stretch: FreeStretch, goal: GoalFrame) -> float:
    times = stretch.end_s + np.arange(0.0, LONGEST_ROLL_S, 0.02)
    y = goal.to_goal(stretch.centre_m(times))[:, 1]
    return float(times[int(np.argmax(y <= 0)) if (y <= 0).any() else int(np.argmin(y))])


def _axes(goal: GoalFrame) -> F64:
    """(2, 2): goal x and y of ground X and Y steps."""
    base = goal.to_goal([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])[:, :2]
    return np.column_stack([base[1] - base[0], base[2] - base[0]])


def _side_sigma(stretch: FreeStretch, goal: GoalFrame, time_s: float) -> float:
    """Sigma of the crossing along the line, including the uncertainty of its moment."""
    axes = _axes(goal)
    cov = axes @ stretch.centre_covariance_m2(time_s)[:2, :2] @ axes.T
    v = axes @ stretch.velocity_mps(time_s)[:2]
    slope = v[0] / v[1] if abs(v[1]) > 0.2 else 0.0
    return float(np.sqrt(max(0.0, cov[0, 0] - 2 * slope * cov[0, 1] + slope**2 * cov[1, 1])))


def _depth_sigma(stretch: FreeStretch, goal: GoalFrame, time_s: float) -> float:
    axes = _axes(goal)
    cov = axes @ stretch.centre_covariance_m2(time_s)[:2, :2] @ axes.T
    return float(np.hypot(DEPTH_FLOOR_M, np.sqrt(max(0.0, cov[1, 1]))))


def _inside_and_hit(
    sides: F64, halves: F64, radius_m: float, sigma_m: float
) -> tuple[float, float]:
    """Probabilities that the ball passes between the markers, and that it meets one.

    ``sides`` and ``halves`` are the crossing and half the goal's width in every scene, (S,) metres.
    """

    def within(limit_m: F64) -> float:
        p = ndtr((limit_m - sides) / sigma_m) - ndtr((-limit_m - sides) / sigma_m)
        return float(np.clip(np.mean(p), 0, 1))

    inside = within(halves - radius_m)
    return inside, max(0.0, within(halves + MARKER_M + radius_m) - inside)


def _over_scenes(
    stretch: FreeStretch,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
    time_s: float,
) -> tuple[F64, F64]:
    """Crossing x and half goal width in every scene, metres, (S,) each.

    A rolling ball's path is projected onto each scene's ground. In the air the picture alone does
    not fix the depth, so the crossing keeps its share of the width.
    """
    x_map = float(goal.to_goal(stretch.centre_m([time_s]))[0, 0])
    halves = np.array([s.goal.width_m / 2 for s in scenes] or [goal.width_m / 2])
    share = x_map / (goal.width_m / 2)
    if stretch.motion is Motion.FLIES or not scenes:
        return share * halves, halves
    around = stretch.centre_m(time_s + np.array([-0.05, 0.0, 0.05]))
    centre, _ = camera.ball_image(around, 2 * stretch.radius_m)
    sides = np.empty(len(scenes))
    for i, scene in enumerate(scenes):
        spots = scene.goal.to_goal(scene.camera.ball_on_ground(centre, scene.ball_diameter_m))
        if not np.isfinite(spots).all():
            sides[i] = share * halves[i]
            continue
        (x0, y0), (x1, y1), (x2, y2) = spots[:, :2]
        slope = (x2 - x0) / (y2 - y0) if abs(y2 - y0) > 1e-3 else 0.0
        # Taken where this scene's line is met; a ball that never comes near keeps its place.
        sides[i] = x1 - slope * np.clip(y1, -0.5, 0.5) if abs(y1) < 0.5 else x1
    return sides, halves
