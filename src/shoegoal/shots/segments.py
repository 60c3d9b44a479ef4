"""The segments of a clip: every stretch of free motion and every stay of a lying ball, as evidence.

A segment is the path of one ball (or another thing) between two contacts. Which segments belong to
one ball is decided in `shoegoal.shots.story`, what happened between them in `rebounds`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, log

import numpy as np
import numpy.typing as npt

from shoegoal.ball.free_motion import FreeStretch, Motion, SightLines, fit_stretch, free_stretches
from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.scene.camera import Camera
from shoegoal.shots.weights import Weights

F64 = npt.NDArray[np.float64]

SAME_PLACE_DIAMETERS = 0.6  # two lying balls this close together are one that stayed
HIDDEN_BY_LEGS_S = 0.7  # for this long a kicker stands over the ball's place after a kick
SAME_TIME_S = 1.0  # a ball that left is sought among stays that ended within this time


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """One stretch of free motion, or one stay.

    Attributes
    ----------
    stretch : the fitted motion; of a stay, where the ball lay.
    start_s, end_s : times at which it was surely moving (or lying there).
    earliest_s, latest_s : it may have begun as early, and ended as late, as this; infinite where
        a stay's beginning or end was not seen.
    track : number of the track that it was cut from; -1 for a stay that was only seen to begin
        or end in the background.
    ball_log_odds : how surely it is a ball's.
    left_s : when a stay most likely ended; of a stretch its end.
    """

    stretch: FreeStretch
    start_s: float
    end_s: float
    earliest_s: float
    latest_s: float
    track: int
    ball_log_odds: float
    left_s: float

    @property
    def lies(self) -> bool:
        """Whether the ball lay still."""
        return self.stretch.motion is Motion.LIES


def segments_of(
    camera: Camera,
    diameter_m: float,
    tracks: Sequence[BallTrack],
    resting: Sequence[RestingBall],
    weights: Weights,
    noise: float = 1.0,
) -> list[Segment]:
    """Cut tracks into free motion, and join what was seen of lying balls into stays.

    Parameters
    ----------
    camera, diameter_m : the ruler.
    tracks, resting : what the watcher saw.
    weights : learnt; see `shoegoal.shots.weights`.
    noise : of the clip's sightings, over what is usual.

    Returns
    -------
    In order of their start.
    """
    moving: list[Segment] = []
    lying: list[Segment] = []
    for number, track in enumerate(tracks):
        stretches = free_stretches(camera, diameter_m, track.sightings, noise)
        for k, stretch in enumerate(stretches):
            still = stretch.motion is Motion.LIES
            came_s = stretch.start_s if k or not still else -inf
            left_s = stretch.end_s
            if still:
                left_s = stretches[k + 1].start_s if k + 1 < len(stretches) else inf
            segment = Segment(
                stretch,
                stretch.start_s,
                stretch.end_s,
                came_s,
                left_s,
                number,
                ball_log_odds(camera, stretch, weights),
                min(stretch.end_s, left_s),
            )
            (lying if still else moving).append(segment)
    stays = _stays(camera, diameter_m, lying, resting, weights)
    moving = [one for one in moving if not any(_trembles_in(one, stay) for stay in stays)]
    return sorted([*moving, *stays], key=lambda s: (s.start_s, s.end_s))


def ball_features(camera: Camera, stretch: FreeStretch) -> F64:
    """Return features that separate a ball's stretch from a limb's or a leaf's, (6,)."""
    scores = np.clip([s.ball_score for s in stretch.sightings], 1e-3, 1 - 1e-3)
    times = np.array([s.time_s for s in stretch.sightings])
    sizes = np.array([s.diameter_px for s in stretch.sightings])
    way = stretch.centre_m(times)
    _, expected = camera.ball_image(way, 2 * stretch.radius_m)
    ratio = np.nanmedian(np.log(sizes / expected)) if np.isfinite(expected).any() else 1.0
    below_m = float(max(0.0, stretch.radius_m - way[:, 2].min()))
    return np.array(
        [
            1.0,
            float(np.mean(np.log(scores / (1 - scores)))),
            log(len(times)),
            min(1.0, below_m),
            min(1.0, abs(float(ratio))) * 5,
            float(stretch.motion is Motion.FLIES),
        ]
    )


