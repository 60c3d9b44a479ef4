"""The part of a clip that the filming check watches: its start, exactly as the count does.

The count finds the same in this part. From the rest of the clip, single pictures show light,
sharpness and the camera's movement.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shoegoal.ball.tracks import LIKE_A_BALL, RestingBall
from shoegoal.ball.watch import BallRecord, BallWatcher
from shoegoal.clip.container import WAY_OUT
from shoegoal.clip.frame import U8
from shoegoal.clip.quality import blur_share, brightness, noise_levels, tilt_deg
from shoegoal.clip.reader import ClipInfo, open_clip
from shoegoal.clip.reduced import small_frame
from shoegoal.clip.sampling import Sampler
from shoegoal.clip.stillness import Stillness, StillnessReport, StillnessWatcher
from shoegoal.clip.take import Break
from shoegoal.errors import ClipUnreadableError
from shoegoal.pipeline.watching import MIN_FRAMES, watch_clip
from shoegoal.shots.ground import departures_s

MOST_PICTURES = 900  # in a row; half a minute of a phone's clip
# With so many, how sure the goal is (log odds) moves by 1.0 until the clip's end, with three by 1.3
# (standard deviations over 53 development sets).
ENOUGH_KICKS = 5
AFTER_A_KICK_S = 2.5  # time for the ball to reach the goal
ASKED_EVERY = 15  # pictures
SPREAD = 8  # pictures over the whole clip, to see whether the camera moves
QUALITY_LOOKS = 3


@dataclass(frozen=True, slots=True)
class PictureQuality:
    """Medians over a few pictures; see `clip.quality`."""

    brightness: float
    blur: float
    noise_levels: float | None
    tilt_deg: float | None


@dataclass(frozen=True, slots=True, eq=False)
class SampledClip:
    """The measurements of the watched part and of the single pictures.

    Attributes
    ----------
    info : the clip as it was opened.
    start_s, end_s : presentation times of the first and the last picture.
    pictures, watched : how many the clip holds, and how many of these were watched.
    rate_hz : pictures per second.
    longest_gap_s : times of the neighbouring pictures that lie farthest apart.
    damaged : number of decoding errors.
    record : of the ball.
    stillness : of the camera, to the clip's end.
    breaks : in the watched part.
    background : luma, u and v of the background model; None where too little was watched.
    quality : of the pictures.
    """

    info: ClipInfo
    start_s: float
    end_s: float
    pictures: int
    watched: int
    rate_hz: float
    longest_gap_s: tuple[float, float]
    damaged: int
    record: BallRecord
    stillness: StillnessReport
    breaks: tuple[Break, ...]
    background: tuple[U8, U8, U8] | None
    quality: PictureQuality

    @property
    def is_whole(self) -> bool:
        """Whether every picture was watched, so that the count will see nothing more."""
        return self.watched >= self.pictures


def sample_clip(path: Path, *, dribbled: bool = False) -> SampledClip:
    """Watch the start of a clip, and single pictures of the rest.

    Parameters
    ----------
    path : the clip.
    dribbled : the ball is dribbled, as for `watch_clip`.

    Raises
    ------
    ClipUnreadableError
        No picture can be decoded, or none carries a time.
    ClipNotJudgeableError
        The picture changes its size.
    """
    with open_clip(path) as clip, clip.sampler() as sampler:
        start_s, end_s = sampler.times_s[0], sampler.times_s[-1]
        record, breaks, background = BallRecord(), tuple[Break, ...](), None
        watched_count, stillness = 0, None
        if len(sampler.times_s) >= MIN_FRAMES:
            watched = watch_clip(path, dribbled=dribbled, is_enough=_is_enough)
            record, breaks, background = watched.record, watched.take.breaks, watched.background
            watched_count, stillness = watched.frames, watched.stillness
        quality, camera = _looked_at(sampler)
        stood = (None, Stillness.STILL, Stillness.NEARLY_STILL, Stillness.UNCLEAR)
        if watched_count < len(sampler.times_s) and (stillness and stillness.verdict) in stood:
            stillness = camera  # over all of the clip
        return SampledClip(
            info=clip.info,
            start_s=start_s,
            end_s=end_s,
            pictures=len(sampler.times_s),
            watched=watched_count,
            rate_hz=sampler.rate_hz,
            longest_gap_s=sampler.longest_gap,
            damaged=sampler.damaged,
            record=record,
            stillness=stillness or camera,
            breaks=breaks,
            background=background,
            quality=quality,
        )


def likely_balls(record: BallRecord) -> list[RestingBall]:
    """Return resting things that the detector takes for balls."""
    return [r for r in record.resting if r.ball_score >= LIKE_A_BALL]


def _is_enough(pictures: int, time_s: float, ball: BallWatcher) -> bool:
    """Whether a few kicks were seen to their end, or the time is used up."""
    if pictures >= MOST_PICTURES:
        return True
    if pictures % ASKED_EVERY:
        return False
    kicked_s = departures_s(ball.record)
    return len(kicked_s) >= ENOUGH_KICKS and time_s >= kicked_s[-1] + AFTER_A_KICK_S


def _looked_at(sampler: Sampler) -> tuple[PictureQuality, StillnessReport]:
    """Measure quality and the camera's movement on single pictures spread over a clip."""
    camera = StillnessWatcher()
    bright, blur, tilts = [], [], []
    step_s = max(sampler.duration_s / SPREAD, 1e-3)
    for number, frame in enumerate(sampler.near(sampler.spread_s(step_s), step_s / 2)):
        camera.update(frame.time_s, small_frame(frame).luma)
        if number % (SPREAD // QUALITY_LOOKS) == 0:
            bright.append(brightness(frame))
            blur.append(blur_share(frame.luma))
            tilt = tilt_deg(frame.luma)
            tilts += [] if tilt is None else [tilt]
    if not bright:
        raise ClipUnreadableError(f"the clip holds no picture that can be decoded: {WAY_OUT}")
    quality = PictureQuality(
        float(np.median(bright)),
        float(np.median(blur)),
        _noise(sampler),
        float(np.median(tilts)) if tilts else None,
    )
    return quality, camera.report()


def _noise(sampler: Sampler) -> float | None:
    """Measure the noise of two key pictures from the middle; None where there is only one.

    Key pictures are coded by themselves; others often repeat them, including the noise.
    """
    middle = len(sampler.key_times_s) // 2
    pair = list(sampler.near(sampler.key_times_s[middle - 1 : middle + 1], 0.0)) if middle else []
    return noise_levels(pair[0].luma, pair[1].luma) if len(pair) == 2 else None
