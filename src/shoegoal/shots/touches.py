"""From contacts of a dribbled ball to touches and losses, each with its probability.

A touch: the ball's velocity changes, more than a free ball's does, while a foot is at it. The ball
is lost when it gets more than about a metre away from where it was touched last, or when nobody
touches it for three seconds (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, zip_longest
from math import log, sqrt
from statistics import NormalDist, median

import numpy as np
from scipy.special import expit

from shoegoal.ball.free_motion import STRETCH_PRICE
from shoegoal.shots.dribble import F64, Contact, Trajectory
from shoegoal.shots.judge import CALL_AT, LeftOut
from shoegoal.types import Call, Detection, EventKind, ImagePoint, Outcome, Shot

ONE_TOUCH_S = 0.15  # contacts closer together are one touch: the foot goes along with the ball
LEAST_CHANGE, LEAST_SIGNIFICANCE = 0.6, 2.0  # diameters per second, sigmas; less is no contact
# A free ball changes its way a little, too, over grass and grain: how wide that spreads.
FREE_CHANGE = 0.8
PLACES = 20.0  # in a stretch at which noise could look like a contact
NEAR, FAR = 1.3, 2.2  # diameters from the ball's middle: touching up to, and from there on not
FAR_P, NO_FEET_P = 0.05, 0.97
LEFT_DIAMETERS = 0.4  # a ball this far from where it lay has left
LEAST_P = 0.02  # of a touch that is worth mentioning
STARTED_P = 0.9  # a ball that is first seen on its way was touched before, if it was not thrown
MOST_SURE = 0.9998  # upper bound: twenty of these still make more than 99 %
LOST_DIAMETERS, LOST_SPREAD = 4.5, 0.4  # about one metre
AWAY_S = 0.25  # nobody gets a ball back from there faster
LOST_S, LOST_SPREAD_S = 3.0, 0.3
UNSEEN_S = 0.35  # a ball hidden for longer may have been touched once more,
UNSEEN_LONG_S = 1.0  # and for longer than this, anything may have happened
SKIPPED_BEATS, SKIPPED_P = 1.7, 0.3  # a gap of so many beats may hide a touch
WORTH_TELLING = 0.004  # of a loss; less likely ones are left out
USUAL_BEAT_S = 0.5
SNIPPET_S = 0.3
TOUCH_MOMENTS_S = (-0.2, -0.1, 0.0, 0.1, 0.2)  # round an event: what a person has to see
LEAST_SEEN = sqrt(STRETCH_PRICE)  # significance below which a track is not cut
MOST_MISSED = 0.05  # touches; if more are likely missed, the view hardly shows touches
LEAST_SPREAD = 0.2  # of the logarithms of significances
NORMAL_MAD = 1.4826  # standard deviation over median absolute deviation, of a normal distribution
MOST_UNSURE = 0.3  # of the touches; if more are unsure, the view hardly shows them


@dataclass(frozen=True, slots=True)
class FootSeen:
    """The foot nearest to the ball in a picture.

    Attributes
    ----------
    name : ``left`` or ``right``, the pupil's own.
    apart : between it and the ball's middle, diameters of the ball.
    """

    name: str
    apart: float


FootFinder = Callable[[float, tuple[float, float], float], FootSeen | None]


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch of time in which something may be missing, and why."""

    from_s: float
    until_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Dribbled:
    """The touches and losses found in a dribble.

    Attributes
    ----------
    events : touches and losses in order of time.
    left_out : contacts that were not touches, and why.
    doubts : stretches in which touches or losses may be missing.
    """

    events: tuple[Shot, ...]
    left_out: tuple[LeftOut, ...]
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class _Touch:
    p: float
    reason: str
    way: Trajectory
    contact: Contact

    @property
    def time_s(self) -> float:
        return self.contact.time_s