def ball_log_odds(camera: Camera, stretch: FreeStretch, weights: Weights) -> float:
    """How surely a stretch is a ball's, in log odds."""
    return float(ball_features(camera, stretch) @ weights.ball)


def _stays(
    camera: Camera,
    diameter_m: float,
    lying: Sequence[Segment],
    resting: Sequence[RestingBall],
    weights: Weights,
) -> list[Segment]:
    """Join tracked and settled sightings of lying balls, place by place, in order of time."""
    seen = [*lying, *_changes(camera, diameter_m, resting, weights)]
    seen.sort(key=lambda s: (s.start_s, s.end_s))
    stays: list[Segment] = []
    for segment in seen:
        for k in range(len(stays) - 1, -1, -1):
            if _same_stay(stays[k], segment):
                stays[k] = _joined(stays[k], segment)
                break
        else:
            stays.append(segment)
    return stays


def _changes(
    camera: Camera, diameter_m: float, resting: Iterable[RestingBall], weights: Weights
) -> list[Segment]:
    """Stays of which only the beginning or the end was seen, by a change of the background."""
    found = []
    for rest in resting:
        sighting = replace(rest.sighting, ball_score=rest.ball_score)
        # One picture is measured, but the ball was there in all of them: it is well known.
        line = SightLines.of(camera, diameter_m, [sighting] * 3)
        if not np.isfinite(line.right).all():
            continue
        stretch = fit_stretch(line, diameter_m / 2, [sighting] * 3, Motion.LIES)
        # Legs that hide a place may make it look as if the ball still lay there.
        at_s = rest.after_s if rest.arrived else rest.before_s - HIDDEN_BY_LEGS_S
        found.append(
            Segment(
                stretch,
                at_s,
                at_s,
                rest.before_s if rest.arrived else -inf,
                inf if rest.arrived else rest.after_s,
                -1,
                ball_log_odds(camera, stretch, weights),
                at_s if rest.arrived else rest.before_s,
            )
        )
    return found


def _trembles_in(moving: Segment, stay: Segment) -> bool:
    """Whether a stretch that hardly moves is a second track of a ball that lies there."""
    if moving.track == stay.track or moving.start_s > stay.end_s or moving.end_s < stay.start_s:
        return False
    place = stay.stretch.sightings[-1]
    reach_px = SAME_PLACE_DIAMETERS * place.diameter_px
    return all(
        np.hypot(s.x_px - place.x_px, s.y_px - place.y_px) <= reach_px
        for s in moving.stretch.sightings
    )


def _same_stay(stay: Segment, other: Segment) -> bool:
    """Whether a later sighting of a lying ball is of the same stay."""
    if stay.track == other.track >= 0:
        return False  # it was followed from the one to the other
    a, b = stay.stretch.sightings[-1], other.stretch.sightings[0]
    apart = np.hypot(a.x_px - b.x_px, a.y_px - b.y_px) / min(a.diameter_px, b.diameter_px)
    if apart > SAME_PLACE_DIAMETERS:
        return False
    # One that was seen to end is over; one that was seen to begin is new.
    over_s = stay.latest_s if np.isfinite(stay.latest_s) else inf
    new_s = other.earliest_s if np.isfinite(other.earliest_s) else -inf
    return over_s >= other.start_s - SAME_TIME_S and new_s <= stay.end_s + SAME_TIME_S


def _joined(a: Segment, b: Segment) -> Segment:
    tracked = [s for s in (a, b) if s.track >= 0]
    best = max(tracked or [a, b], key=lambda s: len(s.stretch.sightings))
    ends = [s.latest_s for s in (a, b) if np.isfinite(s.latest_s)]
    begins = [s.earliest_s for s in (a, b) if np.isfinite(s.earliest_s)]
    start_s, end_s = min(a.start_s, b.start_s), max(a.end_s, b.end_s)
    return Segment(
        best.stretch,
        start_s,
        # Where it was followed as it left, it did not lie there any more.
        max(start_s, min([end_s, *ends])),
        min(begins) if begins else -inf,
        min(ends) if ends else inf,
        (tracked[-1] if tracked else a).track,
        max(a.ball_log_odds, b.ball_log_odds),
        max(start_s, min([max(a.left_s, b.left_s), *ends])),
    )
