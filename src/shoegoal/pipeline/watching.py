"""The one pass over the pictures: every step that needs them takes them here."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from contextlib import closing
from dataclasses import dataclass
from itertools import takewhile
from math import inf
from pathlib import Path
from typing import TypeAlias

from shoegoal.ball.watch import BallRecord, BallWatcher, Glimpse, YardWatcher
from shoegoal.clip.frame import U8, Frame, planes_to_bgr
from shoegoal.clip.handover import run_ahead
from shoegoal.clip.reader import ClipInfo, open_clip
from shoegoal.clip.reduced import small_frame
from shoegoal.clip.stillness import StillnessReport, StillnessWatcher
from shoegoal.clip.take import Take, TakeWatcher
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.pictures.stills import PictureKeeper
from shoegoal.threads import allowed_threads, keep_opencv_to_its_caller

MIN_FRAMES = 10
FRAMES_AHEAD = 5  # one holds a picture and its halvings
PROGRESS_EVERY_S = 0.5
DRIBBLE_PICTURE_EVERY_S = 1 / 15  # a touch lasts about as long
# Pictures so far, their last time (s), and who watches the ball.
IsEnough: TypeAlias = Callable[[int, float, BallWatcher], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What one pass over a clip leaves behind.

    Attributes
    ----------
    info : the clip as it was opened.
    frames : pictures decoded.
    start_s, end_s : presentation times of the first and the last picture.
    record : what the ball did.
    stillness : what the camera did.
    settled_bgr : (H, W, 3) the yard without what moves, as it was at the end.
    background : luma, u and v of the same.
    pictures : stills kept for the evidence.
    problems : plain sentences about the file itself.
    take : where the clip does not run on, and its fingerprint.
    """

    info: ClipInfo
    frames: int
    start_s: float
    end_s: float
    record: BallRecord
    stillness: StillnessReport
    settled_bgr: U8
    background: tuple[U8, U8, U8]
    pictures: PictureKeeper
    problems: tuple[str, ...]
    take: Take


def watch_clip(
    path: Path,
    on_progress: Callable[[float], None] | None = None,
    *,
    dribbled: bool = False,
    is_enough: IsEnough | None = None,
) -> Watched:
    """Decode a clip once and watch ball and camera.

    Parameters
    ----------
    path : the clip.
    on_progress : called now and then with the share of the clip's time that has passed, 0..1.
    dribbled : the ball is dribbled: short ways count, and pictures are put by all along them in
        place of a few of each that may be a shot.
    is_enough : asked after each picture whether the rest of the clip may be left, but for the few
        pictures that follow; what was watched until then is as it is in the whole clip. None to
        watch all of it.

    Raises
    ------
    ClipUnreadableError
        The file holds no pictures that can be decoded.
    ClipNotJudgeableError
        The clip is too short to hold a shot.
    """
    keep_opencv_to_its_caller()
    ball, camera, take = BallWatcher(dribbled=dribbled), StillnessWatcher(), TakeWatcher()
    with open_clip(path) as clip:
        info = clip.info
        pictures = PictureKeeper(
            info.width_px,
            info.height_px,
            info.nominal_rate_hz,
            all_along_every_s=DRIBBLE_PICTURE_EVERY_S if dribbled else None,
        )
        count, start_s, told_s = 0, info.start_s, float("-inf")
        frame, rest = None, _Rest()
        glimpses = _glimpses(rest.until_left(clip.frames()), camera, take, ball.yard)
        if allowed_threads() > 1:
            # One thread for all of it: where the decoder fills a core, more that take turns at the
            # interpreter cost more than they gain.
            glimpses = run_ahead(glimpses, FRAMES_AHEAD)
        with closing(glimpses):
            for frame, glimpse in glimpses:
                if not count:
                    start_s = frame.time_s
                count += 1
                pictures.add(frame, glimpse.small, ball.follow(glimpse))
                if on_progress and info.duration_s and frame.time_s - told_s >= PROGRESS_EVERY_S:
                    told_s = frame.time_s
                    on_progress(min(1.0, (frame.time_s - start_s) / info.duration_s))
                if is_enough is not None and is_enough(count, frame.time_s, ball):
                    rest.leave(frame)
        problems = tuple(problem.message for problem in clip.problems)
    if frame is None or ball.yard.settled is None or count < MIN_FRAMES:
        raise ClipNotJudgeableError(
            f"{path} holds only {count} picture(s), too few to see a shot: film the whole set, "
            "from before the first kick until after the last."
        )
    record = ball.finish()
    pictures.finish()
    if on_progress:
        on_progress(1.0)
    settled_bgr = planes_to_bgr(
        *ball.yard.settled.native.planes, full_range=frame.full_range, matrix=frame.matrix
    )
    return Watched(
        info,
        count,
        start_s,
        frame.time_s,
        record,
        camera.report(),
        settled_bgr,
        ball.yard.settled.native.planes,
        pictures,
        problems,
        take.finish(info.slowed_by),
    )


class _Rest:
    """The part of a clip that need not be watched.

    It is left at the same picture however far the glimpses have run ahead, so that what was watched
    until then does not hang on it.
    """

    def __init__(self) -> None:
        self._last_index = inf

    def leave(self, frame: Frame) -> None:
        """Watch no more than may be on its way when a frame has been followed."""
        on_its_way = FRAMES_AHEAD + 1  # those that wait, and one in hand
        self._last_index = min(self._last_index, frame.index + on_its_way)

    def until_left(self, frames: Iterable[Frame]) -> Iterable[Frame]:
        """Iterate frames until the rest is left."""
        return takewhile(lambda frame: frame.index <= self._last_index, frames)


def _glimpses(
    frames: Iterable[Frame], camera: StillnessWatcher, take: TakeWatcher, yard: YardWatcher
) -> Generator[tuple[Frame, Glimpse], None, None]:
    """See in every frame what can be seen without the network."""
    for frame in frames:
        small = small_frame(frame)
        camera.update(frame.time_s, small.luma)
        take.update(frame.time_s, small.luma)
        yield frame, yard.look(frame, small)
