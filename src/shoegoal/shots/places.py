"""Places where balls lay: what leaves one, what comes back to it, and what only hid it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.ball.tracks import MIN_SEEN
from shoegoal.types import BallSighting

AS_FOOT_S = 0.25  # a track that begins so long before the ball leaves may be the foot's,
MET_DIAMETERS = 0.6  # or one that begins sooner and comes so near to the ball
MOVED_BACK_S = 2.5  # a ball that left its place and lies nearby again so soon was only adjusted
MOVED_BACK_DIAMETERS = 2.5
SAME_PLACE_DIAMETERS = 0.5
SIZE_TOLERANCE = 0.25  # of the diameter that a ball on that ground would show
AWAY_S = 2.5  # a kicked ball is not back on its spot sooner,
SAME_KICK_S = 0.8


def apart_px(a: BallSighting, b: BallSighting) -> float:
    """Distance between the middles of two discs, px."""
    return float(np.hypot(a.x_px - b.x_px, a.y_px - b.y_px))


def once_away(rest: RestingBall, track: BallTrack) -> list[BallTrack]:
    """Return what a track may show of a ball that lay there and left: all of it, or its part since.

    A track may begin as that of the foot on its way to the ball.
    """
    whole = [track] if track.start_s >= rest.before_s - AS_FOOT_S else []
    met = [
        i
        for i, s in enumerate(track.sightings)
        if rest.before_s - AS_FOOT_S <= s.time_s <= rest.after_s
        and apart_px(s, rest.sighting) <= MET_DIAMETERS * rest.sighting.diameter_px
    ]
    if not met or len(track.sightings) - met[-1] - 1 < MIN_SEEN:
        return whole
    return [*whole, replace(track, sightings=track.sightings[met[-1] + 1 :])]


def may_come_from(rest: RestingBall, track: BallTrack) -> bool:
    """Whether a track is not that of a ball which lay at another place before, or arrives here."""
    lay, last = track.lay, track.sightings[-1]
    if lay is not None and apart_px(lay, rest.sighting) > lay.diameter_px:
        return False
    return apart_px(last, rest.sighting) > MET_DIAMETERS * rest.sighting.diameter_px


def moved_back(rest: RestingBall, resting: Sequence[RestingBall]) -> bool:
    """Whether a ball settled close by soon after, and stayed: it was adjusted by hand or foot."""
    return any(
        r.arrived
        and not any(_left_from(r, other, rest.after_s) for other in resting)
        and abs(np.log(r.sighting.diameter_px / rest.sighting.diameter_px)) <= SIZE_TOLERANCE
        and rest.before_s - 0.5 <= r.after_s <= rest.after_s + MOVED_BACK_S
        and apart_px(r.sighting, rest.sighting) <= MOVED_BACK_DIAMETERS * rest.sighting.diameter_px
        for r in resting
    )


def seen_there_again(rest: RestingBall, resting: Sequence[RestingBall]) -> bool:
    """Whether a ball lay at the same place so soon after that it had only been hidden."""
    return any(
        not r.arrived
        and rest.before_s < r.before_s <= rest.before_s + AWAY_S
        and apart_px(r.sighting, rest.sighting) <= SAME_PLACE_DIAMETERS * rest.sighting.diameter_px
        for r in resting
    )


def _left_from(place: RestingBall, other: RestingBall, until_s: float) -> bool:
    """Whether what came to rest at a place had left it again by a time."""
    same_px = SAME_PLACE_DIAMETERS * place.sighting.diameter_px
    return (
        not other.arrived
        and place.after_s - SAME_KICK_S <= other.after_s <= until_s
        and apart_px(place.sighting, other.sighting) <= same_px
    )


def still_lying(resting: Sequence[RestingBall], time_s: float) -> tuple[BallSighting, ...]:
    """Return balls that had come to rest before a kick and were not seen to leave by then."""
    gone = [r for r in resting if not r.arrived and r.before_s <= time_s + SAME_KICK_S]
    return tuple(
        r.sighting
        for r in resting
        if r.arrived
        and r.before_s < time_s - SAME_KICK_S
        and not any(
            g.before_s >= r.before_s
            and apart_px(g.sighting, r.sighting) <= SAME_PLACE_DIAMETERS * r.sighting.diameter_px
            for g in gone
        )
    )
