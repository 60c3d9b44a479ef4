"""Where a dribbled ball met something: the joints of its story, with what they changed.

The ground is found as for shots. Where the ball moved too little for that, a phone held as usual is
assumed, which is good enough for the ball's speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from shoegoal.ball.free_motion import Motion
from shoegoal.ball.tracks import LAY_S, RestingBall, apart_px, since_it_left
from shoegoal.ball.watch import BallRecord
from shoegoal.scene.ball_size import BallSize, ball_ruler
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import SceneNotFittedError
from shoegoal.scene.posterior import LONG_SIDE_FOV_RAD, focal_of_fov
from shoegoal.shots.ground import LIKE_A_BALL, find_ground
from shoegoal.shots.rebounds import Between
from shoegoal.shots.segments import Segment, segments_of
from shoegoal.shots.story import Story, tell_story
from shoegoal.shots.weights import Weights, shipped_weights
from shoegoal.types import Detection

USUAL_PITCH_DEG = 12.0  # of a phone that has ball and feet in view; common practice, no source
USUAL_HEIGHT_M, LEAST_HEIGHT_M = 1.0, 0.2
AT_ONCE_S = 0.2
JOINED_S = 1.0  # a ball that is out of sight for longer begins another path
LEAST_SIGHTINGS = 8  # of a stretch from which the clip's noise is measured
NOISE_BOUNDS = (0.5, 1.0)
OTHER_BALL_SHARE = 0.5  # of a path's time that another one covers: then it is a second ball
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """Where one stretch of free motion ends and the next begins.

    Places and velocities are in the camera ground frame, Z up.

    Attributes
    ----------
    time_s : about when.
    unseen_s : how long the ball was out of sight there.
    place_m : (3,) the ball's centre there.
    place_px, diameter_px : its disc.
    before_mps, after_mps : (3,) velocities.
    covariance : (3, 3) of their difference.
    flies : the ball was in the air before or after.
    from_rest : it lay before.
    """

    time_s: float
    unseen_s: float
    place_m: F64
    place_px: tuple[float, float]
    diameter_px: float
    before_mps: F64
    after_mps: F64
    covariance: F64
    flies: bool = False
    from_rest: bool = False

    @property
    def change_mps(self) -> float:
        """How much the velocity changes."""
        return float(np.linalg.norm(self.after_mps - self.before_mps))

    @property
    def significance(self) -> float:
        """That change in standard deviations (Mahalanobis distance)."""
        change = self.after_mps - self.before_mps
        known = self.covariance + 1e-6 * np.eye(3)
        return float(np.sqrt(change @ np.linalg.solve(known, change)))


@dataclass(frozen=True, slots=True, eq=False)
class Trajectory:
    """One way of the dribbled ball without a long break.

    Attributes
    ----------
    segments : in order of time, stays among them.
    contacts : where they meet; the first is the one that set the ball going.
    diameter_m : of the ball.
    """

    segments: tuple[Segment, ...]
    contacts: tuple[Contact, ...]
    diameter_m: float

    @property
    def sightings(self) -> list[Detection]:
        """Of the ball on its way, in order of time."""
        return [s for segment in self.moving for s in segment.stretch.sightings]

    @property
    def moving(self) -> list[Segment]:
        """Its segments on which it moves."""
        return [segment for segment in self.segments if not segment.lies]

    @property
    def start_s(self) -> float:
        """When it began to move."""
        return self.contacts[0].time_s

    @property
    def end_s(self) -> float:
        """Last sighting on the way."""
        return self.moving[-1].end_s

    @property
    def end_speed_mps(self) -> float:
        """How fast the ball was when it was seen last."""
        last = self.segments[-1].stretch
        return float(np.linalg.norm(last.velocity_mps(last.end_s)))


def dribbled_trajectories(
    record: BallRecord,
    size_px: tuple[int, int],
    ball: BallSize = BallSize.UNKNOWN,
    weights: Weights | None = None,
) -> list[Trajectory]:
    """Follow the ball that is dribbled through the clip.

    Parameters
    ----------
    record : all that was seen of balls.
    size_px : width and height of the displayed picture.
    ball : its size class.
    weights : learnt; those that come with the package by default.

    Returns
    -------
    In order of time; a second ball and what only looks like one are left out.
    """
    weights = weights or shipped_weights()
    record = replace(record, resting=tuple(_before_a_track(record)))

    def cut(noise: float = 1.0) -> Sequence[Segment]:
        return segments_of(camera, diameter_m, record.tracks, record.resting, weights, noise)

    try:
        ground = find_ground(record, size_px, ball=ball, weights=weights)
    except SceneNotFittedError:
        camera, diameter_m = _stand_in(record, size_px, ball)
        segments = cut()
    else:
        camera, diameter_m = ground.fit.camera, ground.fit.ball_diameter_m.value
        segments = ground.story.segments
    story = tell_story(cut(_noise(segments)), weights)
    ways = [_way(story, chain, camera, diameter_m) for chain in _of_one_ball(story, _chains(story))]
    return [way for way in ways if way.moving]


def _noise(segments: Sequence[Segment]) -> float:
    """Measure the clip's own noise: a dribbled ball is near, and seen better than most."""
    misfits = [
        segment.stretch.misfit
        for segment in segments
        if not segment.lies and len(segment.stretch.sightings) >= LEAST_SIGHTINGS
    ]
    return float(np.clip(np.sqrt(np.median(misfits)), *NOISE_BOUNDS)) if misfits else 1.0