def find_touches(
    ways: Sequence[Trajectory],
    nearest_foot: FootFinder,
    clip_s: tuple[float, float],
) -> Dribbled:
    """Find all touches and losses.

    Parameters
    ----------
    ways : of the dribbled ball, in order of time.
    nearest_foot : given a time, the ball's (x, y) px and its diameter px, finds the foot.
    clip_s : times of the clip's first and last picture.
    """
    touches: list[_Touch] = []
    left_out: list[LeftOut] = []
    for way in ways:
        for contact in _merged(way):
            touch, why = _judged(contact, way, nearest_foot)
            if touch is not None:
                touches.append(touch)
            elif why:
                left_out.append(LeftOut(contact.time_s, why))
    likely = [t for t in touches if t.p >= 0.5]
    beat_s = _beat_s(likely)
    events = [_as_event(t) for t in touches]
    seen_s = np.array([s.time_s for way in ways for s in way.sightings])
    events += _hidden(seen_s, likely, beat_s)
    for here, there in pairwise(likely):
        loss = _loss_between(here, there, ways)
        if loss is not None:
            events.append(loss)
        if loss is None or loss.p_make < 0.5:
            events += _skipped(here, there, beat_s)
    events.sort(key=lambda e: (e.kick_time_s, e.kind is EventKind.LOSS))
    numbered = tuple(replace(e, number=i) for i, e in enumerate(events, start=1))
    doubts = [*_view_doubt(likely, numbered, clip_s), *_unseen(ways, clip_s[1])]
    return Dribbled(numbered, tuple(left_out), tuple(doubts))


def _set_it_going(contact: Contact, way: Trajectory) -> bool:
    """Whether a path begins there and leads away: however slowly, the ball was moved."""
    went = way.moving[0].stretch
    apart_m = float(np.linalg.norm(went.centre_m([went.end_s])[0] - contact.place_m))
    return contact is way.contacts[0] and apart_m >= LEFT_DIAMETERS * way.diameter_m


def _merged(way: Trajectory) -> list[Contact]:
    """Merge contacts that follow one another too fast for two touches."""
    out: list[Contact] = []
    for contact in way.contacts:
        slight = contact.change_mps < LEAST_CHANGE * way.diameter_m
        if (slight or contact.significance < LEAST_SIGNIFICANCE) and not _set_it_going(
            contact, way
        ):
            continue
        if out and contact.time_s - out[-1].time_s < ONE_TOUCH_S:
            last = out[-1]
            out[-1] = replace(
                last,
                time_s=0.5 * (last.time_s + contact.time_s),
                unseen_s=max(last.unseen_s, contact.unseen_s),
                after_mps=contact.after_mps,
                covariance=0.5 * (last.covariance + contact.covariance),
                flies=last.flies or contact.flies,
            )
        else:
            out.append(contact)
    return out


def _judged(
    contact: Contact, way: Trajectory, nearest_foot: FootFinder
) -> tuple[_Touch | None, str]:
    change, z = contact.change_mps / way.diameter_m, contact.significance
    # Rayleigh: the length of a plane vector of pure noise passes z sigmas with exp(-z^2 / 2).
    p_noise = min(1.0, PLACES * float(np.exp(-0.5 * z * z)))
    p_free = float(np.exp(-((change / FREE_CHANGE) ** 2)))
    p = (1 - p_noise) * (1 - p_free)
    if contact.from_rest and _set_it_going(contact, way):
        p = MOST_SURE
    reason = ""
    if p < CALL_AT:
        reason = "the ball's way hardly bends: was it touched?"
    foot = nearest_foot(contact.time_s, contact.place_px, contact.diameter_px)
    if foot is None:
        p = min(p, NO_FEET_P) * NO_FEET_P
        reason = reason or "no foot was seen at the ball: was it touched?"
        who = "a foot"
    else:
        share = float(np.clip((foot.apart - NEAR) / (FAR - NEAR), 0.0, 1.0))
        p *= 1.0 - share * (1.0 - FAR_P)
        who = f"{foot.name} foot"
        if share >= 1.0:
            return None, f"the ball's way bent, but no foot was near ({foot.apart:.1f} balls away)"
        if share > 0.05:
            reason = reason or f"the {who} was {foot.apart:.1f} balls away: was it touched?"
    if contact.flies and _upwards(contact):
        p = min(p, 0.5)
        reason = "did the ball bounce there, or was it touched?"
    if not np.isfinite(contact.unseen_s):
        p = STARTED_P
        reason = "the ball was first seen here on its way: was it touched just before?"
    if p < LEAST_P:
        return None, ""
    p = min(p, MOST_SURE)
    return _Touch(p, reason or who, way, contact), ""


