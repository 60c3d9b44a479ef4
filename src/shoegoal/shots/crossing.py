"""Where a flight meets the goal line, and how likely the whole ball went in between the markers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from shoegoal.ball.flight import MAX_ROLL_LOSS_MPS2, Flight, path_m
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneSample
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.passing import Passing, met_s, seen_behind, seen_passing, seen_stop
from shoegoal.types import BallSighting, Estimate

DRAWS = 200
DOUBTED = 0.5
LOFT = 5  # place of the upward speed among a flight's parameters
MIN_WAY_M = 0.05
HORIZON_S = 6.0  # a rolling ball has stopped or gone by then
GRID_S = 0.01
SIDE_NOISE_DIAMETERS = 0.12  # what a curved roll or a tuft adds to a straight fitted way; our guess
SEEN_NOISE_DIAMETERS = 0.15  # the same for a ball that was seen at the line; our guess
CAME_THERE = 0.98  # a ball seen behind the line soon after its kick crossed it; else another's did
STOP_NOISE_M = 0.12  # how well a lying ball's distance from the line is known, besides the scene
LINE_NOISE_M = 0.10  # how well "reached the line" is known from behind, besides the fit
MARKER_M = 0.3  # how far a marker reaches outwards: a school bag; common practice, no source
MARKER_TOP_M = 0.4  # a ball whose middle passes higher meets no marker
PAST_MARKER_M = 0.25  # seen so far past the line on its straight way, a ball met no marker
FOLLOWED_S = 0.2  # a flight that ends no sooner before the line tells where it is met,
DISPUTED_M = 0.2  # and ought to agree so far with what was seen there
HIT_IN = 0.4  # a ball that meets a marker may glance off either way; our guess, always asked about
SURE = 0.997  # no shot is surer than the tracking behind it; to be replaced by calibration

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Crossing:
    """A flight measured against the goal.

    Attributes
    ----------
    p_inside : probability that the whole ball is between the markers where it meets the line.
    p_hit : probability that it meets a marker, unless its way was seen to go on past it.
    p_reached : probability that the whole ball crosses the line.
    time_s, x_m, z_m : of the ball's centre on the goal line's plane; None when it stops before.
    seen_beyond : a sighting shows the ball past the line, or turned back at it.
    last_y_m : how far before the line the ball was last explained by the flight.
    """

    p_inside: float
    p_hit: float
    p_reached: float
    time_s: float | None
    x_m: Estimate | None
    z_m: Estimate | None
    seen_beyond: bool
    last_y_m: float

    @property
    def p_make(self) -> float:
        """Probability of a make, never nearer to 0 or 1 than the tracking allows."""
        inside = self.p_inside + HIT_IN * self.p_hit
        return float(np.clip(inside * self.p_reached, 1 - SURE, SURE))


def measure_crossing(
    flight: Flight,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
    later: Sequence[BallSighting] = (),
    seen_again: Sequence[BallSighting] = (),
) -> Crossing:
    """Measure a flight against the goal.

    Parameters
    ----------
    flight : fitted in the camera's ground frame.
    camera, goal : the most likely scene.
    scenes : scenes that the evidence allows, marker placement error included.
    later : the same ball after the flight's end (rebound, stop).
    seen_again : a ball seen elsewhere soon after: behind the line, it must have crossed it.

    Notes
    -----
    The whole of the ball must cross the line between the markers (IFAB Laws of the Game, Law 10,
    from memory), so its centre has to pass y = -radius with its sides inside both inner bases.
    """
    seen = (*flight.sightings, *later)
    passing = seen_passing(seen, flight.radius_m, camera, goal, scenes)
    if passing is not None:
        return _seen(passing, flight, goal, scenes)
    radius = flight.radius_m
    times = flight.kick_time_s + np.arange(0.0, HORIZON_S, GRID_S)
    way = goal.to_goal(flight.centre_m(times))
    foretold = bool((way[:, 1] <= 0.0).any())
    last = goal.to_goal(flight.centre_m([flight.end_s]))[0]
    y_sigma = _sigma(flight, goal, flight.end_s)[1]
    p_seen = float(ndtr((-radius - last[1]) / np.hypot(y_sigma, LINE_NOISE_M)))
    turned = bool(later) and _turned_at_line(camera, goal, 2 * radius, later)
    if turned:
        p_seen = max(p_seen, float(ndtr((2 * radius - last[1]) / np.hypot(y_sigma, LINE_NOISE_M))))
    p_runs_on = _p_runs_on(flight, goal)
    if later and not turned:
        # It was seen again off this way: stopped by something, or not followed well. A person
        # has to tell which, unless it went wide or was rolling out anyway.
        p_runs_on *= DOUBTED
    p_reached = max(p_seen, p_runs_on)
    stops_m = seen_stop(seen, radius, camera, goal, scenes)
    if stops_m is not None:
        p_reached = float(np.mean(ndtr((-radius - stops_m) / STOP_NOISE_M)))
        last[1] = float(np.median(stops_m))
        foretold = foretold and p_reached >= DOUBTED
    elif seen_behind(seen_again, radius, camera, goal, scenes):
        p_reached = max(p_reached, CAME_THERE)
    # A ball that stops short is weighed where it came nearest, in case it did reach the line.
    at = int(np.argmax(way[:, 1] <= 0) if foretold else np.argmin(way[:, 1]))
    time_s = met_s(times, way[:, 1], at - 1) if foretold and at else float(times[at])
    x_map, _, z_map = goal.to_goal(flight.centre_m([time_s]))[0].tolist()
    x_sigma = float(np.hypot(_sigma(flight, goal, time_s)[0], 2 * radius * SIDE_NOISE_DIAMETERS))
    sides, halves = _over_scenes(flight, camera, goal, scenes, time_s, x_map)
    p_inside, p_hit = _inside_and_hit(sides, halves, radius, x_sigma)
    low = z_map <= MARKER_TOP_M + radius
    p_past = float(ndtr((-PAST_MARKER_M - last[1]) / np.hypot(y_sigma, LINE_NOISE_M)))
    spread = float(np.hypot(x_sigma, np.std(sides - x_map)))
    return Crossing(
        p_inside,
        p_hit * (1 - p_past) if low else 0.0,
        p_reached,
        time_s if foretold else None,
        Estimate(x_map, spread) if foretold else None,
        Estimate(z_map, float(_sigma(flight, goal, time_s)[2])) if foretold else None,
        p_seen > 0.9,
        float(last[1]),
    )


def _seen(
    passing: Passing, flight: Flight, goal: GoalFrame, scenes: Sequence[SceneSample]
) -> Crossing:
    """Judge a crossing that was seen; how far the ball ran on may have to be foretold."""
    radius_m = flight.radius_m
    halves = np.array([s.goal.width_m / 2 for s in scenes] or [goal.width_m / 2])
    sigma = float(np.hypot(passing.sigma_m, 2 * radius_m * SEEN_NOISE_DIAMETERS))
    p_inside, p_hit = _inside_and_hit(passing.sides_m, halves, radius_m, sigma)
    foretold_m = goal.to_goal(flight.centre_m([passing.time_s]))[0, 0]
    own_sigma = float(np.hypot(_sigma(flight, goal, passing.time_s)[0], sigma))
    off_m = abs(foretold_m - passing.x_m)
    if flight.end_s > passing.time_s - FOLLOWED_S and off_m > DISPUTED_M + 3 * own_sigma:
        # The flight explains the ball as far as the line, and elsewhere: neither is to be trusted.
        other, _ = _inside_and_hit(foretold_m + 0 * halves, halves, radius_m, own_sigma)
        p_inside = (p_inside + other) / 2
    p_seen = float(np.mean(ndtr((passing.depths_m - radius_m) / LINE_NOISE_M)))
    spread = float(np.hypot(sigma, np.std(passing.sides_m - passing.x_m)))
    return Crossing(
        p_inside=p_inside,
        p_hit=0.0 if passing.seen_after else p_hit,
        p_reached=max(p_seen, _p_runs_on(flight, goal)),
        time_s=passing.time_s,
        x_m=Estimate(passing.x_m, spread),
        z_m=Estimate(radius_m, LINE_NOISE_M),
        seen_beyond=p_seen > 0.9,
        last_y_m=-float(np.median(passing.depths_m)),
    )


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
    flight: Flight,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
    time_s: float,
    x_map_m: float,
) -> tuple[F64, F64]:
    """Crossing x and half goal width in every scene, metres, (S,) each.

    For a rolling ball the fitted way in the picture is laid on each scene's ground anew. In the
    air the picture alone does not fix the depth: there the crossing keeps its share of the width.
    """
    halves = np.array([s.goal.width_m / 2 for s in scenes] or [goal.width_m / 2])
    share = x_map_m / (goal.width_m / 2)
    if flight.lofted or not scenes:
        return share * halves, halves
    times = time_s + np.linspace(-0.4, 0.4, 17)
    centres, _ = camera.ball_image(flight.centre_m(times), 2 * flight.radius_m)
    sides = np.empty(len(scenes))
    for i, scene in enumerate(scenes):
        spots = scene.goal.to_goal(scene.camera.ball_on_ground(centres, scene.ball_diameter_m))
        good = np.isfinite(spots).all(axis=1)
        x, y = spots[good, 0], spots[good, 1]
        # Only a way that meets the line is read off there; drawing it on would blow up near the
        # horizon.
        meets = good.sum() >= 2 and y.min() <= 0.0 <= y.max() and np.ptp(y) > MIN_WAY_M
        sides[i] = float(np.polyfit(y, x, 1)[1]) if meets else share * halves[i]
    return sides, halves


def _sigma(flight: Flight, goal: GoalFrame, time_s: float) -> F64:
    """Return the standard deviations of the ball's goal-frame position at a time, (3,) m."""
    jacobian = np.zeros((3, 7))
    base = flight.parameters
    at = np.array([time_s])
    # A ball that hardly left the ground may bounce once more or once less: a step, not a slope.
    smooth = [k for k in range(7) if k != LOFT or flight.lofted]
    for k in smooth:
        step = 1e-4 * max(1.0, abs(base[k]))
        up, down = base.copy(), base.copy()
        up[k] += step
        down[k] -= step
        difference = goal.to_goal(path_m(up, at, flight.radius_m)) - goal.to_goal(
            path_m(down, at, flight.radius_m)
        )
        jacobian[:, k] = difference[0] / (2 * step)
    return np.asarray(np.sqrt(np.maximum(0, np.diag(jacobian @ flight.covariance @ jacobian.T))))


