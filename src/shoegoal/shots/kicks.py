"""Which moving balls are kicks: a ball at rest on the ground that starts to fly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import inf

import numpy as np
import numpy.typing as npt

from shoegoal.ball.flight import Flight, fit_flight, residual_sigmas
from shoegoal.ball.sightings import BallTrack, RestingBall, apart_px
from shoegoal.ball.watch import BallRecord
from shoegoal.scene.camera import Camera
from shoegoal.shots.places import (
    AWAY_S,
    SAME_KICK_S,
    SIZE_TOLERANCE,
    may_come_from,
    moved_back,
    on_the_ground,
    once_away,
    seen_there_again,
    since_met,
    still_lying,
)
from shoegoal.types import BallSighting

MAX_RMS_SIGMAS = 3.0
MIN_KICK_SPEED_MPS = 1.2  # slower is a nudge of the foot or a ball put down; no source
MIN_SECONDS_UNSEEN_START = 0.25  # with no resting place seen, a flight must be seen this long,
MAX_RMS_UNSEEN_START = 2.5  # fit this well
MIN_SPEED_UNSEEN_START_MPS = 2.0  # and be this fast
MAX_KICK_SPEED_MPS = 35.0  # about the hardest shots of professionals; common practice, no source
LIKE_A_BALL = 0.5  # score of the gauge: balls mostly 0.9 and more, limbs and leaves near 0
ROUGH_TO_HIDDEN_S = 0.2  # a sigma of misfit counts like so much time behind the kicker
OWN_LEGS_DIAMETERS = 8.0  # what leaves so near to a kicked ball's place is the kicker's foot
AT_ONCE_S = 0.3  # nobody kicks two balls within this time,
TWO_BALLS_DIAMETERS = 3.0  # but a ball so far off may be knocked on within the time above
CONTINUES_S = 3.0  # a flight's later pieces start within this time of the kick
HIDDEN_S = 1.2  # longest time for which a kicked ball may stay behind its kicker
LONG_HIDDEN_S = 0.4  # a flight hidden so long at first is believed to come from a place
SURELY_THE_BALL, LEFT_WITHIN_S = 0.97, 4.0  # only of a sure ball, that left in about this time
FREE_FLIGHTS_S = (inf, 0.9, 0.45)  # tried for the part of a track before anything turned it
SEEN_AGAIN_S = 5.0  # a ball seen this soon after a kick is the one that was kicked,
SURE_AGAIN = 0.9  # if the gauge is this sure of it
SURE_TO_COME_OUT = 0.95  # score of a ball that comes to sight on its way,
CAME_FROM_DIAMETERS = 3.0  # so near to no place where a ball lay or was lost
MIN_SEEN_SHARE = 0.4  # of the pictures of a flight must show the ball


@dataclass(frozen=True, slots=True)
class Kick:
    """A ball that started to move.

    Attributes
    ----------
    time_s : time of contact, fitted where the flight was seen.
    earliest_s, latest_s : contact lies between these.
    rest : the resting ball, when its place was seen.
    flight : fitted flight; None when the ball left its place and was not seen again, or, without
        ``rest`` too, when a ball came to sight that had been hidden until then: ``later`` has it.
    later : what the ball's track did after the flight's end (a rebound, a stop), in order of time.
    seen_again : where a ball was on its way or came to rest soon after, in no order.
    lying : other balls that had come to rest before the kick and lay there still.
    """

    time_s: float
    earliest_s: float
    latest_s: float
    rest: BallSighting | None
    flight: Flight | None
    later: tuple[BallSighting, ...] = ()
    seen_again: tuple[BallSighting, ...] = ()
    lying: tuple[BallSighting, ...] = ()


def ways_m(kicks: Sequence[Kick]) -> list[npt.NDArray[np.float64]]:
    """Ways (N, 2) over the ground of those kicks whose flight was fitted, in order of time."""
    return [
        flight.centre_m([s.time_s for s in flight.sightings])[:, :2]
        for flight in (kick.flight for kick in kicks)
        if flight is not None
    ]


def find_kicks(record: BallRecord, camera: Camera, ball_diameter_m: float) -> list[Kick]:
    """Find every kick of the clip, whatever its direction.

    Parameters
    ----------
    record : what the ball floor saw.
    camera, ball_diameter_m : the scene's ruler.

    Returns
    -------
    Kicks in order of time; at most one per ``SAME_KICK_S``.
    """
    tracks = [d.track for d in record.departures]
    left = [
        r
        for r in record.resting
        if not r.arrived and on_the_ground(camera, ball_diameter_m, r.sighting)
    ]
    kicks: list[Kick] = []
    taken: set[int] = set()
    for departure in record.departures:
        rest = departure.rest
        if rest is None or not on_the_ground(camera, ball_diameter_m, rest.sighting):
            continue
        parts = [departure.track, *since_met(rest, departure.track)]
        readings = (_kick_from(camera, ball_diameter_m, rest, part, tracks) for part in parts)
        kick = next((kick for kick in readings if kick is not None), None)
        if kick is not None:
            kicks.append(kick)
            taken.add(id(rest))
    for departure in record.departures:
        if departure.rest is None or not any(_shares_track(k, departure.track) for k in kicks):
            kick = _kick_unseen_start(camera, ball_diameter_m, departure.track, tracks)
            if kick is not None:
                kicks.append(kick)
    for rest in left:
        if id(rest) in taken or any(_explains(k, rest) for k in kicks):
            continue
        kick = _hidden_start(camera, ball_diameter_m, rest, tracks, kicks)
        if kick is None and _may_have_been_kicked(rest, record.resting, kicks):
            kick = Kick(rest.before_s, rest.before_s, rest.after_s, rest.sighting, None)
        if kick is not None:
            kicks.append(kick)
    kicks = _one_per_moment(kicks)
    kicks += _kicks_before(record, kicks, camera, ball_diameter_m)
    return _with_what_followed(_one_per_moment(kicks), record)


def _kick_from(
    camera: Camera,
    diameter_m: float,
    rest: RestingBall,
    track: BallTrack,
    tracks: Sequence[BallTrack],
) -> Kick | None:
    if track.ball_score < LIKE_A_BALL:
        return None
    window = (max(rest.before_s - 0.3, track.start_s - HIDDEN_S), track.start_s)
    sightings = track.sightings
    flight = _start_of_flight(camera, diameter_m, sightings, rest, window)
    if flight is None:
        return None
    more = _continuation(camera, flight, track, tracks)
    if more:
        sightings = tuple(sorted((*sightings, *more), key=lambda s: s.time_s))
        refitted = fit_flight(camera, diameter_m, sightings, rest.sighting, window)
        if refitted is not None and refitted.rms_sigmas <= MAX_RMS_SIGMAS:
            flight = refitted
    if not _plausible(flight):
        return None
    later = tuple(s for s in sightings if s.time_s > flight.end_s)
    return Kick(flight.kick_time_s, window[0], window[1], rest.sighting, flight, later)


def _start_of_flight(
    camera: Camera,
    diameter_m: float,
    sightings: Sequence[BallSighting],
    rest: RestingBall,
    window: tuple[float, float],
) -> Flight | None:
    """Fit as much of a track as flies freely: all of it, or else its first part."""
    for upto_s in FREE_FLIGHTS_S:
        first = [s for s in sightings if s.time_s <= sightings[0].time_s + upto_s]
        flight = fit_flight(camera, diameter_m, first, rest.sighting, window)
        if flight is not None and flight.rms_sigmas <= MAX_RMS_SIGMAS:
            return flight
    return None


def _plausible(flight: Flight) -> bool:
    """Whether a flight is as fast as kicks are and was seen through most of its time."""
    over_the_ground_mps = float(np.hypot(*flight.velocity_mps[:2]))
    if over_the_ground_mps < MIN_KICK_SPEED_MPS or flight.speed_mps()[0] > MAX_KICK_SPEED_MPS:
        return False
    times = np.array([s.time_s for s in flight.sightings])
    step_s = float(np.median(np.diff(times)))
    return len(times) * step_s >= MIN_SEEN_SHARE * float(times[-1] - times[0])


def _may_have_been_kicked(
    rest: RestingBall, resting: Sequence[RestingBall], kicks: Sequence[Kick]
) -> bool:
    """Whether a thing that left and was not seen again may have been the ball, kicked.

    Not while the ball was on its way from a kick that was seen: it cannot have been back yet.
    """
    if rest.ball_score < LIKE_A_BALL or _is_away(rest, kicks):
        return False
    return not moved_back(rest, resting) and not seen_there_again(rest, resting)


def _is_away(rest: RestingBall, kicks: Sequence[Kick]) -> bool:
    """Whether the ball was on its way from a kick close by when something left a place.

    A flight from elsewhere, or of unseen start, may be another thing's: no excuse for this ball.
    """
    return any(
        k.rest is not None
        and k.flight is not None
        and k.time_s - SAME_KICK_S <= rest.before_s <= k.time_s + AWAY_S
        and _at_the_kickers_feet(k.rest, rest.sighting)
        for k in kicks
    )


def _at_the_kickers_feet(kicked: BallSighting, other: BallSighting) -> bool:
    """Whether a place is close to a kicked ball's, or a little further at the same distance."""
    same = abs(np.log(kicked.diameter_px / other.diameter_px)) <= SIZE_TOLERANCE
    reach_px = OWN_LEGS_DIAMETERS * max(kicked.diameter_px, other.diameter_px)
    return apart_px(kicked, other) <= (reach_px if same else reach_px / 2)


