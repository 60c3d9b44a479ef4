"""A clip's fingerprint: what moved, where in the picture and when, and nothing of the yard.

Ten times a second the tiny pictures of that tenth are averaged; what changed since the tenth
before is summed up in 8 x 6 fields of the picture. A still yard leaves zeros, so two takes in one
yard share nothing but the way the pupil happened to move. The tenths are cut by presentation time,
each picture weighed by how long it is shown, so size, frame rate and bit rate hardly matter.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8

STEP_S = 0.1
COLUMNS, ROWS = 8, 6
LEVELS_PER_ROOT = 32  # a field's level: so many times the root of its mean change, up to 255
FLICKER_LEVELS = 2.0  # grey levels that light and coding change by themselves
MOST_STEPS = 36_000  # an hour; also where a file's clock makes no sense

F32 = npt.NDArray[np.float32]


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
        np.abs(change - np.median(change), out=change)  # the light as a whole does not count
        moved = np.maximum(change - FLICKER_LEVELS, 0)
        fields = cv2.resize(moved, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
        self._levels.append(np.minimum(LEVELS_PER_ROOT * np.sqrt(fields), 255).astype(np.uint8))
        self._before = mean
        self._sum[:] = 0
