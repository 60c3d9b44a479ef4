"""A ball's way read as a kick: a flight from where it lay, or from where it came to sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
import numpy.typing as npt

from shoegoal.ball.flight import Flight, fit_flight, residual_sigmas
from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.scene.camera import Camera
from shoegoal.types import BallSighting

MAX_RMS_SIGMAS = 3.0
MIN_KICK_SPEED_MPS = 1.2  # slower is a nudge of the foot or a ball put down; no source
MIN_SECONDS_UNSEEN_START = 0.25  # with no resting place seen, a flight must be seen this long,
MAX_RMS_UNSEEN_START = 2.5  # fit this well
MIN_SPEED_UNSEEN_START_MPS = 2.0  # and be this fast
MAX_KICK_SPEED_MPS = 35.0  # about the hardest shots of professionals; common practice, no source
LIKE_A_BALL = 0.5  # score of the gauge: balls mostly 0.9 and more, limbs and leaves near 0
CONTINUES_S = 3.0  # a flight's later pieces start within this time of the kick
HIDDEN_S = 1.2  # longest time for which a kicked ball may stay behind its kicker
FREE_FLIGHTS_S = (inf, 0.9, 0.45)  # tried for the part of a track before anything turned it
SAME_STRIKE_S = 0.1  # two flights from one place that begin so near in time are one kick's,
SURE_BEYOND = 0.9  # the later of a ball that is as sure as this
ASIDE_DIAMETERS = 0.8  # and the first turned aside by no more than that
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


def kick_from_rest(
    camera: Camera,
    diameter_m: float,
    rest: RestingBall,
    track: BallTrack,
    tracks: Sequence[BallTrack],
) -> Kick | None:
    """Read a track as a ball's that lay at a place until it was kicked.

    Parameters
    ----------
    camera, diameter_m : the ruler.
    rest : where the ball lay.
    track : what may be its way; `tracks` are all that there are, some of which may go on with it.

    Returns
    -------
    The kick; None where the track does not fit one.
    """
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
    else:
        beyond = _beyond_the_kicker(camera, diameter_m, rest, flight, tracks)
        if beyond is not None:
            flight, sightings = beyond
    if not _plausible(flight):
        return None
    later = tuple(s for s in sightings if s.time_s > flight.end_s)
    return Kick(flight.kick_time_s, window[0], window[1], rest.sighting, flight, later)


def _beyond_the_kicker(
    camera: Camera,
    diameter_m: float,
    rest: RestingBall,
    flight: Flight,
    tracks: Sequence[BallTrack],
) -> tuple[Flight, tuple[BallSighting, ...]] | None:
    """Look for the same kick's flight where the ball comes out from behind its kicker.

    There it is seen whole, while legs that hide half of it turned the first part aside. It is the
    same kick when it was struck at the same moment and passes close to what was seen at first.
    """
    kick_s, first = flight.kick_time_s, flight.sightings
    for track in tracks:
        hidden_s = track.start_s - flight.end_s
        if track.ball_score < SURE_BEYOND or not 0 < hidden_s <= HIDDEN_S:
            continue
        window = (kick_s - SAME_STRIKE_S, kick_s + SAME_STRIKE_S)
        beyond = _start_of_flight(camera, diameter_m, track.sightings, rest, window)
        if beyond is None or len(beyond.sightings) < len(first):
            continue
        discs, sizes_px = camera.ball_image(beyond.centre_m([s.time_s for s in first]), diameter_m)
        off_px = np.hypot(*(discs - [(s.x_px, s.y_px) for s in first]).T)
        if float(np.median(off_px / sizes_px)) <= ASIDE_DIAMETERS:
            return beyond, track.sightings
    return None


def _start_of_flight(
    camera: Camera,
    diameter_m: float,
    sightings: Sequence[BallSighting],
    rest: RestingBall | None,
    window: tuple[float, float] | None = None,
) -> Flight | None:
    """Fit as much of a track as flies freely: all of it, or else its first part.

    A track's first sighting may be the foot's; from where the ball lay it leads nowhere.
    """
    place = None if rest is None else rest.sighting
    for upto_s in FREE_FLIGHTS_S:
        first = [s for s in sightings if s.time_s <= sightings[0].time_s + upto_s]
        for part in (first,) if rest is None else (first, first[1:]):
            flight = fit_flight(camera, diameter_m, part, place, window) if part else None
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


def kick_unseen_start(
    camera: Camera, diameter_m: float, track: BallTrack, tracks: Sequence[BallTrack]
) -> Kick | None:
    """Read a track as a ball rolling from where it was first seen; strict, for want of a start."""
    if track.end_s - track.start_s < MIN_SECONDS_UNSEEN_START:
        return None
    if track.ball_score < LIKE_A_BALL:
        return None
    flight = _start_of_flight(camera, diameter_m, track.sightings, None)
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
