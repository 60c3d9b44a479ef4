"""A clip's fingerprint, and whether two clips show the same take.

The tiny pictures of each tenth of a second are averaged, and the change since the tenth before is
summed in 8 x 6 fields of the picture. A still yard leaves zeros, so two takes in one yard share
only what the pupil's movements have in common. Each picture is weighted by how long it is shown,
so size, frame rate and bit rate hardly matter.

Two takes of one pupil in one yard share the places where things move. So the slow part of every
field is removed, and the rest, the rise and fall of the motion, is correlated over windows of some
seconds (normalised cross-correlation, Lewis 1995). A copy agrees over all that both clips show;
different takes fall out of step within seconds.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8

STEP_S = 0.1
COLUMNS, ROWS = 8, 6
LEVELS_PER_ROOT = 32  # a field's level is this times the root of its mean change, up to 255
FLICKER_LEVELS = 2.0  # grey levels that may change through light and coding alone
MOST_STEPS = 36_000  # an hour; also bounds the work where a file's clock makes no sense

F32 = npt.NDArray[np.float32]
SLOW_STEPS = 10  # on either side: changes slower than two seconds are removed
WINDOW_S = 8.0
AGREEMENT = 0.9
LEAST_MOTION = 200.0  # mean square of a step's fields: less is an empty yard
ENOUGH_S = 20.0  # of agreement are enough on their own
SHORT_ENOUGH_S = 10.0  # of agreement are enough
SHORT_SHARE = 0.85  # if they cover this share of the shorter clip
TYPICAL_AGREEMENT = 0.92  # median over the agreeing windows, copies at half the rate included
LAGS_TRIED = 6
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What moved and when, small enough for the analysis file (about 8 kB a minute).

    Attributes
    ----------
    start_s : presentation time of the first tenth.
    steps : how many tenths.
    packed : ``steps`` x `ROWS` x `COLUMNS` bytes, deflated (RFC 1950), in base 64 (RFC 4648).
    """

    start_s: float
    steps: int
    packed: str

    def levels(self) -> U8:
        """Unpack to (steps, ROWS, COLUMNS) uint8.

        Raises
        ------
        ValueError
            It does not hold what it says.
        """
        size = self.steps * ROWS * COLUMNS
        try:
            plain = zlib.decompressobj().decompress(
                base64.b64decode(self.packed, validate=True), size + 1
            )
        except (binascii.Error, zlib.error) as error:
            raise ValueError(f"the fingerprint cannot be unpacked ({error})") from error
        if len(plain) != size or not 0 <= self.steps <= MOST_STEPS:
            raise ValueError(f"the fingerprint does not hold {self.steps} steps")
        return np.frombuffer(plain, np.uint8).reshape(self.steps, ROWS, COLUMNS)

    @classmethod
    def of_levels(cls, start_s: float, levels: U8) -> Fingerprint:
        """Pack (steps, ROWS, COLUMNS) uint8."""
        packed = base64.b64encode(zlib.compress(levels.tobytes(), 9)).decode("ascii")
        return cls(start_s, len(levels), packed)


class FingerprintMaker:
    """Takes every picture of a clip; keeps 48 bytes for a tenth of a second."""

    def __init__(self) -> None:
        self._start_s = 0.0
        self._shown: tuple[float, F32] | None = None  # the picture on show and since when
        self._sum: F32 | None = None  # picture x seconds of the tenth under way
        self._before: F32 | None = None  # mean picture of the tenth before
        self._levels: list[U8] = []

    def update(self, time_s: float, tiny: U8) -> None:
        """Take one picture; times rise."""
        picture = tiny.astype(np.float32)
        if self._shown is None:
            self._start_s = time_s
            self._sum = np.zeros_like(picture)
        else:
            self._show_until(time_s)
        self._shown = (time_s, picture)

    def finish(self) -> Fingerprint:
        """Pack what was seen; the last, unfinished tenth is left out."""
        levels = np.array(self._levels, np.uint8).reshape(-1, ROWS, COLUMNS)
        return Fingerprint.of_levels(self._start_s, levels)

    def _show_until(self, time_s: float) -> None:
        assert self._shown is not None and self._sum is not None
        since_s, picture = self._shown
        while len(self._levels) < MOST_STEPS:
            end_s = self._start_s + (len(self._levels) + 1) * STEP_S
            cv2.scaleAdd(picture, min(time_s, end_s) - since_s, self._sum, self._sum)
            if time_s < end_s:
                return
            self._close_step()
            since_s = end_s

    def _close_step(self) -> None:
        assert self._sum is not None
        mean = self._sum / STEP_S
        before = mean if self._before is None else self._before
        change = mean - before
        np.abs(change - np.median(change), out=change)  # not the light as a whole
        moved = np.maximum(change - FLICKER_LEVELS, 0)
        fields = cv2.resize(moved, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
        self._levels.append(np.minimum(LEVELS_PER_ROOT * np.sqrt(fields), 255).astype(np.uint8))
        self._before = mean
        self._sum[:] = 0


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
