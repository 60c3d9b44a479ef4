"""A quick look at a clip: key pictures a second apart, and every picture round a few kicks.

The same watchers as in the count get these few pictures, so that what is seen here is seen there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.stills import StillPicture
from shoegoal.ball.tracks import LIKE_A_BALL, RestingBall, place_of
from shoegoal.ball.watch import BallRecord, BallWatcher
from shoegoal.clip.container import WAY_OUT
from shoegoal.clip.frame import U8, Frame
from shoegoal.clip.quality import blur_share, brightness, noise_levels, tilt_deg
from shoegoal.clip.reader import Clip, ClipInfo
from shoegoal.clip.reduced import SmallFrame, small_frame
from shoegoal.clip.sampling import Sampler
from shoegoal.clip.stillness import StillnessReport, StillnessWatcher
from shoegoal.errors import ClipUnreadableError

WHOLE_UP_TO = 300  # pictures: a clip as short as that is looked at whole
STEP_S = 1.0  # phones put a key picture about this often
STRETCH_S = 10.0  # watched at a time, until balls were found at rest
MAX_STRETCHES = 6
ENOUGH_BALLS = 2
SPREAD = 8  # further pictures over the rest of the clip: does the camera stay where it was?
LEAST_SPREAD = 3
KICKS_WATCHED = 3
PICTURES_ROUND_KICKS = (80, 0.03)  # at most: so many, or this share of the clip's
KICK_WINDOW_S = 2.5  # a run-up's last step, and the way to the goal
QUALITY_LOOKS = 3


@dataclass(frozen=True, slots=True)
class PictureQuality:
    """Medians over a few pictures; see `clip.quality`."""

    brightness: float
    blur: float
    noise_levels: float | None
    tilt_deg: float | None


@dataclass(frozen=True, slots=True, eq=False)
class QuickLook:
    """What a quick look leaves behind.

    Attributes
    ----------
    info : the clip as it was opened.
    start_s, end_s : presentation times of the first and the last picture.
    pictures, looked_at : how many the clip holds, and how many were decoded for this.
    rate_hz : pictures per second.
    longest_gap_s : times of the neighbouring pictures that lie farthest apart.
    is_whole : every picture was looked at, so that the count will see no more than this.
    damaged : how often something could not be decoded.
    record : what the ball did, as far as it was seen.
    stillness : what the camera did.
    settled : luma, u and v of the yard without what moves.
    quality : of the pictures.
    """

    info: ClipInfo
    start_s: float
    end_s: float
    pictures: int
    looked_at: int
    rate_hz: float
    longest_gap_s: tuple[float, float]
    is_whole: bool
    damaged: int
    record: BallRecord
    stillness: StillnessReport
    settled: tuple[U8, U8, U8]
    quality: PictureQuality


class _Looking:
    """The pass over single pictures: ball, camera and what the pictures are like."""

    def __init__(self, sampler: Sampler) -> None:
        self.ball, self.camera = BallWatcher(), StillnessWatcher()
        self.brightness: list[float] = []
        self.blur: list[float] = []
        self.tilts: list[float] = []
        self._sampler = sampler
        self._judged_s = float("-inf")

    def watch(self, frames: Iterable[Frame]) -> None:
        """Take pictures in, in order of time."""
        for frame in frames:
            small = small_frame(frame)
            self._follow(frame, small)
            self.ball.update(frame, small)

    def watch_stretches(self) -> BallRecord:
        """Watch the clip's start, longer where no balls were found, and the camera to its end."""
        wanted = self._sampler.spread_s(STEP_S)
        for number in range(MAX_STRETCHES):
            from_s = wanted[0] + number * STRETCH_S
            stretch = [t for t in wanted if from_s <= t < from_s + STRETCH_S]
            self.watch(self._sampler.near(stretch, STEP_S / 2))
            if len(likely_balls(self.ball.record)) >= ENOUGH_BALLS:
                break
        record = self.ball.finish()
        until_s = from_s + STRETCH_S
        rest = [t for t in self._sampler.key_times_s if t >= until_s]
        if len(rest) < LEAST_SPREAD:
            rest = [t for t in wanted if t >= until_s]
        for frame in self._sampler.near(rest[:: max(1, len(rest) // SPREAD)], STEP_S / 2):
            self._follow(frame, small_frame(frame))
        return record

    def _follow(self, frame: Frame, small: SmallFrame) -> None:
        self.camera.update(frame.time_s, small.luma)
        if frame.time_s - self._judged_s >= self._sampler.duration_s / QUALITY_LOOKS:
            self._judged_s = frame.time_s
            self.brightness.append(brightness(frame))
            self.blur.append(blur_share(frame.luma))
            tilt = tilt_deg(frame.luma)
            self.tilts += [] if tilt is None else [tilt]


def look_quickly(clip: Clip) -> QuickLook:
    """Look at a clip without decoding much of it.

    Raises
    ------
    ClipUnreadableError
        No picture can be decoded, or none carries a time.
    ClipNotJudgeableError
        The picture changes its size.
    """
    with clip.sampler() as sampler:
        looking = _Looking(sampler)
        is_whole = len(sampler.times_s) <= WHOLE_UP_TO
        if is_whole:
            looking.watch(sampler.between(sampler.times_s[0], sampler.times_s[-1]))
            records = [looking.ball.finish()]
        else:
            records = [looking.watch_stretches()]
            records += _watch_kicks(sampler, records[0])
        if looking.ball.yard.settled is None:
            raise ClipUnreadableError(
                f"{clip.info.path} holds no picture that can be decoded: {WAY_OUT}"
            )
        return QuickLook(
            info=clip.info,
            start_s=sampler.times_s[0],
            end_s=sampler.times_s[-1],
            pictures=len(sampler.times_s),
            looked_at=sampler.decoded,
            rate_hz=sampler.rate_hz,
            longest_gap_s=sampler.longest_gap,
            is_whole=is_whole,
            damaged=sampler.damaged,
            record=_joined(records),
            stillness=looking.camera.report(),
            settled=looking.ball.yard.settled.native.planes,
            quality=PictureQuality(
                float(np.median(looking.brightness)),
                float(np.median(looking.blur)),
                _noise(sampler),
                float(np.median(looking.tilts)) if looking.tilts else None,
            ),
        )


def still_at(clip: Clip, time_s: float) -> StillPicture | None:
    """Return the key picture at or before a time, at its own size; None where it is damaged."""
    with clip.sampler() as sampler:
        for frame in sampler.near([time_s], STEP_S / 10):
            return StillPicture(frame.time_s, frame.bgr(), 1.0)
    return None


def likely_balls(record: BallRecord) -> list[RestingBall]:
    """Resting things that the detector takes for balls, and that left their place."""
    return [r for r in record.resting if r.ball_score >= LIKE_A_BALL]


def _watch_kicks(sampler: Sampler, record: BallRecord) -> list[BallRecord]:
    """Watch every picture from a ball's last rest on, for the surest few, as long as it is few."""
    least, share = PICTURES_ROUND_KICKS
    left = max(least, round(share * len(sampler.times_s)))
    records = []
    for rest in sorted(likely_balls(record), key=lambda r: -r.ball_score)[:KICKS_WATCHED]:
        until_s = min(rest.before_s + KICK_WINDOW_S, sampler.times_s[-1])
        cost = (until_s - rest.before_s) * sampler.rate_hz
        if cost > left:
            break
        left -= round(cost)
        ball = BallWatcher(lying=[place_of(rest.sighting)])
        for frame in sampler.between(rest.before_s, until_s):
            ended = ball.update(frame, small_frame(frame))
            if any(track.ball_score >= LIKE_A_BALL for track in ended):
                break  # its flight has been seen, as far as it goes
        records.append(ball.finish())
    return records


def _joined(records: Sequence[BallRecord]) -> BallRecord:
    tracks = [track for record in records for track in record.tracks]
    resting = [rest for record in records for rest in record.resting]
    return BallRecord(tuple(sorted(tracks, key=lambda t: t.end_s)), tuple(resting))


def _noise(sampler: Sampler) -> float | None:
    """Noise of two key pictures from the middle; None where there is only one.

    Key pictures are coded by themselves; what lies between often repeats them, noise and all.
    """
    middle = len(sampler.key_times_s) // 2
    pair = list(sampler.near(sampler.key_times_s[middle - 1 : middle + 1], 0.0)) if middle else []
    return noise_levels(pair[0].luma, pair[1].luma) if len(pair) == 2 else None
