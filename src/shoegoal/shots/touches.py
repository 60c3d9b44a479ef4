"""From bends of a dribbled ball's way to touches and losses, each with its probability.

A touch: the ball's way bends, more than a free ball's does, while a foot is at it. The ball is
lost when it gets more than about a metre away from where it was touched last, or when nobody
touches it for three seconds (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

import numpy as np

from shoegoal.shots.bends import F64, Bend
from shoegoal.shots.dribble import Way
from shoegoal.shots.judge import CALL_AT, LeftOut
from shoegoal.types import BallSighting, Call, EventKind, ImagePoint, Outcome, Shot

ONE_TOUCH_S = 0.15  # bends closer together are of one touch: the foot goes along with the ball
LEAST_CHANGE, LEAST_SIGNIFICANCE = 0.6, 2.0  # diameters per second; below, nothing bent
# A free ball's way bends a little, too, over grass and grain: of the change, how wide that spreads.
FREE_CHANGE = 0.8
PLACES = 20.0  # in a leg at which noise could look like a bend
NEAR, FAR = 1.3, 2.2  # diameters from the ball's middle: a foot so near is at it; so far is not
FAR_P, NO_FEET_P = 0.05, 0.97
LEFT_DIAMETERS = 0.4  # so far from where it lay, a ball has left
LEAST_P = 0.02  # of a touch that is worth telling
STARTED_P = 0.9  # a ball that is first seen on its way was touched before, if it was not thrown
MOST_SURE = 0.9998  # nothing seen is surer: twenty of these still make more than 99 %
LOST_DIAMETERS, LOST_SPREAD = 4.5, 0.4  # about one metre
AWAY_S = 0.25  # nobody gets a ball back from there sooner
SIZE_ROUND_S = 0.25
LOST_S, LOST_SPREAD_S = 3.0, 0.3
UNSEEN_S = 0.35  # a ball hidden for longer may have been touched once more,
UNSEEN_LONG_S = 1.0  # and for longer than this, anything may have happened
SKIPPED_BEATS, SKIPPED_P = 1.7, 0.3  # a gap of so many beats may hide a touch
WORTH_TELLING = 0.004  # of a loss; less likely ones are none
FOCAL_OF_LONG_SIDE = 0.75  # a phone's: 60 to 75 degrees across
USUAL_BEAT_S = 0.5
SNIPPET_S = 0.3
TOUCH_MOMENTS_S = (-0.2, -0.1, 0.0, 0.1, 0.2)  # round an event: what a person has to see
LEAST_SWING = 7.0  # median significance of the touches: below, the view hardly shows them
LEAST_SIDEWAYS = 0.93  # median share of the swing that goes across the picture
MOST_UNSURE = 0.3  # of the touches


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
    """What was made of a dribble.

    Attributes
    ----------
    events : touches and losses in order of time.
    left_out : bends that were no touch, and why.
    doubts : stretches in which touches or losses may be missing.
    """

    events: tuple[Shot, ...]
    left_out: tuple[LeftOut, ...]
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class _Touch:
    time_s: float
    p: float
    reason: str
    way: Way
    place: tuple[float, float, float]  # x, y, diameter px
    significance: float
    sideways: float  # share of the change of velocity that goes across the picture


def find_touches(
    ways: Sequence[Way],
    nearest_foot: FootFinder,
    long_side_px: float,
    clip_s: tuple[float, float],
) -> Dribbled:
    """Find all touches and losses.

    Parameters
    ----------
    ways : of the dribbled ball, in order of time.
    nearest_foot : given a time, the ball's (x, y) px and its diameter px, finds the foot.
    long_side_px : of the picture, which tells about how far away a ball of some size is.
    clip_s : times of the clip's first and last picture.
    """
    touches: list[_Touch] = []
    left_out: list[LeftOut] = []
    for way in ways:
        for bend in [*_start_of(way), *_merged(way.bends)]:
            touch, why = _judged(bend, way, nearest_foot)
            if touch is not None:
                touches.append(touch)
            elif why:
                left_out.append(LeftOut(bend.time_s, why))
    likely = [t for t in touches if t.p >= 0.5]
    beat_s = _beat_s(likely)
    events = [_as_event(t) for t in touches]
    seen_s = np.array([s.time_s for way in ways for s in way.sightings])
    events += _hidden(seen_s, likely, beat_s)
    for here, there in pairwise(likely):
        loss = _loss_between(here, there, ways, long_side_px)
        if loss is not None:
            events.append(loss)
        if loss is None or loss.p_make < 0.5:
            events += _skipped(here, there, beat_s)
    events.sort(key=lambda e: (e.kick_time_s, e.kind is EventKind.LOSS))
    numbered = tuple(replace(e, number=i) for i, e in enumerate(events, start=1))
    doubts = [*_view_doubt(likely, numbered, clip_s), *_unseen(ways, clip_s[1])]
    return Dribbled(numbered, tuple(left_out), tuple(doubts))


def _start_of(way: Way) -> list[Bend]:
    """Return the bend that set a way going: from rest, or not seen."""
    first, leg = way.sightings[0], way.legs[0]
    speed = float(np.hypot(*leg.start_velocity))
    if speed < LEAST_CHANGE:
        return []
    unseen_s = 0.0 if way.lay is not None else float("inf")
    place = (first.x_px, first.y_px)
    still = np.zeros(2)
    return [
        Bend(
            first.time_s, unseen_s, place, way.size_px, still, leg.start_velocity,
            leg.velocity_sigma, flies=leg.flying,
        ).in_diameters_of(way.size_at(first.time_s))
    ]  # fmt: skip


def _went(way: Way) -> float:
    """How far the ball got on its first leg from where it lay, diameters."""
    if way.lay is None:
        return 0.0
    end = way.legs[0].end * way.size_px
    apart_px = float(np.hypot(end[0] - way.lay.x_px, end[1] - way.lay.y_px))
    return apart_px / way.size_at(way.start_s)


def _merged(bends: Sequence[Bend]) -> list[Bend]:
    """Take bends that follow one another too fast for two touches as one."""
    out: list[Bend] = []
    for bend in bends:
        if bend.change < LEAST_CHANGE or bend.significance < LEAST_SIGNIFICANCE:
            continue
        if out and bend.time_s - out[-1].time_s < ONE_TOUCH_S:
            last = out[-1]
            out[-1] = replace(
                last,
                time_s=0.5 * (last.time_s + bend.time_s),
                unseen_s=max(last.unseen_s, bend.unseen_s),
                after=bend.after,
                sigma=float(np.hypot(last.sigma, bend.sigma) / np.sqrt(2)),
                flies=last.flies or bend.flies,
            )
        else:
            out.append(bend)
    return out


def _judged(bend: Bend, way: Way, nearest_foot: FootFinder) -> tuple[_Touch | None, str]:
    change, z = bend.change, bend.significance
    # Rayleigh: the length of a plane vector of pure noise passes z sigmas with exp(-z^2 / 2).
    p_noise = min(1.0, PLACES * float(np.exp(-0.5 * z * z)))
    p_free = float(np.exp(-((change / FREE_CHANGE) ** 2)))
    p = (1 - p_noise) * (1 - p_free)
    if bend.time_s == way.start_s and way.lay is not None and _went(way) >= LEFT_DIAMETERS:
        p = MOST_SURE  # it lay and does not any more: however slowly, it was moved
    reason = ""
    if p < CALL_AT:
        reason = "the ball's way hardly bends: was it touched?"
    foot = nearest_foot(bend.time_s, bend.place_px, bend.diameter_px)
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
    if bend.flies and _upwards(bend):
        p = min(p, 0.5)
        reason = "did the ball bounce there, or was it touched?"
    if not np.isfinite(bend.unseen_s):
        p = STARTED_P
        reason = "the ball was first seen here on its way: was it touched just before?"
    if p < LEAST_P:
        return None, ""
    p = min(p, MOST_SURE)
    place = (*bend.place_px, bend.diameter_px)
    sideways = float(abs(bend.after[0] - bend.before[0])) / max(1e-9, change)
    return _Touch(bend.time_s, p, reason or who, way, place, z, sideways), ""


def _upwards(bend: Bend) -> bool:
    """Whether the change is like a bounce off the ground: up, and on in the same direction."""
    x, y = bend.after - bend.before
    return bool(bend.before[1] > 0 and y < 0 and abs(x) < 0.5 * abs(y))


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
    """Return a touch that may have been overlooked where the pupil's own beat leaves one out."""
    if there.time_s - here.time_s <= SKIPPED_BEATS * beat_s:
        return []
    reason = "a longer gap than usual between two touches: was there one more?"
    middle_s = 0.5 * (here.time_s + there.time_s)
    near = [s for s in here.way.sightings if abs(s.time_s - middle_s) <= SNIPPET_S]
    return [_event(EventKind.TOUCH, middle_s, SKIPPED_P, reason, near)]


