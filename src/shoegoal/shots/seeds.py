"""A first guess at which sightings are the ball on the ground, before any camera is known."""

from __future__ import annotations

from shoegoal.ball.sightings import runs_straight
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.kicks import LIKE_A_BALL
from shoegoal.types import BallSighting

MIN_ROUNDNESS = 0.5


def likely_ground_sightings(record: BallRecord) -> list[BallSighting]:
    """Pick sightings that are probably the ball, some of them perhaps in the air.

    Parameters
    ----------
    record : what the ball floor saw.

    Returns
    -------
    Sightings of the straight, round tracks that the detector takes for a ball, and of the places
    they left; of all straight, round tracks when it knows none of them.
    """
    straight = [
        d
        for d in record.departures
        if d.track.roundness >= MIN_ROUNDNESS and runs_straight(d.track.sightings)
    ]
    chosen = [d for d in straight if d.track.ball_score >= LIKE_A_BALL] or straight
    found: list[BallSighting] = []
    for departure in chosen:
        if departure.rest is not None:
            found.append(departure.rest.sighting)
        found.extend(departure.track.sightings)
    return found
