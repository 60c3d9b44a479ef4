"""What happened between two segments of a ball: a rebound, a kick, a hand, or nothing at all.

A rebound is the case in which something took speed from the ball: a wall, a marker, a bounce. Each
case is a density over where and how fast the later segment may begin, so that all of them, and a
ball that comes into sight anew, compare on one scale (multiple hypothesis tracking: Reid 1979).
Which segments do follow one another is decided in `shoegoal.shots.story`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from math import log, log1p, pi

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from shoegoal.shots.segments import HIDDEN_BY_LEGS_S, Segment
from shoegoal.shots.weights import Weights

F64 = npt.NDArray[np.float64]
YARD_M2 = 300.0  # a ball may come into sight anywhere in it
ANY_SPEED_MPS = 4.0  # per axis, of a ball of which nothing is known
PERSON_MPS = 1.5  # a child that walks with a ball or fetches it
OVERLAP_S = 0.12  # two tracks of one ball may overlap by a few pictures
MOMENTS = 13  # at which a joint is looked for in a gap,
JOINT_LOOKS = 3  # each round the best moment of the one before: a kick takes metres a second
SURE_LOG_ODDS = 4.0  # above this, a segment is no more like a ball
GAIN_MPS = 0.2  # a change of speed that may be an error of the fits
STRAY_SHARE, STRAY_WIDTH = 0.1, 3.0  # fits whose sigmas are too small, and by how much
BOUNCED_SHARE, TURNED_SHARE = 0.2, 0.04  # of the way out of sight; a bounce keeps four fifths
NEVER = -1e9
_SHARES = np.arange(MOMENTS, dtype=np.float64)
_EYE = np.eye(2)
# Places of the learnt numbers in `Weights.link`.
RAN_ON, MET, KICKED, MOVED, SAME_TRACK, BALL = range(6)
PLACE_SIGMA, SPEED_SIGMA, JOINT_SIGMA, HIDDEN, HIDDEN_TIME = range(6, 11)


class Between(IntEnum):
    """What happened between two segments of one ball."""

    RAN_ON = 0
    MET = 1  # something took speed from it: a wall, a marker, a bounce
    KICKED = 2
    MOVED = 3  # carried, thrown, dribbled: by a person, unseen


@dataclass(frozen=True, slots=True, eq=False)
class LinkParts:
    """The evidence for each `Between` of two segments.

    Attributes
    ----------
    density : (4,) log density of where and how fast b begins, over that of a beginning anywhere.
    factors : (4, 6) what the learnt numbers are multiplied with.
    joint_s : (4,) when it happened.
    """

    density: F64
    factors: F64
    joint_s: F64


def link_scores(a: Segment, b: Segment, weights: Weights) -> tuple[F64, F64]:
    """Log odds of each `Between` over b's beginning out of nothing, and when it happened.

    Parameters
    ----------
    a, b : the earlier and the later segment.
    weights : learnt.
    """
    parts = link_parts(a, b, weights)
    return parts.density + parts.factors @ weights.link[:PLACE_SIGMA], parts.joint_s


def link_parts(a: Segment, b: Segment, weights: Weights) -> LinkParts:
    """Work out the evidence for each `Between`; parameters as for `link_scores`."""
    place_floor, speed_floor, joint_floor = np.exp(weights.link[PLACE_SIGMA:HIDDEN])
    hidden = weights.link[HIDDEN:]
    # While a ball lies there, nothing is missing: the gap begins when it left.
    left_s = float(np.clip(b.start_s, a.end_s, max(a.end_s, a.latest_s)))
    gap_s = max(0.0, b.start_s - left_s)
    density, joint = np.full(4, NEVER), np.full(4, b.start_s)
    if not a.lies:
        density[Between.RAN_ON], joint[Between.RAN_ON] = _ran_on(a, b, place_floor, speed_floor)
    if a.lies and b.lies:
        density[Between.RAN_ON] = hidden_until(a, b, place_floor).log_odds(hidden)
    else:
        met, at_s, gained = _joint(a, b, joint_floor, hidden)
        # Nothing that stands still can lend a ball speed (conservation of energy).
        if not a.lies:
            density[Between.MET] = met - np.logaddexp(0.0, 2 * gained)
        if not b.lies:
            density[Between.KICKED] = met - (0.0 if a.lies else np.logaddexp(0.0, -2 * gained))
        joint[[Between.MET, Between.KICKED]] = at_s
    away = b.stretch.centre_m([b.start_s])[0, :2] - a.stretch.centre_m([a.end_s])[0, :2]
    reach = np.hypot(place_floor + joint_floor, PERSON_MPS * (gap_s + 0.1))
    density[Between.MOVED] = _log_normal(away, np.eye(2) * reach**2) + log(YARD_M2)
    same_track = float(a.track == b.track and a.track >= 0)
    unlike = min(a.ball_log_odds, SURE_LOG_ODDS) + min(b.ball_log_odds, SURE_LOG_ODDS)
    common = [same_track, unlike - 2 * SURE_LOG_ODDS]
    factors = np.column_stack([np.eye(4), np.tile(common, (4, 1))])
    return LinkParts(density, factors, joint)


def _ran_on(a: Segment, b: Segment, place_floor: float, speed_floor: float) -> tuple[float, float]:
    """Log density that a's motion, followed on, leads to b, and where b is met."""
    at_s = b.start_s if not b.lies else min(max(a.stretch.stops_s, a.end_s), b.start_s)
    here, there = a.stretch.centre_m([a.end_s, at_s])[:, :2]
    off = b.stretch.centre_m([b.start_s])[0, :2] - there
    cov = _spread(a, at_s, there - here) + _spread(b, b.start_s, np.zeros(2))
    score = _log_normal(off, cov + np.eye(2) * place_floor**2) + log(YARD_M2)
    before, after = (s.stretch.velocity_mps(t)[:2] for s, t in ((a, at_s), (b, b.start_s)))
    cov = a.stretch.velocity_covariance(a.end_s) + b.stretch.velocity_covariance(b.start_s)
    slowed = BOUNCED_SHARE * float(np.hypot(*before)) * min(1.0, at_s - a.end_s)
    cov = cov[:2, :2] + np.eye(2) * (speed_floor**2 + slowed**2)
    if b.lies:  # a lying ball has no speed: what counts is whether this one had lost its own
        score -= 0.5 * float(before @ np.linalg.solve(cov, before))
    else:
        score += _log_normal(after - before, cov) + log(2 * pi * ANY_SPEED_MPS**2)
    gained = float(np.hypot(*after) - np.hypot(*before)) / GAIN_MPS
    return score - float(np.logaddexp(0.0, 2 * gained)), at_s


