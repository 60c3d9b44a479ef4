"""Which moving balls are kicks: a ball at rest on the ground that starts to fly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf

import numpy as np

from shoegoal.ball.flight import Flight
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
from shoegoal.shots.readings import (
    HIDDEN_S,
    LIKE_A_BALL,
    Kick,
    kick_from_rest,
    kick_unseen_start,
)
from shoegoal.types import BallSighting

ROUGH_TO_HIDDEN_S = 0.2  # a sigma of misfit counts like so much time behind the kicker
OWN_LEGS_DIAMETERS = 8.0  # what leaves so near to a kicked ball's place is the kicker's foot
AS_WELL_SIGMAS = 0.5  # a flight that fits worse by no more fits about as well
AT_ONCE_S = 0.3  # nobody kicks two balls within this time,
TWO_BALLS_DIAMETERS = 3.0  # but a ball so far off may be knocked on within the time above
LONG_HIDDEN_S = 0.4  # a flight hidden so long at first is believed to come from a place
SURELY_THE_BALL, LEFT_WITHIN_S = 0.97, 4.0  # only of a sure ball, that left in about this time
SEEN_AGAIN_S = 5.0  # a ball seen this soon after a kick is the one that was kicked,
SURE_AGAIN = 0.9  # if the gauge is this sure of it
SURE_TO_COME_OUT = 0.95  # score of a ball that comes to sight on its way,
CAME_FROM_DIAMETERS = 3.0  # so near to no place where a ball lay or was lost


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
        readings = (kick_from_rest(camera, ball_diameter_m, rest, part, tracks) for part in parts)
        kick = next((kick for kick in readings if kick is not None), None)
        if kick is not None:
            kicks.append(kick)
            taken.add(id(rest))
    for departure in record.departures:
        if departure.rest is None or not any(_shares_track(k, departure.track) for k in kicks):
            kick = kick_unseen_start(camera, ball_diameter_m, departure.track, tracks)
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
    kicks = _one_per_moment(_from_farthest_back(_one_per_ball(kicks)))
    kicks += _kicks_before(record, kicks, camera, ball_diameter_m)
    return _with_what_followed(_one_per_moment(kicks), record)


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
        kick = kick_from_rest(camera, diameter_m, rest, track, tracks)
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
        or _is_away(rest, [k for k in kicks if not _shares_flight(k.flight, flight)])
    )


def _shares_flight(one: Flight | None, other: Flight | None) -> bool:
    """Whether two readings explain the same sightings."""
    if one is None or other is None:
        return False
    known = {id(s) for s in one.sightings}
    return any(id(s) in known for s in other.sightings)


def _one_per_ball(kicks: Sequence[Kick]) -> list[Kick]:
    """Keep of all flights from one ball that lay there the one that comes to sight first, and fits.

    A ball leaves its place once: what else was seen later is the same ball further on, or another.
    """
    kept: dict[int, Kick] = {}
    others = []
    for kick in kicks:
        if kick.rest is None or kick.flight is None:
            others.append(kick)
            continue
        known = kept.get(id(kick.rest))
        if known is None or _late_and_rough(kick) < _late_and_rough(known):
            kept[id(kick.rest)] = kick
    return [*kept.values(), *others]


def _from_farthest_back(kicks: Sequence[Kick]) -> list[Kick]:
    """Of readings of one flight that fit about as well keep the one that was kicked first.

    Something by the way that was taken for a lying ball explains the rest of the flight as well.
    """
    return [
        kick
        for kick in kicks
        if not any(
            other.rest is not None
            and other.flight is not None
            and kick.flight is not None
            and other.time_s < kick.time_s
            and other.flight.rms_sigmas <= kick.flight.rms_sigmas + AS_WELL_SIGMAS
            and _shares_flight(other.flight, kick.flight)
            for other in kicks
        )
    ]


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
    for number, kick in enumerate(kicks, start=1):
        # What merely came to sight may be this kick's ball.
        struck_s = (k.time_s for k in kicks[number:] if k.rest is not None or k.flight is not None)
        end_s = next(struck_s, inf)
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
