"""What the yard shows without any network: what moves in it, how it settles, what has changed."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.ball.changes import ChangeFinder, Comparison
from shoegoal.ball.moving import Motion, MotionWatcher
from shoegoal.ball.settled import SettledPicture
from shoegoal.clip.frame import Frame
from shoegoal.clip.halvings import Halvings
from shoegoal.clip.small import SmallFrame


@dataclass(frozen=True, slots=True, eq=False)
class Glimpse:
    """What was seen of the yard at one frame.

    Attributes
    ----------
    small : the frame, reduced.
    motion : what moved.
    settled : the settled picture against which it did.
    changed : what changed for good until this frame, now and then.
    """

    small: SmallFrame
    motion: Motion
    settled: Halvings
    changed: Comparison | None


class YardWatcher:
    """Watches the yard frame by frame; what it has told it never changes afterwards."""

    def __init__(self) -> None:
        self.settled: SettledPicture | None = None
        self._motion = MotionWatcher()
        self._finder = ChangeFinder()
        self._last_s = 0.0

    def look(self, frame: Frame, small: SmallFrame) -> Glimpse:
        """Take one frame in; times rise."""
        if self.settled is None:
            self.settled = SettledPicture(frame, small)
        self._last_s = frame.time_s
        motion, settled = self._motion.update(small, self.settled), self.settled.native
        self.settled.update(frame, small)
        changed = self._finder.update(self.settled, frame.time_s)
        return Glimpse(small, motion, settled, changed)

    def finish(self) -> Comparison | None:
        """Return what had changed by the clip's end."""
        if self.settled is None:
            return None
        self.settled.finish()
        return self._finder.update(self.settled, self._last_s, now=True)