def _joint(a: Segment, b: Segment, joint_floor: float, hidden: F64) -> tuple[float, float, float]:
    """Log density that both motions, followed on and back, meet; when; and the speed gained."""
    until_s = min(b.start_s, max(a.end_s, a.latest_s) + OVERLAP_S) if a.lies else b.start_s
    off, cov, at_s, gained = _meeting(a, b, (min(a.end_s, until_s), until_s))
    met = _log_normal(off, cov + np.eye(2) * joint_floor**2) + log(YARD_M2)
    if until_s < b.start_s:
        again = hidden_until(a, b, joint_floor)
        stayed = again.log_odds(hidden)
        if stayed > met:
            return stayed, again.time_s, again.gained
    return met, at_s, gained


@dataclass(frozen=True, slots=True, eq=False)
class Hidden:
    """A ball that seemed to have left, and a later segment that starts where it lay.

    Attributes
    ----------
    factors : (2,) what the learnt numbers are multiplied with: how long it was hidden.
    likeness : log density that the places agree, over the best there can be: at most 0.
    time_s : until when it would have been hidden.
    gained : speed that it gained there.
    """

    factors: F64
    likeness: float
    time_s: float
    gained: float

    def log_odds(self, hidden: F64) -> float:
        """Log odds that it was hidden, by the two learnt numbers."""
        return float(self.factors @ hidden) + self.likeness


