"""The rhythm of a clip's pictures: where pictures are missing or come at another rate."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from shoegoal.clip.clock import clock_text

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LEAST_GAP_S = 0.2  # a pupil's shot runs a metre or two in this
GAP_STEPS = 5.0  # times the clip's usual step: a phone that drops pictures now and then stays below
OTHER_RATE = 1.5  # a phone's rate wanders with the light by less than this
LEAST_STRETCH_S = 1.0
STRETCH_STEPS = 15
MOVING_LEVELS = 12.0  # grey levels of a tiny picture's largest change that motion surely is
REPEATED_STEP = 0.35  # of the steps beside it: a repeated picture is coded almost as it was before
REPEATED_SHARE = 0.3  # of the pictures that show motion; 24 shown as 30 repeats a fifth
SELDOM_SHARE = 0.1


class BreakKind(StrEnum):
    """How a clip fails to run on."""

    JUMP = "jump"
    GAP = "gap"
    RATE = "rate"
    SLOW_MOTION = "slow motion"


@dataclass(frozen=True, slots=True)
class Break:
    """A place where the clip does not simply run on.

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
        """Say what a person should look at, by a player's clock."""
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
    # Moments of rest in between belong to the stretch.
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
