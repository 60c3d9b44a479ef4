"""What a clip is as a take: whether it runs on, and a fingerprint to know it again by."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.clip.continuity import ContinuityWatcher
from shoegoal.clip.fingerprint import Fingerprint, FingerprintMaker
from shoegoal.clip.frame import U8
from shoegoal.clip.rhythm import OTHER_RATE, Break, BreakKind
from shoegoal.clip.tiny import tiny_luma


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
        slowed_by : how many times slower than it was the file says that it is shown.
        """
        breaks = self._continuity.finish()
        if slowed_by >= OTHER_RATE and self._span_s is not None:
            breaks = (Break(BreakKind.SLOW_MOTION, *self._span_s), *breaks)
        return Take(breaks, self._fingerprint.finish())
