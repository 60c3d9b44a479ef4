"""Places where balls lay: what leaves one, what comes back to it, and what only hid it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shoegoal.ball.sightings import BallTrack, RestingBall, apart_px
from shoegoal.ball.tracks import MIN_SEEN
from shoegoal.scene.camera import Camera
from shoegoal.types import BallSighting

AS_FOOT_S = 0.25  # a track that begins so long before the ball leaves may be the foot's,
MET_DIAMETERS = 0.6  # or one that begins sooner and comes so near to the ball
MOVED_BACK_S = 2.5  # a ball that left its place and lies nearby again so soon was only adjusted
MOVED_BACK_DIAMETERS = 2.5
SAME_PLACE_DIAMETERS = 0.5
AT_THE_KICK_DIAMETERS = 3.0
SIZE_TOLERANCE = 0.25  # of the diameter that a ball on that ground would show
AWAY_S = 2.5  # a kicked ball is not back on its spot sooner,
SAME_KICK_S = 0.8


def on_the_ground(camera: Camera, ball_diameter_m: float, sighting: BallSighting) -> bool:
    """Whether a disc has the size that a ball lying there would show."""
    expected = camera.lying_diameter_px([(sighting.x_px, sighting.y_px)], ball_diameter_m)
    slack = SIZE_TOLERANCE + 2 * sighting.diameter_sigma_px / max(1.0, sighting.diameter_px)
    return bool(abs(np.log(sighting.diameter_px / expected[0])) <= slack)


def _same_place(a: BallSighting, b: BallSighting) -> bool:
    return apart_px(a, b) <= SAME_PLACE_DIAMETERS * b.diameter_px


def once_away(rest: RestingBall, track: BallTrack) -> list[BallTrack]:
    """Return what a track may show of a ball that lay there and left: all of it, or its part since.

    A track may begin as that of the foot on its way to the ball.
    """
    whole = [track] if track.start_s >= rest.before_s - AS_FOOT_S else []
    return whole + since_met(rest, track)


def since_met(rest: RestingBall, track: BallTrack) -> list[BallTrack]:
    """Return the part of a track since it came by a ball that lay there and left, if any."""
    met = [
        i
        for i, s in enumerate(track.sightings)
        if rest.before_s - AS_FOOT_S <= s.time_s <= rest.after_s
        and apart_px(s, rest.sighting) <= MET_DIAMETERS * rest.sighting.diameter_px
    ]
    if not met or len(track.sightings) - met[-1] - 1 < MIN_SEEN:
        return []
    return [replace(track, sightings=track.sightings[met[-1] + 1 :])]


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
        and _same_place(r.sighting, rest.sighting)
        for r in resting
    )


def _left_from(place: RestingBall, other: RestingBall, until_s: float) -> bool:
    """Whether what came to rest at a place had left it again by a time."""
    return (
        not other.arrived
        and place.after_s - SAME_KICK_S <= other.after_s <= until_s
        and _same_place(other.sighting, place.sighting)
    )


def still_lying(
    resting: Sequence[RestingBall], time_s: float, kicked: BallSighting | None
) -> tuple[BallSighting, ...]:
    """Return balls that lay about when one was kicked: put there before and not seen to leave.

    What lay where the kicked ball did is that one, on this round or an earlier one.

    Parameters
    ----------
    resting : all that came to rest or left.
    time_s : of the kick.
    kicked : the kicked ball as it lay, when that was seen.
    """
    gone = [r for r in resting if not r.arrived and r.before_s <= time_s + SAME_KICK_S]
    came = [r for r in resting if r.arrived and r.before_s < time_s - SAME_KICK_S]
    return tuple(
        r.sighting
        for r in came
        if not any(g.before_s >= r.before_s and _same_place(g.sighting, r.sighting) for g in gone)
        and not (
            kicked is not None
            and apart_px(r.sighting, kicked) <= AT_THE_KICK_DIAMETERS * r.sighting.diameter_px
        )
    )
