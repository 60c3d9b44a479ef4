"""The ball floor's front door: frames in, ball tracks and resting places out, in one pass."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

from shoegoal.ball.changes import ChangeFinder, SettledChange
from shoegoal.ball.departures import departure_of
from shoegoal.ball.moving import MotionWatcher
from shoegoal.ball.portraits import take_portrait
from shoegoal.ball.settled import SettledPicture
from shoegoal.ball.sightings import BallTrack, RestingBall, ball_track, resting_ball, same_event
from shoegoal.ball.tracks import Track, TrackLinker
from shoegoal.clip.reader import Frame
from shoegoal.clip.small import SmallFrame

CHANGES_KEPT_S = 8.0  # a kicker may stand over the kick spot this long before it settles
MIN_ROUNDNESS_TO_ASK = 0.55
ASKING_SPAN_S, MOST_ASKED = 10.0, 10  # the detector's time must not grow with wind and shadows
TWINS_WITHIN = 40  # one event may be seen in two comparisons running


@dataclass(frozen=True, slots=True)
class Departure:
    """A ball track and the resting place it came from, when that was seen."""

    track: BallTrack
    rest: RestingBall | None


@dataclass(slots=True)
class BallRecord:
    """All that the pass found of the ball, as small numbers.

    Attributes
    ----------
    departures : every ball track, in order of its end.
    resting : every ball that came to rest or left, in order of being noticed.
    """

    departures: list[Departure] = field(default_factory=list)
    resting: list[RestingBall] = field(default_factory=list)


def split_record(record: BallRecord, time_s: float) -> tuple[BallRecord, BallRecord]:
    """Split a record into what happened wholly before a time and the rest."""
    before, after = BallRecord(), BallRecord()
    for departure in record.departures:
        side = before if departure.track.end_s < time_s else after
        side.departures.append(departure)
    for resting in record.resting:
        side = before if resting.after_s < time_s else after
        side.resting.append(resting)
    return before, after


class BallWatcher:
    """Watches the clip frame by frame; memory does not grow with pictures, only with findings."""

    def __init__(self) -> None:
        self.record = BallRecord()
        self.settled: SettledPicture | None = None
        self._motion = MotionWatcher()
        self._linker = TrackLinker()
        self._finder = ChangeFinder()
        self._last: Frame | None = None
        self._asked_s: deque[float] = deque()
        self._changes: deque[SettledChange] = deque()
        self._waiting: deque[BallTrack] = deque()

    def update(self, frame: Frame, small: SmallFrame) -> list[BallTrack]:
        """Take one frame in; return the ball tracks that ended with it."""
        if self.settled is None:
            self.settled = SettledPicture(frame, small)
        self._last = frame
        motion = self._motion.update(frame, small, self.settled)
        ended = self._take(self._linker.update(motion, frame))
        self.settled.update(frame, small)
        self._note(self._finder.update(self.settled, frame.time_s), frame)
        while self._waiting and frame.time_s - self._waiting[0].end_s > CHANGES_KEPT_S / 2:
            self._resolve(self._waiting.popleft())
        while self._changes and frame.time_s - self._changes[0].after_s > CHANGES_KEPT_S:
            self._changes.popleft()
        return ended

    def finish(self) -> BallRecord:
        """Close all that is open at the clip's end and return the record."""
        self._take(self._linker.finish())
        if self.settled is not None and self._last is not None:
            self.settled.finish()
            self._note(self._finder.update(self.settled, self._last.time_s, now=True), self._last)
        while self._waiting:
            self._resolve(self._waiting.popleft())
        return self.record

    def _take(self, ended: list[Track]) -> list[BallTrack]:
        balls = [ball for ball in map(ball_track, ended) if ball is not None]
        self._waiting.extend(balls)
        return balls

    def _note(self, changes: list[SettledChange], frame: Frame) -> None:
        self._changes.extend(changes)
        for found in filter(None, map(resting_ball, changes)):
            twin = next(
                (r for r in self.record.resting[-TWINS_WITHIN:] if same_event(r, found)), None
            )
            if twin is None:
                self.record.resting.append(self._scored(found, frame))
            elif found.roundness > twin.roundness:
                place = self.record.resting.index(twin)
                known = replace(found, ball_score=twin.ball_score)
                self.record.resting[place] = (
                    self._scored(found, frame) if twin.ball_score is None else known
                )

    def _scored(self, found: RestingBall, frame: Frame) -> RestingBall:
        """Ask the detector about something that left, as long as it is not asked too often."""
        while self._asked_s and frame.time_s - self._asked_s[0] > ASKING_SPAN_S:
            self._asked_s.popleft()
        planes = self._finder.earlier_native
        if (
            found.arrived
            or found.roundness < MIN_ROUNDNESS_TO_ASK
            or planes is None
            or len(self._asked_s) >= MOST_ASKED
        ):
            return found
        self._asked_s.append(frame.time_s)
        luma, chroma_u, chroma_v = planes
        before = replace(frame, luma=luma, chroma_u=chroma_u, chroma_v=chroma_v)
        s = found.sighting
        score = take_portrait(before, s.x_px, s.y_px, s.diameter_px).ball_score()
        return replace(found, ball_score=score)

    def _resolve(self, track: BallTrack) -> None:
        rest = departure_of(track, self.record.resting, self._changes)
        self.record.departures.append(Departure(track, rest))
