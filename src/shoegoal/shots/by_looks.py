"""Kicks told by looks alone, where no ground and no goal say which of them matter."""

from __future__ import annotations

import numpy as np

from shoegoal.ball.sightings import BallTrack, RestingBall, apart_px
from shoegoal.ball.watch import BallRecord
from shoegoal.shots.places import SAME_KICK_S

LIKE_A_BALL_ALONE = 0.98  # score of the gauge: only sure balls count here


def kick_times_by_looks(record: BallRecord) -> list[float]:
    """Tell when a ball was kicked from rest, judged by looks alone; for clips without a goal.

    Parameters
    ----------
    record : what the ball floor saw.

    Returns
    -------
    Times of contact in order, each about as good as a picture's distance; a ball that the
    gauge is sure of has left its place.
    """
    times = [
        _left_at(d.track, d.rest)
        for d in record.departures
        if d.rest is not None and max(d.track.ball_score, d.rest.ball_score) >= LIKE_A_BALL_ALONE
    ]
    for rest in record.resting:
        if rest.arrived or rest.ball_score < LIKE_A_BALL_ALONE:
            continue
        if not any(rest.before_s - SAME_KICK_S <= t <= rest.after_s + SAME_KICK_S for t in times):
            times.append(rest.before_s)
    kept: list[float] = []
    for time_s in sorted(times):
        if not kept or time_s - kept[-1] > SAME_KICK_S:
            kept.append(time_s)
    return kept


def _left_at(track: BallTrack, rest: RestingBall) -> float:
    """When a ball left its place, going its first way back at its first speed."""
    few = track.sightings[:8]
    times = np.array([s.time_s for s in few])
    slope = np.polyfit(times - times[0], [(s.x_px, s.y_px) for s in few], 1)[0]
    back_s = apart_px(few[0], rest.sighting) / max(1e-6, float(np.hypot(*slope)))
    return float(np.clip(times[0] - back_s, min(rest.before_s, times[0]), times[0]))
