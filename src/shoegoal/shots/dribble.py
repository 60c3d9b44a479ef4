"""The dribbled ball's way through the clip: its tracks joined, and cut into legs of free motion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.ball.sightings import (
    LAY_S,
    LIKE_A_BALL,
    BallTrack,
    RestingBall,
    apart_px,
    since_it_left,
)
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.bends import Bend, Leg, bends_between, find_legs, usual_size_px, without_strays
from shoegoal.types import BallSighting

JOINED_S = 1.0  # a track that begins so soon where another ended goes on with it
JOINED_DIAMETERS = 2.5  # no further away than this
SIZE_RATIO = 1.5  # between tracks of one ball
ROUND_S = 0.2  # round a time: the ball's size changes little within it
OTHER_BALL_SHARE = 0.5  # of a track's time that another one's covers: then it is a second thing


@dataclass(frozen=True, slots=True)
class Way:
    """One way of the dribbled ball without a long break.

    Attributes
    ----------
    sightings : in order of time.
    lay : the ball where it lay before, when that was seen.
    legs : its stretches of free motion.
    size_px : the ball's diameter, in which the legs are measured.
    """

    sightings: tuple[BallSighting, ...]
    lay: BallSighting | None
    legs: tuple[Leg, ...]
    size_px: float

    @property
    def start_s(self) -> float:
        """Time of the first sighting."""
        return self.sightings[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last sighting."""
        return self.sightings[-1].time_s

    @property
    def bends(self) -> list[Bend]:
        """Where its legs meet, measured in the ball's size there."""
        return [
            bend.in_diameters_of(self.size_at(bend.time_s))
            for bend in bends_between(self.legs, self.size_px)
        ]

    def size_at(self, time_s: float) -> float:
        """Diameter of the ball round a time, px."""
        near = [s.diameter_px for s in self.sightings if abs(s.time_s - time_s) <= ROUND_S]
        return float(np.median(near)) if near else self.size_px


def dribbled_ways(record: BallRecord, ball_m: float) -> list[Way]:
    """Join the tracks of the ball that is dribbled.

    Parameters
    ----------
    record : all that was seen of balls.
    ball_m : the ball's diameter in metres.

    Returns
    -------
    In order of time; tracks of a second ball or of what only looks like one are left out.
    """
    ways: list[Way] = []
    joined: list[BallTrack] = []
    for track in _of_one_ball(record.tracks):
        if joined and not _goes_on(joined[-1], track):
            ways.append(_way_of(joined, record.resting, ball_m))
            joined = []
        joined.append(track)
    if joined:
        ways.append(_way_of(joined, record.resting, ball_m))
    return [way for way in ways if way.legs]


def _of_one_ball(tracks: Sequence[BallTrack]) -> list[BallTrack]:
    """Keep of tracks that overlap in time the one that is seen longest."""
    kept: list[BallTrack] = []
    likely = [track for track in tracks if track.ball_score >= LIKE_A_BALL]
    for one in sorted(likely, key=lambda t: -len(t.sightings)):
        length_s = max(1e-6, one.end_s - one.start_s)
        covered_s = sum(
            max(
                0.0,
                min(one.end_s, k.end_s) - max(one.start_s, k.start_s),
            )
            for k in kept
        )
        if covered_s < OTHER_BALL_SHARE * length_s:
            kept.append(one)
    return sorted(kept, key=lambda t: t.start_s)


def _goes_on(before: BallTrack, after: BallTrack) -> bool:
    a, b = before.sightings[-1], after.sightings[0]
    size = max(a.diameter_px, b.diameter_px)
    return (
        b.time_s - a.time_s <= JOINED_S
        and apart_px(a, b) <= JOINED_DIAMETERS * size
        and 1 / SIZE_RATIO <= a.diameter_px / b.diameter_px <= SIZE_RATIO
    )


def _way_of(tracks: Sequence[BallTrack], resting: Sequence[RestingBall], ball_m: float) -> Way:
    merged: list[BallSighting] = []
    for track in tracks:
        since = merged[-1].time_s if merged else float("-inf")
        merged.extend(s for s in track.sightings if s.time_s > since)
    lay = _where_it_lay(tracks[0], resting)
    if lay is not None:
        merged = list(since_it_left(merged)) or merged
    seen = without_strays(merged)
    return Way(
        tuple(seen),
        lay,
        tuple(find_legs(seen, ball_m)),
        usual_size_px(seen),
    )


def _where_it_lay(track: BallTrack, resting: Sequence[RestingBall]) -> BallSighting | None:
    """Return the ball as it lay before it was dribbled on, when that was seen."""
    first = track.sightings[0]
    moving = since_it_left(track.sightings)
    if moving and moving[0].time_s - first.time_s >= LAY_S:
        return first
    left = [
        r.sighting
        for r in resting
        if not r.arrived
        and r.before_s - ROUND_S <= first.time_s <= r.after_s + ROUND_S
        and apart_px(r.sighting, first) <= first.diameter_px
    ]
    return left[-1] if left else None