def _upwards(contact: Contact) -> bool:
    """Whether the change is like a bounce off the ground: up, and on in the same direction."""
    x, y, z = contact.after_mps - contact.before_mps
    return bool(contact.before_mps[2] < 0 < z and np.hypot(x, y) < 0.5 * z)


def _beat_s(touches: Sequence[_Touch]) -> float:
    gaps = [b.time_s - a.time_s for a, b in pairwise(touches) if b.time_s - a.time_s < LOST_S]
    return median(gaps) if gaps else USUAL_BEAT_S


def _hidden(seen_s: F64, touches: Sequence[_Touch], beat_s: float) -> list[Shot]:
    """Return touches that may have happened while the ball was out of sight for a moment."""
    if not touches:
        return []
    out = []
    begin, end = touches[0].time_s, touches[-1].time_s
    gaps = np.flatnonzero(np.diff(seen_s) > UNSEEN_S)
    for i in gaps:
        a, b = float(seen_s[i]), float(seen_s[i + 1])
        if b < begin or a > end or b - a > UNSEEN_LONG_S:
            continue
        bent = any(a - ONE_TOUCH_S <= t.time_s <= b + ONE_TOUCH_S for t in touches)
        p = float(np.clip((b - a) / beat_s - (0.6 if bent else 1.2), 0.0, 0.5))
        middle = 0.5 * (a + b)
        if p >= WORTH_TELLING:
            reason = "the ball was out of sight: was it touched once more?"
            out.append(_event(EventKind.TOUCH, middle, p, reason, ()))
    return out


def _skipped(here: _Touch, there: _Touch, beat_s: float) -> list[Shot]:
    """Return a touch that may have been overlooked, where the pupil's own beat skips one."""
    if there.time_s - here.time_s <= SKIPPED_BEATS * beat_s:
        return []
    reason = "a longer gap than usual between two touches: was there one more?"
    middle_s = 0.5 * (here.time_s + there.time_s)
    near = [s for s in here.way.sightings if abs(s.time_s - middle_s) <= SNIPPET_S]
    return [_event(EventKind.TOUCH, middle_s, SKIPPED_P, reason, near)]


def _unseen(ways: Sequence[Trajectory], end_s: float) -> list[Doubt]:
    """Return the stretches over which a ball that had been moving was out of sight."""
    out = []
    for way, after in zip_longest(ways, ways[1:]):
        next_s = end_s if after is None else after.start_s
        speed = way.end_speed_mps / way.diameter_m
        if speed >= LEAST_CHANGE and next_s - way.end_s > UNSEEN_LONG_S:
            why = f"the ball was out of sight for {next_s - way.end_s:.0f} s"
            out.append(Doubt(way.end_s, next_s, why))
    return out


def _loss_between(here: _Touch, there: _Touch, ways: Sequence[Trajectory]) -> Shot | None:
    """Whether the ball was lost from one touch to the next."""
    between = [s for way in ways for s in way.sightings if here.time_s < s.time_s < there.time_s]
    far, when_s = 0.0, 0.5 * (here.time_s + there.time_s)
    times, apart = _apart_from(here, there.time_s, ways)
    if len(times):
        far = _stayed_beyond(times, apart)
        when_s = float(times[int(np.argmax(apart >= min(far, LOST_DIAMETERS)))])
    p_far = expit((far - LOST_DIAMETERS) / LOST_SPREAD)
    waited_s = there.time_s - here.time_s
    p_long = expit((waited_s - LOST_S) / LOST_SPREAD_S)
    p = min(MOST_SURE, max(p_far, p_long))
    if p < WORTH_TELLING:
        return None
    if p_far >= p_long:
        reason = f"the ball got {far:.1f} balls away from where it was touched"
    else:
        reason, when_s = f"no touch for {waited_s:.1f} s", here.time_s + min(LOST_S, waited_s / 2)
    if p < CALL_AT:
        reason += ": was it lost?"
    return _event(EventKind.LOSS, when_s, p, reason, between)


