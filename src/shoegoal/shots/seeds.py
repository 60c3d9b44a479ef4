"""Which sightings the ground may lean on: first by looks alone, then by the kicks found on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from shoegoal.ball.sightings import runs_straight
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.kicks import LIKE_A_BALL, Kick
from shoegoal.types import BallSighting

MIN_ROUNDNESS = 0.5
# A ball on its way may be off the ground, and its sightings err together: they may bend the
# ground only where resting balls leave it free. Of the diameter.
ON_ITS_WAY_SIGMA = 0.10
# A resting ball is measured once but was there in every picture for seconds, on the ground for
# sure: it counts as this many sightings.
RESTING_VOTES = 6


def likely_ground_sightings(record: BallRecord) -> list[BallSighting]:
    """Pick sightings that are probably the ball, some of them perhaps in the air.

    Parameters
    ----------
    record : what the ball floor saw.

    Returns
    -------
    Resting places that the detector takes for a ball's, and sightings of the straight, round tracks
    that it takes for a ball; of all straight, round tracks when it knows none of them.
    """
    straight = [
        d
        for d in record.departures
        if d.track.roundness >= MIN_ROUNDNESS and runs_straight(d.track.sightings)
    ]
    chosen = [d for d in straight if d.track.ball_score >= LIKE_A_BALL] or straight
    found = [
        r.sighting
        for r in record.resting
        if (r.ball_score or 0.0) >= LIKE_A_BALL
        for _ in range(RESTING_VOTES)
    ]
    for departure in chosen:
        found.extend(_on_their_way(departure.track.sightings))
    return found


def ground_sightings(kicks: Sequence[Kick]) -> list[BallSighting]:
    """Return what kicks tell of the ground: their resting balls and rolling flights."""
    found: list[BallSighting] = []
    for kick in kicks:
        if kick.rest is not None:
            found.extend([kick.rest] * RESTING_VOTES)
        if kick.flight is not None and not kick.flight.lofted:
            found.extend(_on_their_way(kick.flight.sightings))
    return found


def _on_their_way(sightings: Iterable[BallSighting]) -> list[BallSighting]:
    return [
        replace(
            s,
            diameter_sigma_px=float(
                np.hypot(s.diameter_sigma_px, ON_ITS_WAY_SIGMA * s.diameter_px)
            ),
        )
        for s in sightings
    ]
