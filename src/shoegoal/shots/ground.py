"""The ground and its kicks from what the watcher saw, before the goal is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.ball.free_motion import Motion
from shoegoal.ball.tracks import LAY_S, SURELY_A_BALL, since_it_left
from shoegoal.ball.watch import BallRecord
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit, SceneNotFittedError, fit_ground
from shoegoal.scene.lens import Lens
from shoegoal.shots.runs import Run, runs_of
from shoegoal.shots.segments import Segment, segments_of
from shoegoal.shots.story import Story, tell_story
from shoegoal.shots.weights import Weights, shipped_weights
from shoegoal.types import Detection

F64 = npt.NDArray[np.float64]

# A ball on its way may be off the ground, and its sightings err together. Of the diameter.
ON_ITS_WAY_SIGMA = 0.05
# A resting ball is measured once but was there in every picture for seconds, on the ground for
# sure, so it counts as this many sightings.
RESTING_VOTES = 6
MOST_OF_A_SEGMENT = 12
SEED_SCORE = 0.9  # least score of a sighting that the first ground may use
LIKE_A_BALL = 2.0  # least log odds of a segment that the second one may use
ONE_DEPARTURE_S = 0.8  # two sightings of one departure may differ by this much
LEAST_KICK_MPS = 1.5  # a slower thing that leaves may be a limb; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The ground, and the story on it.

    Attributes
    ----------
    fit : camera and ball diameter.
    story : of the clip on this ground.
    kicks : runs of a ball from a place where it lay, in order of time.
    sightings : what the ground was fitted to.
    """

    fit: GroundFit
    story: Story
    kicks: tuple[Run, ...]
    sightings: tuple[Detection, ...]

    @property
    def spots_px(self) -> list[tuple[float, float]]:
        """Disc centres of the balls that were kicked, as they lay."""
        lay = [run.before.stretch.sightings[-1] for run in self.kicks if run.before is not None]
        return [(s.x_px, s.y_px) for s in lay]

    @property
    def trajectories_m(self) -> list[F64]:
        """Ways (N, 2) over the ground of the balls that were kicked, each from where it lay.

        They end where a ball met something.
        """
        return [self._way_m(run) for run in self.kicks]

    def _way_m(self, run: Run) -> F64:
        way = _free_way(run)
        if run.before is None:
            return way
        lay = run.before.stretch.sightings[-1]
        diameter_m = self.fit.ball_diameter_m.value
        return np.vstack([self.fit.camera.ball_on_ground([[lay.x_px, lay.y_px]], diameter_m), way])


def _free_way(run: Run) -> F64:
    free = 1 + next((k for k, met in enumerate(run.met) if met), len(run.met))
    parts = [
        segment.stretch.centre_m([seen.time_s for seen in segment.stretch.sightings])[:, :2]
        for segment in run.segments[:free]
        if not segment.lies
    ]
    return np.concatenate(parts)


def find_ground(
    record: BallRecord,
    size_px: tuple[int, int],
    *,
    ball: BallSize = BallSize.UNKNOWN,
    lens: Lens | None = None,
    weights: Weights | None = None,
) -> Ground:
    """Find the ground on which the ball keeps its size, and what was kicked on it.

    Parameters
    ----------
    record : what the watcher saw.
    size_px : width and height of the displayed picture.
    ball : size printed on it.
    lens : calibrated lens, or None.
    weights : learnt; those that come with the package by default.

    Raises
    ------
    SceneNotFittedError
        No ball was seen rolling or resting on level ground.
    """
    weights = weights or shipped_weights()
    fit = _first_ground(record, size_px, ball, lens)
    segments = _segments_on(fit.camera, fit.ball_diameter_m.value, record, weights)
    better = ground_sightings(segments)
    try:
        fit = fit_ground(better, size_px, ball=ball, lens=lens)
    except SceneNotFittedError:
        better = [*_resting(record), *_moving(record)]
    else:
        segments = _segments_on(fit.camera, fit.ball_diameter_m.value, record, weights)
    story = tell_story(segments, weights)
    kicks = [run for run in runs_of(story, 0.5) if _is_a_kick(run)]
    return Ground(fit, story, tuple(kicks), tuple(better))