def _apart_from(touch: _Touch, until_s: float, ways: Sequence[Trajectory]) -> tuple[F64, F64]:
    """Find when the ball is seen after a touch, (N,), and how far away, (N,) diameters."""
    times, places = [np.empty(0)], [np.empty((0, 2))]
    for segment in (segment for way in ways for segment in way.segments):
        seen = np.array([s.time_s for s in segment.stretch.sightings])
        seen = seen[(seen > touch.time_s) & (seen < until_s)]
        times.append(seen)
        places.append(segment.stretch.centre_m(seen)[:, :2])
    apart_m = np.hypot(*(np.concatenate(places) - touch.contact.place_m[:2]).T)
    return np.concatenate(times), apart_m / touch.way.diameter_m


def _stayed_beyond(times: F64, apart: F64) -> float:
    """Distance that a ball was further away than for `AWAY_S` altogether."""
    each_s = np.minimum(np.gradient(times), UNSEEN_S) if len(times) > 1 else np.array([0.0])
    order = np.argsort(-apart)
    reached = np.searchsorted(np.cumsum(each_s[order]), AWAY_S)
    return float(apart[order[reached]]) if reached < len(order) else 0.0


def _as_event(touch: _Touch) -> Shot:
    near = [s for s in touch.way.sightings if abs(s.time_s - touch.time_s) <= SNIPPET_S]
    return _event(EventKind.TOUCH, touch.time_s, touch.p, touch.reason, near)


def _event(
    kind: EventKind, time_s: float, p: float, reason: str, path: Sequence[Detection]
) -> Shot:
    call = Call.MAKE if p >= CALL_AT else Call.MISS if p <= 1 - CALL_AT else Call.UNSURE
    return Shot(
        number=0,
        kick_time_s=time_s,
        end_time_s=time_s + SNIPPET_S,
        call=call,
        outcome=Outcome.NOT_SEEN if call is Call.UNSURE else Outcome(kind.value),
        p_make=p,
        reason=reason,
        crossing_time_s=None,
        crossing_x_m=None,
        crossing_z_m=None,
        speed_mps=None,
        kick_spot_m=None,
        path=tuple(path),
        fitted_path_px=tuple(ImagePoint(s.x_px, s.y_px) for s in path),
        kind=kind,
    )


def _view_doubt(
    touches: Sequence[_Touch], events: Sequence[Shot], clip_s: tuple[float, float]
) -> list[Doubt]:
    """Say why touches may be missing all over the clip; empty if they should not be."""
    if not touches:
        return [Doubt(*clip_s, "no touch was seen")]
    told = [e.call for e in events if e.kind is EventKind.TOUCH]
    unsure = told.count(Call.UNSURE) / len(told)
    missed = _likely_missed(touches)
    if missed > MOST_MISSED or (unsure > MOST_UNSURE and len(touches) >= 3):
        why = (
            "this view hardly shows the touches, so some may be missing: film from the front, "
            "three or four metres away, both feet in view"
        )
        return [Doubt(*clip_s, why)]
    return []


def _likely_missed(touches: Sequence[_Touch]) -> float:
    """Estimate how many touches were lost in noise, by how far above it the others are.

    Their significances are taken as log-normal; the middle and the spread are those of the median.
    """
    logs = np.log([max(1.0, t.contact.significance) for t in touches])
    middle = float(np.median(logs))
    spread = max(LEAST_SPREAD, NORMAL_MAD * float(np.median(np.abs(logs - middle))))
    share = NormalDist(middle, spread).cdf(log(LEAST_SEEN))
    return len(touches) * share / (1 - share)