def _kick_unseen_start(
    camera: Camera, diameter_m: float, track: BallTrack, tracks: Sequence[BallTrack]
) -> Kick | None:
    """Read a track as a ball rolling from where it was first seen; strict, for want of a start."""
    if track.end_s - track.start_s < MIN_SECONDS_UNSEEN_START:
        return None
    if track.ball_score < LIKE_A_BALL:
        return None
    flight = fit_flight(camera, diameter_m, track.sightings, None)
    if flight is None or flight.rms_sigmas > MAX_RMS_UNSEEN_START:
        return None
    if flight.end_s - flight.kick_time_s < MIN_SECONDS_UNSEEN_START:
        return None
    if not _plausible(flight) or flight.speed_mps()[0] < MIN_SPEED_UNSEEN_START_MPS:
        return None
    more = _continuation(camera, flight, track, tracks)
    later = tuple(
        sorted(
            (s for s in (*track.sightings, *more) if s.time_s > flight.end_s),
            key=lambda s: s.time_s,
        )
    )
    earliest = flight.kick_time_s - HIDDEN_S
    return Kick(flight.kick_time_s, earliest, flight.kick_time_s, None, flight, later)


def _kicks_before(
    record: BallRecord, kicks: Sequence[Kick], camera: Camera, ball_diameter_m: float
) -> list[Kick]:
    """Kicks that nothing was seen of, told by a ball that rolls out from behind somebody.

    Whether it comes from the kick spot, the goal will tell.
    """
    known = {id(s) for k in kicks for s in (*(k.flight.sightings if k.flight else ()), *k.later)}
    ends = [d.track.sightings[-1] for d in record.departures]
    lay = [r.sighting for r in record.resting]
    found = []
    for track in (d.track for d in record.departures if d.rest is None):
        first = track.sightings[0]
        before = [s for s in lay if s.time_s <= first.time_s] + [
            s for s in ends if first.time_s - SEEN_AGAIN_S <= s.time_s < first.time_s
        ]
        if (
            track.ball_score >= SURE_TO_COME_OUT
            and not any(id(s) in known for s in track.sightings)
            and on_the_ground(camera, ball_diameter_m, first)
            and on_the_ground(camera, ball_diameter_m, track.sightings[-1])
            and not any(
                apart_px(s, first) <= CAME_FROM_DIAMETERS * first.diameter_px for s in before
            )
        ):
            since_s = first.time_s - HIDDEN_S
            found.append(Kick(since_s, since_s, first.time_s, None, None, track.sightings))
    return found