def hidden_until(stay: Segment, later: Segment, floor: float) -> Hidden:
    """Weigh that legs hid a ball which seemed to have left, and which a later segment shows.

    Balls are put down and kicked at the same few places, so the place alone says little: the log
    odds are learnt, by the time.
    """
    if later.lies:
        off = later.stretch.centre_m([later.start_s]) - stay.stretch.centre_m([stay.end_s])
        cov = _spread(stay, stay.end_s, np.zeros(2)) + _spread(later, later.start_s, np.zeros(2))
        found = off[0, :2], cov, later.start_s, 0.0
    else:
        found = _meeting(stay, later, (stay.latest_s, later.start_s))
    off, cov, at_s, gained = found
    least = np.eye(2) * floor**2
    likeness = _log_normal(off, cov + least) - _log_normal(np.zeros(2), least)
    factors = np.array([1.0, log1p(max(0.0, at_s - stay.latest_s))])
    return Hidden(factors, likeness, at_s, gained)


def passing(stay: Segment, way: Segment, since_s: float, weights: Weights) -> tuple[float, float]:
    """Log odds that a path leads back to a lying ball, over any other start; and when it left.

    The time at which the background changed is not used: legs that hide a lying ball look like a
    ball that has left. The moment comes from the path itself, and may lie after its first
    sightings if these show the ball before it left.
    """
    since_s -= HIDDEN_BY_LEGS_S
    if stay.end_s < way.start_s:
        since_s = max(since_s, stay.end_s)
    until_s = min(way.start_s + OVERLAP_S, way.end_s)
    off, cov, at_s, _ = _meeting(stay, way, (since_s, until_s))
    floor = float(np.exp(weights.link[JOINT_SIGMA]))
    met = _log_normal(off, cov + np.eye(2) * floor**2) + log(YARD_M2)
    return met + float(weights.link[KICKED]) + log(expit(stay.ball_log_odds)), at_s


def _meeting(
    a: Segment, b: Segment, between_s: tuple[float, float]
) -> tuple[F64, F64, float, float]:
    """How two motions miss each other where they come nearest between two moments.

    Returns
    -------
    How far apart they are, and its covariance; when; and the speed gained.
    """
    from_s, until_s = between_s
    end_m = a.stretch.centre_m([from_s])[0, :2]
    start_m = b.stretch.centre_m([b.start_s])[0, :2]
    for _ in range(JOINT_LOOKS):
        moments = _SHARES * ((until_s - from_s) / (MOMENTS - 1)) + from_s
        moments[-1] = until_s
        ways = [s.stretch.centre_m(moments)[:, :2] for s in (a, b)]
        apart = ways[0] - ways[1]
        k = int(np.argmin(np.hypot(*apart.T)))
        at_s = float(moments[k])
        from_s, until_s = moments[max(0, k - 1)], moments[min(k + 1, MOMENTS - 1)]
    cov = _spread(a, at_s, ways[0][k] - end_m) + _spread(b, at_s, start_m - ways[1][k])
    before, after = (float(np.hypot(*s.stretch.velocity_mps(at_s)[:2])) for s in (a, b))
    return apart[k], cov, at_s, (after - before) / GAIN_MPS


def _spread(segment: Segment, at_s: float, unseen_m: F64) -> F64:
    """Covariance (2, 2) of a segment's place at a time, some way beyond where it was seen.

    Out of sight a ball may have bounced, which slows it and hardly turns it. A ball that has
    stopped stays, however long it is not seen.
    """
    seen_s = min(max(at_s, segment.stretch.start_s), segment.stretch.end_s)
    cov = segment.stretch.centre_covariance_m2(seen_s)[:2, :2]
    cov = cov + BOUNCED_SHARE**2 * (unseen_m[:, None] * unseen_m)
    return np.asarray(cov + _EYE * TURNED_SHARE**2 * float(unseen_m @ unseen_m), np.float64)


def _log_normal(off: F64, cov: F64) -> float:
    """Log density of a normal distribution in the plane, with a tenth of it far wider."""
    det = float(cov[0, 0] * cov[1, 1] - cov[0, 1] ** 2)
    square = float(
        (cov[1, 1] * off[0] ** 2 - 2 * cov[0, 1] * off[0] * off[1] + cov[0, 0] * off[1] ** 2) / det
    )
    core = log(1 - STRAY_SHARE) - 0.5 * square
    wide = log(STRAY_SHARE) - 2 * log(STRAY_WIDTH) - 0.5 * square / STRAY_WIDTH**2
    return float(np.logaddexp(core, wide)) - log(2 * pi) - 0.5 * log(det)