def _unseen(ways: Sequence[Way], end_s: float) -> list[Doubt]:
    """Return the stretches over which a ball that had been moving was out of sight."""
    out = []
    starts_s = [*(way.start_s for way in ways[1:]), end_s]
    for way, next_s in zip(ways, starts_s, strict=True):
        speed = float(np.hypot(*way.legs[-1].end_velocity))
        if speed >= LEAST_CHANGE and next_s - way.end_s > UNSEEN_LONG_S:
            why = f"the ball was out of sight for {next_s - way.end_s:.0f} s"
            out.append(Doubt(way.end_s, next_s, why))
    return out


def _loss_between(
    here: _Touch, there: _Touch, ways: Sequence[Way], long_side_px: float
) -> Shot | None:
    """Whether the ball was lost from one touch to the next."""
    focal_px = FOCAL_OF_LONG_SIDE * long_side_px
    between = [s for way in ways for s in way.sightings if here.time_s < s.time_s < there.time_s]
    start = np.array([here.place[0], here.place[1], focal_px]) / here.place[2]
    far, when_s = 0.0, 0.5 * (here.time_s + there.time_s)
    if between:
        times = np.array([s.time_s for s in between])
        sizes = np.array([s.diameter_px for s in between])
        # A foot before the ball makes it look smaller for a moment, and so further away.
        smooth = np.array([np.median(sizes[np.abs(times - t) <= SIZE_ROUND_S]) for t in times])
        rows = np.array([(s.x_px, s.y_px, focal_px) for s in between]) / smooth[:, None]
        apart = np.linalg.norm(rows - start, axis=1)
        far = _stayed_beyond(times, apart)
        when_s = between[int(np.argmax(apart >= min(far, LOST_DIAMETERS)))].time_s
    p_far = _logistic((far - LOST_DIAMETERS) / LOST_SPREAD)
    waited_s = there.time_s - here.time_s
    p_long = _logistic((waited_s - LOST_S) / LOST_SPREAD_S)
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


