"""Which sightings the ground may lean on: first by looks alone, then by the kicks found on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from shoegoal.ball.sightings import runs_straight
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.readings import Kick
from shoegoal.types import BallSighting

# A ball on its way may be off the ground, and its sightings err together: they may bend the
# ground only where resting balls leave it free. Of the diameter.
ON_ITS_WAY_SIGMA = 0.05
# A resting ball is measured once but was there in every picture for seconds, on the ground for
# sure: it counts as this many sightings.
RESTING_VOTES = 6
MOST_OF_A_TRACK = 16
SURELY_A_BALL = 0.98  # of a resting one, asked while it is not known what size a ball has where;
LIKE_A_BALL_ON_ITS_WAY = 0.9  # of a moving one, all its sightings together


def likely_ground_sightings(record: BallRecord) -> list[BallSighting]:
    """Pick sightings that are probably the ball, some of them perhaps in the air.

    Parameters
    ----------
    record : what the ball floor saw.

    Returns
    -------
    Resting places and straight tracks that the gauge takes for a ball's.
    """
    found = [
        r.sighting
        for r in record.resting
        if r.ball_score >= SURELY_A_BALL
        for _ in range(RESTING_VOTES)
    ]
    for track in (d.track for d in record.departures):
        if track.ball_score >= LIKE_A_BALL_ON_ITS_WAY and runs_straight(track.sightings):
            found.extend(_on_their_way(_few_of(track.sightings)))
    return found


def ground_sightings(kicks: Sequence[Kick]) -> list[BallSighting]:
    """Return what kicks tell of the ground: their resting balls and rolling flights."""
    found: list[BallSighting] = []
    for kick in kicks:
        if kick.rest is not None:
            found.extend([kick.rest] * RESTING_VOTES)
        if kick.flight is not None and not kick.flight.lofted:
            found.extend(_on_their_way(_few_of(kick.flight.sightings)))
    return found


def _few_of(sightings: Sequence[BallSighting]) -> list[BallSighting]:
    """Pick sightings evenly: a ball carried home must not outvote those that lay and rolled."""
    if len(sightings) <= MOST_OF_A_TRACK:
        return list(sightings)
    return [sightings[i] for i in np.linspace(0, len(sightings) - 1, MOST_OF_A_TRACK).astype(int)]


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
