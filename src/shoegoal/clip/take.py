"""Whether a clip is one unbroken take: cuts, missing pictures, stretches at another rate.

Nobody is accused: a phone may pause, a messenger may drop pictures. A break is a place to look at.

At a cut, things stand elsewhere in the next picture, although nothing moves much just before and
just after. So a step between two pictures is a jump if small movements explain less of it than of
the moments beside it. Those moments are stretches of time, not single steps, so repeated and
dropped pictures do no harm. The limits were chosen on unbroken clips, rendered and filmed, some of
them coded again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.clock import clock_text
from shoegoal.clip.fingerprint import Fingerprint, FingerprintMaker
from shoegoal.clip.frame import U8
from shoegoal.clip.reduced import tiny_luma

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
LEAST_GAP_S = 0.2  # a pupil's shot goes a metre or two in this time
GAP_STEPS = 5.0  # times the clip's usual step; phones drop a picture now and then
OTHER_RATE = 1.5  # a phone's rate wanders with the light by less than this
LEAST_STRETCH_S = 1.0
STRETCH_STEPS = 15
MOVING_LEVELS = 12.0  # largest change of a tiny picture, grey levels, that is certainly motion
REPEATED_STEP = 0.35  # of the steps beside it: coding hardly changes a repeated picture
REPEATED_SHARE = 0.3  # of the pictures that show motion; 24 shown as 30 repeats a fifth
SELDOM_SHARE = 0.1
LEAST_CHANGE = 1.0  # mean square of grey levels over the tiny picture: some eight fields
QUIET = 0.1  # the same, for no change worth counting
UNEXPLAINED_LEVELS = 6  # grey levels that noise, coding and slow light may change
BORDER = 2  # tiny pixels at the edge, where things come and go at any speed
# (seconds on either side, how many times what happens there)
BESIDE = ((0.1, 2.5), (0.2, 1.25))
MIN_BESIDE = 3  # pictures
PAUSE_STEPS = 2.5  # times the usual step: longer ones are missing pictures rather than a cut


@dataclass(frozen=True, slots=True)
class Take:
    """Breaks of a clip in order of time, and its fingerprint."""

    breaks: tuple[Break, ...]
    fingerprint: Fingerprint


class TakeWatcher:
    """Takes every picture of a clip once; 0.1 to 0.2 ms each."""

    def __init__(self) -> None:
        self._continuity = ContinuityWatcher()
        self._fingerprint = FingerprintMaker()
        self._span_s: tuple[float, float] | None = None

    def update(self, time_s: float, luma: U8) -> None:
        """Take one picture; times rise, ``luma`` is (h, w) uint8 of any size."""
        self._span_s = (time_s if self._span_s is None else self._span_s[0], time_s)
        tiny = tiny_luma(luma)
        self._continuity.update(time_s, tiny)
        self._fingerprint.update(time_s, tiny)

    def finish(self, slowed_by: float = 1.0) -> Take:
        """Say what was found.

        Parameters
        ----------
        slowed_by : factor by which the file says the clip is slowed down.
        """
        breaks = self._continuity.finish()
        if slowed_by >= OTHER_RATE and self._span_s is not None:
            breaks = (Break(BreakKind.SLOW_MOTION, *self._span_s), *breaks)
        return Take(breaks, self._fingerprint.finish())


class BreakKind(StrEnum):
    """Ways in which a clip is broken."""

    JUMP = "jump"
    GAP = "gap"
    RATE = "rate"
    SLOW_MOTION = "slow motion"


@dataclass(frozen=True, slots=True)
class Break:
    """A place where the clip is not continuous.

    Attributes
    ----------
    kind : JUMP: from one picture to the next things stand elsewhere; GAP: pictures are missing;
        RATE: over a stretch, pictures come at another rate or are shown repeatedly; SLOW_MOTION:
        the whole clip was filmed so, as the file says.
    start_s, end_s : presentation times of the last picture before and the first one after it; of a
        stretch, of its first and last picture.
    """

    kind: BreakKind
    start_s: float
    end_s: float

    @property
    def hides_time(self) -> bool:
        """Whether a shot may be hidden in it."""
        return self.kind in (BreakKind.JUMP, BreakKind.GAP)

    def sentence(self, clip_start_s: float) -> str:
        """Say what a person should look at, and when on a player's clock."""
        start, end = (clock_text(t - clip_start_s) for t in (self.start_s, self.end_s))
        match self.kind:
            case BreakKind.JUMP:
                return f"the picture jumps at {end}: please look whether something is missing there"
            case BreakKind.GAP:
                return f"no pictures from {start} to {end}: please look whether a shot is missing"
            case BreakKind.RATE:
                return (
                    f"from {start} to {end} the pictures follow one another at another rate than "
                    "in the rest of the clip: please look whether it runs slower or faster there"
                )
            case BreakKind.SLOW_MOTION:
                return (
                    "the file says that it was filmed as slow motion, so a kick may look too slow "
                    "for a shot: please look through it, or film at normal speed"
                )


