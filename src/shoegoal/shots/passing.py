"""Where a ball was seen to pass the goal line: read off its own sightings, whatever came before.

A ball that rolls past the line in view needs no model of its flight: bounces on the way there and
a marker that turned it aside show in where it went.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneSample
from shoegoal.scene.goal import GoalFrame
from shoegoal.types import BallSighting

BESIDE_S = 0.35  # of the way on each side of the line that its crossing is read from
LONGEST_GAP_S = 0.4  # unseen at the line for longer, a ball may have been turned aside there
DEEPER_S = 1.5  # how long after the line it may go on to be seen well past it
ENOUGH_AFTER = 3  # sightings past the line that tell its way there by themselves
LIFTED_RATIO = 1.15  # so much larger than a ball on the ground there, it is in the air
STOPPING_S, ENOUGH_TO_STOP = 0.4, 4  # so long, in at least so many sightings,
STOPPED_MPS = 0.35  # a ball has to be slower than this to have stopped
TURNED_M = 0.3  # nearer to the line than where it stopped: it came back
BEHIND_M, IN_MOST_SCENES = 0.2, 0.9
MIN_WAY_M = 0.05
ONE_PX_SHARE = 0.35  # of the local scatter's root, neighbouring sightings err together

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Passing:
    """A crossing that was seen.

    Attributes
    ----------
    time_s : when the ball's middle met the line.
    x_m : where that was, across the goal.
    sigma_m : standard deviation of that from the sightings' scatter.
    sides_m : (S,) the same in every scene that the evidence allows.
    depths_m : (S,) how far behind the line it was seen to go in each.
    seen_after : sightings past the line tell its way there.
    """

    time_s: float
    x_m: float
    sigma_m: float
    sides_m: F64
    depths_m: F64
    seen_after: bool


def seen_passing(
    sightings: Sequence[BallSighting],
    radius_m: float,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
) -> Passing | None:
    """Read off where a ball passes the goal line; None when it is not seen to, or in the air there.

    Parameters
    ----------
    sightings : of one ball, in order of time.
    camera, goal : the most likely scene.
    scenes : scenes that the evidence allows, marker placement error included.
    """
    if len(sightings) < 4:
        return None
    times, pixels = _table(sightings)
    way = goal.to_goal(camera.ball_on_ground(pixels, 2 * radius_m))
    met = _first_met(times, way[:, 1])
    if met is None or first_stop(times[: met + 1], way[: met + 1]) is not None:
        return None
    near, after = _beside(times, way[:, 1], met)
    if near.sum() < 4 or _is_lifted(sightings, near, camera, radius_m):
        return None
    seen_after = bool(after.sum() >= ENOUGH_AFTER)
    chosen = after if seen_after else near
    x_m, scatter_m = _x_at(way[chosen])
    if not np.isfinite(x_m):
        return None
    sides, depths = [], []
    for its_goal, its_way in _ways(pixels, radius_m, camera, goal, scenes):
        side, _ = _x_at(its_way[chosen])
        sides.append(side if np.isfinite(side) else x_m * its_goal.width_m / goal.width_m)
        depths.append(_depth(times, its_way[:, 1], met))
    return Passing(
        time_s=met_s(times, way[:, 1], met),
        x_m=x_m,
        sigma_m=scatter_m,
        sides_m=np.array(sides),
        depths_m=np.array(depths),
        seen_after=seen_after,
    )


def met_s(times: F64, y_m: F64, before: int) -> float:
    """When the line is met, interpolated between one place of a way (N,) and the next."""
    share = y_m[before] / (y_m[before] - y_m[before + 1])
    return float(times[before] + share * (times[before + 1] - times[before]))


def first_stop(times: F64, way_m: F64) -> npt.NDArray[np.bool_] | None:
    """Find where a ball came to a stop: what it does later is another's doing.

    Parameters
    ----------
    times, way_m : (N,) s and (N, 2) ground points, in order of time.

    Returns
    -------
    (N,) which sightings show it at rest there; None when it is not seen to stop.
    """
    good = np.isfinite(way_m).all(axis=1)
    if not good.any():
        return None
    for first in np.flatnonzero(good):
        within = good & (times >= times[first]) & (times <= times[first] + STOPPING_S)
        seconds = float(times[within][-1] - times[first])
        if seconds < 0.8 * STOPPING_S or within.sum() < ENOUGH_TO_STOP:
            continue
        # The farthest it got, not where it ended: a rebound comes back to where it was.
        away_m = np.linalg.norm(way_m[within] - way_m[first], axis=1)
        if float(np.quantile(away_m, 0.9)) <= STOPPED_MPS * seconds:
            return np.asarray(within, np.bool_)
    return None


def seen_stop(
    sightings: Sequence[BallSighting],
    radius_m: float,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
) -> F64 | None:
    """Read off how far before the line a ball came to a stop; None when it was not seen to.

    Parameters
    ----------
    sightings : of one ball from its kick on, in order of time.
    camera, goal, scenes : as for `seen_passing`.

    Returns
    -------
    (S,) metres in each scene that the evidence allows, negative behind the line.
    """
    times, pixels = _table(sightings)
    way = goal.to_goal(camera.ball_on_ground(pixels, 2 * radius_m))
    still = first_stop(times, way)
    if still is None:
        return None
    before = int(np.argmax(still))
    came_back = np.nanmin(way[: before + 1, 1]) < way[before, 1] - TURNED_M
    longest_gap_s = np.diff(times[: before + 1]).max(initial=0)
    if came_back or longest_gap_s > LONGEST_GAP_S:
        return None  # it may have been behind the line
    ways = _ways(pixels[still], radius_m, camera, goal, scenes)
    return np.array([np.median(way[:, 1]) for _, way in ways])


def seen_behind(
    sightings: Sequence[BallSighting],
    radius_m: float,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
) -> bool:
    """Whether any of the sightings shows a ball on the ground behind the line, in most scenes.

    Parameters
    ----------
    sightings : of a ball soon after its kick, in any order.
    camera, goal, scenes : as for `seen_passing`.
    """
    chosen = [s for s in sightings if not _is_lifted([s], np.array([True]), camera, radius_m)]
    if not chosen:
        return False
    ways = _ways(_table(chosen)[1], radius_m, camera, goal, scenes)
    behind = np.array([way[:, 1] < -(radius_m + BEHIND_M) for _, way in ways])
    return bool((behind.mean(axis=0) >= IN_MOST_SCENES).any())


def _table(sightings: Sequence[BallSighting]) -> tuple[F64, F64]:
    """Return times (N,) and disc centres (N, 2), px."""
    times = np.array([s.time_s for s in sightings])
    return times, np.array([(s.x_px, s.y_px) for s in sightings])


def _ways(
    pixels: F64,
    radius_m: float,
    camera: Camera,
    goal: GoalFrame,
    scenes: Sequence[SceneSample],
) -> list[tuple[GoalFrame, F64]]:
    """Goal and goal-frame ground points (N, 2) of discs in every scene; the likeliest for none."""
    if not scenes:
        return [(goal, goal.to_goal(camera.ball_on_ground(pixels, 2 * radius_m)))]
    return [
        (s.goal, s.goal.to_goal(s.camera.ball_on_ground(pixels, s.ball_diameter_m))) for s in scenes
    ]


def _first_met(times: F64, y_m: F64) -> int | None:
    """Index of the last sighting before the line is first passed."""
    with np.errstate(invalid="ignore"):
        over = (y_m[:-1] > 0) & (y_m[1:] <= 0) & (np.diff(times) <= LONGEST_GAP_S)
    return int(np.argmax(over)) if over.any() else None


def _beside(times: F64, y_m: F64, met: int) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which sightings lie near the line, and which of these past it, before any return."""
    usable = np.isfinite(y_m)
    near = usable & (times >= times[met] - BESIDE_S) & (times <= times[met + 1] + BESIDE_S)
    past = np.arange(len(times)) > met
    back = np.flatnonzero(past & usable & (y_m > 0))
    if len(back):
        near &= np.arange(len(times)) < back[0]
    beyond = np.flatnonzero(near & past)
    if len(beyond):  # from a wall close behind it comes back another way
        near &= np.arange(len(times)) <= beyond[np.argmin(y_m[beyond])]
    return near, near & past