def _before_a_track(record: BallRecord) -> list[RestingBall]:
    """Leave out background changes of a ball that was followed: its track is more exact."""
    return [
        rest
        for rest in record.resting
        if not rest.arrived
        and any(
            rest.before_s - AT_ONCE_S <= track.start_s <= rest.after_s + AT_ONCE_S
            and apart_px(rest.sighting, track.sightings[0]) <= rest.sighting.diameter_px
            for track in record.tracks
        )
    ]


def _stand_in(record: BallRecord, size_px: tuple[int, int], ball: BallSize) -> tuple[Camera, float]:
    """Assume a phone held as usual, at a height at which the ball lies on the ground."""
    diameter_m = ball_ruler(ball).diameter_m
    focal_px = focal_of_fov(LONG_SIDE_FOV_RAD[0], size_px)
    middle_px = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    usual = Camera(focal_px, *middle_px, USUAL_HEIGHT_M, USUAL_PITCH_DEG)
    seen = [s for track in record.tracks for s in track.sightings]
    if not seen:
        return usual, diameter_m
    pixels = np.array([(s.x_px, s.y_px) for s in seen])
    sizes = np.array([s.diameter_px for s in seen])
    above_m = float(np.nanmedian(usual.ball_position(pixels, sizes, diameter_m)[:, 2]))
    height_m = max(LEAST_HEIGHT_M, USUAL_HEIGHT_M - above_m + diameter_m / 2)
    return replace(usual, height_m=height_m), diameter_m


def _chains(story: Story) -> list[list[int]]:
    """Follow every ball from segment to segment, along the most likely story."""
    taken: set[int] = set()
    chains = []
    for first in range(len(story.segments)):
        if first in taken:
            continue
        chain = [first]
        while True:
            here = chain[-1]
            onward = story.follows[here]
            j = int(np.argmax(onward))
            if onward[j] < 0.5 or j in taken or j in chain:
                break
            gap_s = story.segments[j].start_s - story.segments[here].end_s
            if gap_s > JOINED_S and not story.segments[here].lies:
                break
            chain.append(j)
        taken.update(chain)
        chains.append(chain)
    return [
        chain
        for chain in chains
        if max(story.segments[k].ball_log_odds for k in chain) >= LIKE_A_BALL
    ]


def _of_one_ball(story: Story, chains: Sequence[list[int]]) -> list[list[int]]:
    """Of chains that overlap in time, keep the one that was seen longest."""

    def seen(chain: list[int]) -> int:
        moving = (story.segments[k] for k in chain if not story.segments[k].lies)
        return sum(len(segment.stretch.sightings) for segment in moving)

    def span_s(chain: list[int]) -> tuple[float, float]:
        return story.segments[chain[0]].start_s, story.segments[chain[-1]].end_s

    kept: list[list[int]] = []
    for chain in sorted(chains, key=seen, reverse=True):
        start_s, end_s = span_s(chain)
        others = [span_s(other) for other in kept]
        covered_s = sum(max(0.0, min(end_s, b) - max(start_s, a)) for a, b in others)
        if covered_s < OTHER_BALL_SHARE * max(1e-6, end_s - start_s):
            kept.append(chain)
    return sorted(kept, key=span_s)


def _way(story: Story, chain: list[int], camera: Camera, diameter_m: float) -> Trajectory:
    segments = [story.segments[k] for k in chain]
    contacts = []
    first = segments[0]
    if not first.lies:
        start = _contact(camera, diameter_m, None, first, first.start_s)
        # The watcher follows a ball from when it still lay.
        moving = since_it_left(first.stretch.sightings)
        if moving and moving[0].time_s - first.start_s >= LAY_S:
            start = replace(start, time_s=moving[0].time_s, unseen_s=0.0, from_rest=True)
        contacts.append(start)
    for (i, a), (j, b) in pairwise(zip(chain, segments, strict=True)):
        if a.lies and b.lies:
            continue
        kinds = [Between.KICKED] if a.lies else [Between.MET, Between.KICKED]
        kind = max(kinds, key=lambda k: float(story.between[i, j, k]))
        contacts.append(_contact(camera, diameter_m, a, b, float(story.joints_s[i, j, kind])))
    return Trajectory(tuple(segments), tuple(contacts), diameter_m)


def _contact(
    camera: Camera, diameter_m: float, a: Segment | None, b: Segment, at_s: float
) -> Contact:
    """Take what changed between two segments; with no first one, the start was not seen."""
    place = b.stretch.centre_m([at_s])
    centre, size = camera.ball_image(place, diameter_m)
    still, known = np.zeros(3), np.zeros((3, 3))
    before = still if a is None else a.stretch.velocity_mps(at_s)
    unseen_s = np.inf if a is None else b.start_s - (a.left_s if a.lies else a.end_s)
    covariance = known if a is None else a.stretch.velocity_covariance(at_s)
    return Contact(
        at_s,
        float(unseen_s),
        place[0],
        (float(centre[0, 0]), float(centre[0, 1])),
        float(size[0]),
        before,
        still if b.lies else b.stretch.velocity_mps(at_s),
        covariance + b.stretch.velocity_covariance(at_s),
        any(s is not None and s.stretch.motion is Motion.FLIES for s in (a, b)),
        a is not None and a.lies,
    )