def breaks_in_rhythm(times_s: F64, steps_levels: F64) -> list[Break]:
    """Find missing pictures and stretches at another rate.

    Parameters
    ----------
    times_s : (n,) presentation times, rising.
    steps_levels : (n,) grey levels of the largest change of the tiny picture since the one before.
    """
    if len(times_s) < 3:
        return []
    steps_s = np.diff(times_s)
    usual_s = float(np.median(steps_s))
    is_gap = steps_s > max(LEAST_GAP_S, GAP_STEPS * usual_s)
    gaps = [
        Break(BreakKind.GAP, float(times_s[k]), float(times_s[k + 1]))
        for k in np.flatnonzero(is_gap)
    ]
    if len(times_s) < 2 * STRETCH_STEPS:
        return gaps
    ratio = _running_median(steps_s) / usual_s
    other = (ratio > OTHER_RATE) | (ratio < 1 / OTHER_RATE)
    shown_again = _shown_repeatedly(steps_levels)
    stretches = _stretches(times_s, np.concatenate([[False], other]) | shown_again)
    return [*gaps, *stretches]


def _running_median(steps_s: F64) -> F64:
    half = STRETCH_STEPS // 2
    padded = np.pad(steps_s, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, STRETCH_STEPS)
    return np.asarray(np.median(windows, axis=1), np.float64)


def _shown_repeatedly(steps_levels: F64) -> Flags:
    """Where pictures are repeated while things move, unless the whole clip is made so."""
    padded = np.pad(steps_levels, 2)
    count = len(steps_levels)
    before = np.maximum(padded[:count], padded[1 : count + 1])
    after = np.maximum(padded[3 : count + 3], padded[4 : count + 4])
    beside = np.minimum(before, after)
    in_motion = beside >= MOVING_LEVELS
    repeated = in_motion & (steps_levels <= REPEATED_STEP * beside)
    window = np.ones(2 * STRETCH_STEPS)
    judged = np.convolve(in_motion, window, "same")
    again = np.convolve(repeated, window, "same")
    there = (judged >= STRETCH_STEPS) & (again >= REPEATED_SHARE * judged)
    # Moments of rest in between are part of the stretch.
    there = np.convolve(there, window, "same") > 0
    there = ~(np.convolve(~there, window, "same") > 0)
    rest = in_motion & ~there
    share = float((repeated & rest).sum()) / max(1, int(rest.sum()))
    is_usual = share > SELDOM_SHARE or rest.sum() < 2 * STRETCH_STEPS
    return np.zeros_like(there) if is_usual else np.asarray(there, np.bool_)


def _stretches(times_s: F64, flags: Flags) -> list[Break]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    ends = [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
    return [
        Break(BreakKind.RATE, float(times_s[a]), float(times_s[b]))
        for a, b in ends
        if times_s[b] - times_s[a] >= LEAST_STRETCH_S and b - a >= STRETCH_STEPS
    ]


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
    lighter = round(b.mean - a.mean)  # a step of the exposure is not a jump
    inner = (slice(BORDER, -BORDER), slice(BORDER, -BORDER))
    shift = np.full(1, lighter, np.float64)
    over = cv2.subtract(b.luma, cv2.add(a.most, shift + UNEXPLAINED_LEVELS))
    under = cv2.subtract(cv2.subtract(a.least, UNEXPLAINED_LEVELS - shift), b.luma)
    rest = np.asarray(cv2.max(over, under))[inner]
    return float(cv2.norm(rest, cv2.NORM_L2SQR)) / max(1, rest.size)