def _stayed_beyond(times: F64, apart: F64) -> float:
    """Distance that a ball was further away than for `AWAY_S` altogether."""
    each_s = np.minimum(np.gradient(times), UNSEEN_S) if len(times) > 1 else np.array([0.0])
    order = np.argsort(-apart)
    reached = np.searchsorted(np.cumsum(each_s[order]), AWAY_S)
    return float(apart[order[reached]]) if reached < len(order) else 0.0


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(x, -50.0, 50.0))))


def _as_event(touch: _Touch) -> Shot:
    near = [s for s in touch.way.sightings if abs(s.time_s - touch.time_s) <= SNIPPET_S]
    return _event(EventKind.TOUCH, touch.time_s, touch.p, touch.reason, near)


def _event(
    kind: EventKind, time_s: float, p: float, reason: str, path: Sequence[BallSighting]
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
    """Say why touches may be missing all over the clip; none when they should not."""
    if not touches:
        return [Doubt(*clip_s, "no touch was seen")]
    swing = median(t.significance for t in touches)
    told = [e.call for e in events if e.kind is EventKind.TOUCH]
    unsure = told.count(Call.UNSURE) / len(told)
    if swing < LEAST_SWING or (unsure > MOST_UNSURE and len(touches) >= 3):
        why = (
            "this view hardly shows the touches, so some may be missing: film from the front, "
            "three or four metres away, both feet in view"
        )
        return [Doubt(*clip_s, why)]
    if median(t.sideways for t in touches) < LEAST_SIDEWAYS:
        why = (
            "the ball swings towards and away from the camera, which hides touches: film from "
            "the front"
        )
        return [Doubt(*clip_s, why)]
    return []
