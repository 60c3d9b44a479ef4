"""Does the clip run on without a break? Cuts, missing pictures, and stretches at another rate.

Nobody is accused: a phone pauses, a messenger drops pictures. Each break is a place to look at.

Where a clip is cut, things stand elsewhere in the next picture, while nothing moves much just
before and just after. So a step from one picture to the next is a jump when more of it cannot be
explained by things moving on a little than of what happens in the moments beside it. Comparing
with stretches of time rather than with single steps bears repeated and dropped pictures. The
limits were chosen on rendered and filmed clips that run on, recoded ones among them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from shoegoal.clip.frame import U8
from shoegoal.clip.rhythm import Break, BreakKind, breaks_in_rhythm

LEAST_CHANGE = 1.0  # mean square of grey levels over the tiny picture: some eight fields
QUIET = 0.1  # the same, as good as nothing
UNEXPLAINED_LEVELS = 6  # grey levels that noise, coding and slow light may change
BORDER = 2  # tiny pixels where things come and go at any speed
# (seconds on either side, how many times what happens there)
BESIDE = ((0.1, 2.5), (0.2, 1.25))
MIN_BESIDE = 3  # pictures
PAUSE_STEPS = 2.5  # times the usual step: longer ones are missing pictures rather than a cut


@dataclass(frozen=True, slots=True, eq=False)
class _Moment:
    """A tiny picture, and the most and least that things moving on a little make of it."""

    time_s: float
    luma: U8
    most: U8
    least: U8
    mean: float
    change: float  # from the moment before


class ContinuityWatcher:
    """Takes every picture of a clip; keeps half a second of tiny pictures and a few numbers."""

    def __init__(self) -> None:
        self._recent: deque[_Moment] = deque()
        self._unjudged = 0  # position in `_recent` of the first moment not yet judged
        self._jumps: list[Break] = []
        self._times_s: list[float] = []
        self._steps_levels: list[float] = []

    def update(self, time_s: float, tiny: U8) -> None:
        """Take one picture; times rise."""
        before = self._recent[-1] if self._recent else None
        moment = _moment(time_s, tiny, before)
        self._times_s.append(time_s)
        largest = 0.0 if before is None else float(cv2.norm(tiny, before.luma, cv2.NORM_INF))
        self._steps_levels.append(largest)
        self._recent.append(moment)
        self._judge_until(time_s - BESIDE[-1][0])

    def finish(self) -> tuple[Break, ...]:
        """Judge what is left and return every break in order of time."""
        self._judge_until(np.inf)
        rhythm = breaks_in_rhythm(np.array(self._times_s), np.array(self._steps_levels))
        return tuple(sorted([*self._jumps, *rhythm], key=lambda one: one.start_s))

    def _judge_until(self, time_s: float) -> None:
        recent = self._recent
        while self._unjudged < len(recent) and recent[self._unjudged].time_s <= time_s:
            if self._is_jump(self._unjudged):
                before, after = recent[self._unjudged - 1], recent[self._unjudged]
                self._jumps.append(Break(BreakKind.JUMP, before.time_s, after.time_s))
            self._unjudged += 1
        oldest_s = recent[min(self._unjudged, len(recent) - 1)].time_s - BESIDE[-1][0]
        while self._unjudged > MIN_BESIDE + 1 and recent[1].time_s < oldest_s:
            recent.popleft()
            self._unjudged -= 1

    def _is_jump(self, at: int) -> bool:
        recent = list(self._recent)
        here = recent[at]
        if here.change < LEAST_CHANGE or not MIN_BESIDE <= at < len(recent) - MIN_BESIDE + 1:
            return False
        times_s = [moment.time_s for moment in recent]
        usual_s = float(np.median(np.diff(times_s)))
        if times_s[at] - times_s[at - 1] > PAUSE_STEPS * usual_s:
            return False
        return all(here.change > ratio * (self._beside(at, s) + QUIET) for s, ratio in BESIDE)

    def _beside(self, at: int, reach_s: float) -> float:
        """Return the most that changes in or over the time just before and just after a step."""
        recent = list(self._recent)
        start_s, end_s = recent[at - 1].time_s - reach_s, recent[at].time_s + reach_s
        first = at - 1
        while first > 0 and (recent[first].time_s > start_s + 1e-6 or first > at - MIN_BESIDE):
            first -= 1
        last = at
        while last < len(recent) - 1 and (
            recent[last].time_s < end_s - 1e-6 or last < at + MIN_BESIDE - 1
        ):
            last += 1
        steps = [recent[k].change for k in range(first + 1, last + 1) if k != at]
        over = (_change(recent[first], recent[at - 1]), _change(recent[at], recent[last]))
        return max(*steps, *over)


def _moment(time_s: float, tiny: U8, before: _Moment | None) -> _Moment:
    around = np.ones((3, 3), np.uint8)
    most = np.asarray(cv2.dilate(tiny, around), np.uint8)
    least = np.asarray(cv2.erode(tiny, around), np.uint8)
    alone = _Moment(time_s, tiny, most, least, float(cv2.mean(tiny)[0]), 0.0)
    if before is None:
        return alone
    return _Moment(time_s, tiny, most, least, alone.mean, _change(before, alone))


def _change(a: _Moment, b: _Moment) -> float:
    """Mean square of what is in either picture and cannot have moved there from the other."""
    return max(_unexplained(a, b), _unexplained(b, a))


def _unexplained(a: _Moment, b: _Moment) -> float:
    lighter = round(b.mean - a.mean)  # a step of the exposure is no jump
    inner = (slice(BORDER, -BORDER), slice(BORDER, -BORDER))
    shift = np.full(1, lighter, np.float64)
    over = cv2.subtract(b.luma, cv2.add(a.most, shift + UNEXPLAINED_LEVELS))
    under = cv2.subtract(cv2.subtract(a.least, UNEXPLAINED_LEVELS - shift), b.luma)
    rest = np.asarray(cv2.max(over, under))[inner]
    return float(cv2.norm(rest, cv2.NORM_L2SQR)) / max(1, rest.size)