def _p_runs_on(flight: Flight, goal: GoalFrame) -> float:
    """Probability that the ball, not seen to the end, rolls on over the line.

    Drawn rather than linearised: how far a ball rolls goes with the inverse of its deceleration.
    """
    rng = np.random.default_rng(DRAWS)
    draws = rng.multivariate_normal(flight.parameters, flight.covariance, DRAWS, method="svd")
    # A ball that hardly left the ground rolls on: its small bounces cost it nothing to speak of.
    draws[:, LOFT] = np.clip(draws[:, LOFT], 0.0, None) if flight.lofted else 0.0
    draws[:, 6] = np.clip(draws[:, 6], 0.0, MAX_ROLL_LOSS_MPS2)
    at = np.array([flight.kick_time_s + HORIZON_S])
    ends = np.concatenate([path_m(draw, at, flight.radius_m) for draw in draws])
    past = -flight.radius_m - goal.to_goal(ends)[:, 1]
    return float(np.mean(ndtr(past / LINE_NOISE_M)))


def _turned_at_line(
    camera: Camera, goal: GoalFrame, diameter_m: float, later: Sequence[BallSighting]
) -> bool:
    """Whether the ball's first sightings after the flight are at the line or behind it."""
    pixels = [(s.x_px, s.y_px) for s in later[:3]]
    spots = goal.to_goal(camera.ball_on_ground(pixels, diameter_m))
    return bool(np.isfinite(spots).all() and np.median(spots[:, 1]) <= 2 * diameter_m)