def _shares_track(kick: Kick, track: BallTrack) -> bool:
    return (
        kick.flight is not None
        and track.start_s <= kick.flight.end_s
        and any(s is track.sightings[0] for s in kick.flight.sightings)
    )


def _continuation(
    camera: Camera, flight: Flight, track: BallTrack, tracks: Sequence[BallTrack]
) -> list[BallSighting]:
    """Sightings of other tracks that lie on the flight, and what follows them."""
    more: list[BallSighting] = []
    for other in tracks:
        if other is track or not track.end_s < other.start_s <= flight.kick_time_s + CONTINUES_S:
            continue
        off = residual_sigmas(camera, flight, other.sightings[:4])
        if float(np.median(off)) <= MAX_RMS_SIGMAS:
            more.extend(other.sightings)
    return more


def _hidden_start(
    camera: Camera,
    diameter_m: float,
    rest: RestingBall,
    tracks: Sequence[BallTrack],
    kicks: Sequence[Kick],
) -> Kick | None:
    """Look for a flight whose first part the kicker hid, by fitting it from the resting place."""
    found = []
    for track in (part for whole in tracks for part in once_away(rest, whole)):
        if track.start_s > rest.after_s + HIDDEN_S or not may_come_from(rest, track):
            continue
        kick = _kick_from(camera, diameter_m, rest, track, tracks)
        if kick is None or kick.flight is None or _far_fetched(kick.flight, rest, kicks):
            continue
        found.append(kick)
    return min(found, key=_late_and_rough, default=None)


