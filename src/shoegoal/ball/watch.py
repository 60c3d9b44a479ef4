"""Watch the ball in one pass: frames in, ball tracks and resting places out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.ball.background import BackgroundModel, ChangeFinder, Comparison
from shoegoal.ball.ball_net import Place, distinct, measure_balls
from shoegoal.ball.lying import SURELY, LyingBalls, find_lying
from shoegoal.ball.motion import Blob, Motion, MotionWatcher
from shoegoal.ball.tracks import (
    BallTrack,
    RestingBall,
    Track,
    TrackLinker,
    ball_track,
    resting_balls,
    same_event,
)
from shoegoal.clip.frame import Frame
from shoegoal.clip.reduced import Halvings, SmallFrame

LEAST_SCORE = 0.3  # of a sighting that a track may take in
TWINS_WITHIN = 40  # one event may be seen in two comparisons in a row
LOOK_EVERY_S, LOOK_FIRST_S = 0.5, 2.0  # for lying balls; at the start all over the picture
STIRRED_NEAR = 1.0  # in diameters: a lying ball is checked while something moves this near
DRIBBLED_TRAVEL = 0.4  # in diameters: less than from foot to foot
NEAR_GUESS = 0.35  # in diameters: a blob this near to where a ball is expected is taken for it


@dataclass(frozen=True, slots=True)
class BallRecord:
    """All that the pass found of the ball, as numbers: the evidence of a count.

    Attributes
    ----------
    tracks : every ball-like thing on its way, in order of its end.
    resting : every ball that came to rest or left, in order of being noticed.
    """

    tracks: tuple[BallTrack, ...] = ()
    resting: tuple[RestingBall, ...] = ()


def split_record(record: BallRecord, time_s: float) -> tuple[BallRecord, BallRecord]:
    """Split a record into what happened wholly before a time and the rest."""
    before = BallRecord(
        tuple(t for t in record.tracks if t.end_s < time_s),
        tuple(r for r in record.resting if r.after_s < time_s),
    )
    after = BallRecord(
        tuple(t for t in record.tracks if t.end_s >= time_s),
        tuple(r for r in record.resting if r.after_s >= time_s),
    )
    return before, after


class BallWatcher:
    """Watches the clip frame by frame; memory does not grow with pictures, only with findings.

    What needs no network is seen by ``yard``, which may run ahead in another thread.

    Parameters
    ----------
    dribbled : the ball hardly leaves its place, so short paths count too.
    lying : where balls are known to lie at the start; without any they are looked for.
    """

    def __init__(self, *, dribbled: bool = False, lying: Sequence[Place] = ()) -> None:
        self._tracks: list[BallTrack] = []
        self._resting: list[RestingBall] = []
        self.yard = YardWatcher()
        self._linker = TrackLinker(DRIBBLED_TRAVEL) if dribbled else TrackLinker()
        self._lying = LyingBalls()
        self._lying.put(lying)
        self._is_told = bool(lying)
        self._started_s, self._looked_s = float("inf"), float("-inf")

    @property
    def record(self) -> BallRecord:
        """What has been found so far."""
        return BallRecord(tuple(self._tracks), tuple(self._resting))

    def update(self, frame: Frame, small: SmallFrame) -> list[BallTrack]:
        """Take one frame in.

        Returns
        -------
        The ball tracks that ended with it, and now and then those still under way, so that
        pictures of their start can be put by in time.
        """
        return self.follow(self.yard.look(frame, small))

    def follow(self, glimpse: Glimpse) -> list[BallTrack]:
        """Take what `yard` saw of a frame; returns what `update` does."""
        small, time_s = glimpse.small, glimpse.small.time_s
        self._look_for_lying(small)
        guesses = _guesses(
            glimpse.motion.blobs,
            [*self._linker.expected(time_s), *self._may_leave(glimpse.motion)],
        )
        found = measure_balls(small.halvings, glimpse.settled, guesses, time_s)
        news = self._take(self._linker.update(distinct(found, LEAST_SCORE), time_s))
        news += map(ball_track, self._linker.under_way())
        self._note(glimpse.changed)
        return news

    def finish(self) -> BallRecord:
        """Close all open tracks at the clip's end and return the record."""
        self._take(self._linker.finish())
        self._note(self.yard.finish())
        return self.record

    def _take(self, ended: list[Track]) -> list[BallTrack]:
        balls = [ball_track(track) for track in ended]
        self._tracks.extend(balls)
        return balls

    def _note(self, found: Comparison | None) -> None:
        balls = resting_balls(found) if found else []
        for ball in balls:
            if not ball.arrived:
                self._lying.leave(ball.sighting.place)
        self._lying.put(b.sighting.place for b in balls if b.arrived and b.ball_score >= SURELY)
        for ball in balls:
            twin = next((r for r in self._resting[-TWINS_WITHIN:] if same_event(r, ball)), None)
            if twin is None:
                self._resting.append(ball)
            elif ball.ball_score > twin.ball_score:
                self._resting[self._resting.index(twin)] = ball

    def _look_for_lying(self, small: SmallFrame) -> None:
        """Find balls that lie there at the start, or are put back where balls lay before.

        Settling takes its time, and at first the kicker may hide the ball: it can be kicked before
        it is in the background model.
        """
        if small.time_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = small.time_s
        self._started_s = min(self._started_s, small.time_s)
        if small.time_s - self._started_s <= LOOK_FIRST_S and not self._is_told:
            found = find_lying(small.halvings, small.planes, small.scale, small.time_s)
        else:
            found = measure_balls(
                small.halvings, small.halvings, self._lying.left, small.time_s, at_rest=True
            )
        self._lying.put(r.place for r in reversed(found) if r.ball_score >= SURELY)

    def _may_leave(self, motion: Motion) -> list[Place]:
        """Where balls lie that something moves close to."""
        return [
            (x, y, size)
            for x, y, size in self._lying.places
            if motion.is_near(x, y, STIRRED_NEAR * size)
        ]


def _guesses(blobs: Sequence[Blob], expected: list[Place]) -> list[Place]:
    """Where to look: at moving things, and where a moving ball should be by now."""
    places = [(b.x_px, b.y_px, b.size_px) for b in blobs]
    return places + [
        (x, y, size)
        for x, y, size in expected
        if not any(
            np.hypot(b.x_px - x, b.y_px - y) <= NEAR_GUESS * size and 0.7 <= b.size_px / size <= 1.4
            for b in blobs
        )
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Glimpse:
    """What was seen of the yard at one frame.

    Attributes
    ----------
    small : the frame, reduced.
    motion : what moved.
    settled : the background model against which it did.
    changed : what had changed for good by this frame; reported now and then.
    """

    small: SmallFrame
    motion: Motion
    settled: Halvings
    changed: Comparison | None


class YardWatcher:
    """Watches the yard frame by frame; what it has reported never changes."""

    def __init__(self) -> None:
        self.settled: BackgroundModel | None = None
        self._motion = MotionWatcher()
        self._finder = ChangeFinder()
        self._last_s = 0.0

    def look(self, frame: Frame, small: SmallFrame) -> Glimpse:
        """Take one frame in; times rise."""
        if self.settled is None:
            self.settled = BackgroundModel(frame, small)
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