def _is_lifted(
    sightings: Sequence[BallSighting],
    near: npt.NDArray[np.bool_],
    camera: Camera,
    radius_m: float,
) -> bool:
    chosen = [s for s, good in zip(sightings, near, strict=True) if good]
    expected = camera.lying_diameter_px(_table(chosen)[1], 2 * radius_m)
    ratio = np.array([s.diameter_px for s in chosen]) / expected
    return bool(np.nanmedian(ratio) > LIFTED_RATIO)


def _x_at(spots: F64) -> tuple[float, float]:
    """Sideways place (m) where the straight way through points meets y = 0, and its sigma."""
    good = np.isfinite(spots).all(axis=1)
    x, y = spots[good, 0], spots[good, 1]
    if good.sum() < 2 or np.ptp(y) < MIN_WAY_M:
        return float("nan"), float("nan")
    slope, start = np.polyfit(y, x, 1)
    rms = float(np.sqrt(np.mean((x - start - slope * y) ** 2)))
    return float(start), rms * max(ONE_PX_SHARE, 1 / np.sqrt(good.sum()))


def _depth(times: F64, y_m: F64, met: int) -> float:
    """How far behind the line the ball is seen to go soon after it met it, metres."""
    soon = (np.arange(len(times)) > met) & (times <= times[met] + DEEPER_S) & np.isfinite(y_m)
    # The second deepest: one stray sighting must not decide it.
    deepest = np.sort(y_m[soon])[: min(2, int(soon.sum()))]
    return float(-deepest[-1]) if len(deepest) else 0.0
