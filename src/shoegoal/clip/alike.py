"""Do two clips show the same take? Compared by their fingerprints, whatever the lag.

Two takes of one pupil in one yard share the places where things move, so the slow part of every
field is taken out and what is left, how the motion rises and falls, is correlated over windows of
some seconds (normalised cross-correlation, Lewis 1995). A copy agrees over the whole of what both
clips show; different takes fall out of step within seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.clip.fingerprint import COLUMNS, ROWS, STEP_S, Fingerprint

SLOW_STEPS = 10  # on either side: what changes more slowly than within two seconds is taken out
WINDOW_S = 8.0
AGREEMENT = 0.9
LEAST_MOTION = 200.0  # mean square of a step's fields: less is an empty yard
ENOUGH_S = 20.0  # agreeing for so long, or
SHORT_ENOUGH_S = 10.0  # for so long
SHORT_SHARE = 0.85  # and over this share of the shorter clip
TYPICAL_AGREEMENT = 0.92  # of the windows that agree, in the middle: copies at half the rate too
LAGS_TRIED = 6

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AlikeStretch:
    """A stretch of one clip that looks like a stretch of another.

    Attributes
    ----------
    here_start_s, here_end_s : presentation times in the one clip.
    there_start_s, there_end_s : the same in the other.
    is_mirrored : left and right are swapped between them.
    agreement : correlation over the stretch, up to 1.
    """

    here_start_s: float
    here_end_s: float
    there_start_s: float
    there_end_s: float
    is_mirrored: bool
    agreement: float


def alike_stretch(here: Fingerprint, there: Fingerprint) -> AlikeStretch | None:
    """Find the longest stretch that two clips share; None where they are different takes.

    Raises
    ------
    ValueError
        A fingerprint is damaged.
    """
    found = []
    for is_mirrored in (False, True):
        a, b = _motion(here, mirrored=False), _motion(there, mirrored=is_mirrored)
        for lag in _likely_lags(a, b):
            stretch = _stretch_at(a, b, lag)
            if stretch is not None:
                start, end, agreement = stretch
                found.append((end - start, agreement, start, lag, is_mirrored))
    if not found:
        return None
    steps, agreement, start, lag, is_mirrored = max(found)
    here_s = here.start_s + STEP_S * start
    there_s = there.start_s + STEP_S * (start - lag)
    length_s = STEP_S * steps
    return AlikeStretch(
        here_s, here_s + length_s, there_s, there_s + length_s, is_mirrored, agreement
    )


def _motion(fingerprint: Fingerprint, *, mirrored: bool) -> F64:
    """Return (steps, fields): how each field's motion departs from its own slow course."""
    levels = fingerprint.levels()
    if mirrored:
        levels = levels[:, :, ::-1]
    fields = levels.reshape(len(levels), ROWS * COLUMNS).astype(np.float64)
    width = 2 * SLOW_STEPS + 1
    if not len(fields):
        return fields
    padded = np.pad(fields, ((SLOW_STEPS, SLOW_STEPS), (0, 0)), mode="edge")
    return fields - _sums(padded, width) / width


def _sums(values: F64, width: int) -> F64:
    """Sum over every window of so many rows."""
    totals = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
    return np.asarray(totals[width:] - totals[:-width], np.float64)


def _likely_lags(a: F64, b: F64) -> Iterator[int]:
    """Lags (row of ``a`` less row of ``b``) at which the clips agree best over all they share."""
    window = round(WINDOW_S / STEP_S)
    if min(len(a), len(b)) < window:
        return
    size = 1 << (len(a) + len(b) - 1).bit_length()
    product = np.fft.rfft(a, size, axis=0) * np.conj(np.fft.rfft(b, size, axis=0))
    together = np.fft.irfft(product.sum(axis=1), size)
    lags = np.arange(window - len(b), len(a) - window + 1)
    shared = together[lags % size]
    start, end = np.maximum(lags, 0), np.minimum(len(a), len(b) + lags)
    energy = [np.concatenate([[0.0], np.cumsum((clip * clip).sum(axis=1))]) for clip in (a, b)]
    of_a = energy[0][end] - energy[0][start]
    of_b = energy[1][end - lags] - energy[1][start - lags]
    agreement = shared / np.sqrt(np.maximum(of_a * of_b, 1e-9))
    told: set[int] = set()
    for score in (agreement, shared):  # a short clip out of a long one; a part shared by both
        for lag in lags[np.argsort(-score)[:LAGS_TRIED]].tolist():
            if lag not in told:
                told.add(lag)
                yield lag


def _stretch_at(a: F64, b: F64, lag: int) -> tuple[int, int, float] | None:
    """First and past-the-last row of ``a`` that agree at a lag, and how well; None if too few."""
    window = round(WINDOW_S / STEP_S)
    start, end = max(0, lag), min(len(a), len(b) + lag)
    one, other = a[start:end], b[start - lag : end - lag]
    cross, of_one, of_other = (
        _sums((x * y).sum(axis=1), window) for x, y in ((one, other), (one, one), (other, other))
    )
    agreement = cross / np.sqrt(np.maximum(of_one * of_other, 1e-9))
    moves = np.minimum(of_one, of_other) >= LEAST_MOTION * window
    agreeing = moves & (agreement >= AGREEMENT)
    covered = np.convolve(agreeing, np.ones(window)) > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], covered, [0]])))
    if not len(edges):
        return None
    first, last = max(edges.reshape(-1, 2).tolist(), key=lambda run: run[1] - run[0])
    length_s, shorter_s = STEP_S * (last - first), STEP_S * min(len(a), len(b))
    is_short = length_s < SHORT_ENOUGH_S or length_s < SHORT_SHARE * shorter_s
    typical = float(np.median(agreement[agreeing]))
    if typical < TYPICAL_AGREEMENT or (length_s < ENOUGH_S and is_short):
        return None
    return start + first, start + last, typical