def _segments_on(
    camera: Camera, diameter_m: float, record: BallRecord, weights: Weights
) -> list[Segment]:
    return segments_of(camera, diameter_m, record.tracks, record.resting, weights)


def _is_a_kick(run: Run) -> bool:
    first = run.segments[0].stretch
    speed = float(np.hypot(*first.velocity_mps(first.start_s)[:2]))
    return (
        run.before is not None
        and run.before.lies
        and run.ball_log_odds >= LIKE_A_BALL
        and speed >= LEAST_KICK_MPS
    )


def _first_ground(
    record: BallRecord, size_px: tuple[int, int], ball: BallSize, lens: Lens | None
) -> GroundFit:
    """Fit the ground to what is probably the ball, some of it perhaps in the air.

    Where legs that stood still were taken for balls, moving balls alone are used.
    """
    resting, moving = _resting(record), _moving(record)
    try:
        return fit_ground([*resting, *moving], size_px, ball=ball, lens=lens)
    except SceneNotFittedError:
        return fit_ground(moving, size_px, ball=ball, lens=lens)


def _resting(record: BallRecord) -> list[Detection]:
    sure = [rest.sighting for rest in record.resting if rest.ball_score >= SURELY_A_BALL]
    return [sighting for sighting in sure for _ in range(RESTING_VOTES)]


def _moving(record: BallRecord) -> list[Detection]:
    found = []
    for track in record.tracks:
        sure = [s for s in track.sightings if s.ball_score >= SEED_SCORE]
        if 2 * len(sure) >= len(track.sightings):
            found.extend(_on_their_way(_few_of(sure)))
    return found


def ground_sightings(segments: Sequence[Segment]) -> list[Detection]:
    """Return the sightings that show the ground: those of a ball that lies or rolls."""
    found: list[Detection] = []
    for segment in segments:
        if segment.ball_log_odds < LIKE_A_BALL or segment.stretch.motion is Motion.FLIES:
            continue
        sightings = segment.stretch.sightings
        if segment.lies:
            middle = sightings[len(sightings) // 2]
            found.extend([replace(middle, at_rest=True)] * RESTING_VOTES)
        else:
            found.extend(_on_their_way(_few_of(sightings)))
    return found


def _few_of(sightings: Sequence[Detection]) -> list[Detection]:
    """Pick sightings evenly: a ball carried home must not outvote those that lay and rolled."""
    if len(sightings) <= MOST_OF_A_SEGMENT:
        return list(sightings)
    return [sightings[i] for i in np.linspace(0, len(sightings) - 1, MOST_OF_A_SEGMENT).astype(int)]


def _on_their_way(sightings: Sequence[Detection]) -> list[Detection]:
    def sigma_px(s: Detection) -> float:
        return float(np.hypot(s.diameter_sigma_px, ON_ITS_WAY_SIGMA * s.diameter_px))

    return [replace(s, diameter_sigma_px=sigma_px(s)) for s in sightings]


def departures_s(record: BallRecord) -> list[float]:
    """Find when balls left a place, by appearance alone, for clips whose goal is not known.

    Parameters
    ----------
    record : what the watcher saw.

    Returns
    -------
    Times in order, no two within ``ONE_DEPARTURE_S``; of balls that the detector is sure of.
    """
    times = [
        rest.before_s
        for rest in record.resting
        if not rest.arrived and rest.ball_score >= SURELY_A_BALL
    ]
    for track in record.tracks:
        moving = since_it_left(track.sightings)
        lay_s = moving[0].time_s - track.start_s if moving else 0.0
        if track.ball_score >= SURELY_A_BALL and lay_s >= LAY_S:
            times.append(moving[0].time_s)
    kept: list[float] = []
    for time_s in sorted(times):
        if not kept or time_s - kept[-1] > ONE_DEPARTURE_S:
            kept.append(time_s)
    return kept