def _far_fetched(flight: Flight, rest: RestingBall, kicks: Sequence[Kick]) -> bool:
    """Whether a flight was hidden for long and comes from something not surely the ball."""
    hidden_s = flight.sightings[0].time_s - flight.kick_time_s
    return hidden_s > LONG_HIDDEN_S and (
        rest.ball_score < SURELY_THE_BALL
        or rest.after_s - rest.before_s > LEFT_WITHIN_S
        or _is_away(rest, kicks)
    )


def _late_and_rough(kick: Kick) -> float:
    """Rank flights from one place the worse, the later they come to sight and the worse they fit.

    The ball may be back in play by the time a later one is seen.
    """
    assert kick.flight is not None
    return kick.flight.sightings[0].time_s + ROUGH_TO_HIDDEN_S * kick.flight.rms_sigmas


def _explains(kick: Kick, rest: RestingBall) -> bool:
    """Whether a found kick already accounts for a ball that left."""
    if kick.rest is None:
        return False
    in_time = rest.before_s - SAME_KICK_S <= kick.time_s <= rest.after_s + SAME_KICK_S
    return in_time and apart_px(kick.rest, rest.sighting) <= 1.5 * rest.sighting.diameter_px


def _one_per_moment(kicks: list[Kick]) -> list[Kick]:
    """Keep the best-seen kick of each moment.

    Where a known ball left its place and a flight does not start from it, they may be two things:
    the kick is kept as unseen, and a person is asked.
    """
    kept: list[Kick] = []
    for kick in sorted(kicks, key=_worth, reverse=True):
        near = [i for i, k in enumerate(kept) if _same_moment(k, kick)]
        if not near:
            kept.append(kick)
        elif kept[near[0]].rest is None and kick.rest is not None:
            kept[near[0]] = kick
    return sorted(kept, key=lambda k: k.time_s)


def _same_moment(a: Kick, b: Kick) -> bool:
    """Whether two readings must be of one kick: at once, or soon after and not of two balls."""
    apart_s = abs(a.time_s - b.time_s)
    if a.rest is None or b.rest is None or apart_s <= AT_ONCE_S:
        return apart_s <= SAME_KICK_S
    diameter_px = max(a.rest.diameter_px, b.rest.diameter_px)
    return apart_s <= SAME_KICK_S and apart_px(a.rest, b.rest) <= TWO_BALLS_DIAMETERS * diameter_px


def _with_what_followed(kicks: list[Kick], record: BallRecord) -> list[Kick]:
    """Note what lay about at each kick, and where a ball was seen between it and the next."""
    followed = []
    for kick, after in zip_longest(kicks, kicks[1:]):
        end_s = after.time_s if after is not None else inf
        since_s = kick.flight.end_s if kick.flight is not None else kick.latest_s
        upto_s = min(end_s, kick.time_s + SEEN_AGAIN_S)
        seen = [
            s
            for track in (d.track for d in record.departures)
            if track.ball_score >= SURE_AGAIN
            for s in track.sightings
            if since_s < s.time_s < upto_s
        ]
        seen += [
            r.sighting
            for r in record.resting
            if r.arrived and r.ball_score >= SURE_AGAIN and since_s < r.before_s < upto_s
        ]
        lying = still_lying(record.resting, kick.time_s, kick.rest)
        followed.append(replace(kick, seen_again=tuple(seen), lying=lying))
    return followed


def _worth(kick: Kick) -> tuple[bool, float]:
    """Rank flights from seen resting places first, then the better seen ones."""
    if kick.flight is None:
        return False, 0.0
    seen = len(kick.flight.sightings) / (1.0 + kick.flight.rms_sigmas)
    return kick.rest is not None, seen
