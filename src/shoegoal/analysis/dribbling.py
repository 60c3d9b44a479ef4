"""From a dribble clip to its touches: no goal and no ground are needed, only ball and feet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from shoegoal.analysis.counted import Counted, StillsOnDemand, concluded
from shoegoal.analysis.feet import FeetFinder
from shoegoal.analysis.settings import CountSettings
from shoegoal.analysis.stills import StillPicture
from shoegoal.analysis.watching import Watched, watch_clip
from shoegoal.ball.tracks import LIKE_A_BALL
from shoegoal.clip.clock import clock_text
from shoegoal.clip.stillness import Stillness
from shoegoal.cues.pose import open_pose_model
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.verdict import HiddenTime
from shoegoal.shots.contacts import Way, dribbled_ways
from shoegoal.shots.touches import TOUCH_MOMENTS_S, find_touches
from shoegoal.types import Shot

MOVED_NEAR_S = 0.3
BUMPED_S = 1.0  # after which the picture is still again
SAME_PICTURE_S = 0.04


def analyse_dribble(
    path: Path, settings: CountSettings, on_progress: Callable[[float], None] | None = None
) -> Counted:
    """Count the touches of one clip; parameters as for `shoegoal.analysis.run.analyse_clip`.

    Raises
    ------
    ClipUnreadableError
        No pictures can be decoded.
    ClipNotJudgeableError
        The camera moves, or no ball is found on its way.
    """
    watched = watch_clip(path, on_progress, dribbled=True)
    if watched.stillness.verdict is Stillness.MOVING:
        raise ClipNotJudgeableError(f"The clip cannot be counted: {watched.stillness.message}.")
    size_px = (watched.info.width_px, watched.info.height_px)
    ways = dribbled_ways(watched.record, size_px, settings.ball)
    if not ways:
        raise ClipNotJudgeableError(
            "No ball was found that is dribbled: film from the front, three or four metres away, "
            "with the ball and both feet in view from the first touch to the last."
        )
    contacts = [contact for way in ways for contact in way.contacts]
    with open_pose_model() as model:
        feet = FeetFinder(watched.pictures, model, [(*c.place_px, c.diameter_px) for c in contacts])
        clip_s = (watched.start_s, watched.end_s)
        found = find_touches(ways, feet.nearest, clip_s)
    doubts = [HiddenTime(d.from_s, d.until_s, d.why) for d in found.doubts]
    doubts += _moved_unfollowed(watched, ways) + _bumps(watched)
    analysis = concluded(path, watched, settings, found.events, found.left_out, doubts=doubts)
    stills = StillsOnDemand(found.events, partial(_stills, watched))
    return Counted(analysis, stills, watched.pictures.first())


def _moved_unfollowed(watched: Watched, ways: Sequence[Way]) -> list[HiddenTime]:
    """List the times at which a ball left its place and nothing was followed."""
    seen_s = np.array([s.time_s for way in ways for s in way.sightings])
    out = []
    for rest in watched.record.resting:
        if rest.arrived or rest.ball_score < LIKE_A_BALL:
            continue
        near = (seen_s > rest.before_s - MOVED_NEAR_S) & (seen_s < rest.after_s + MOVED_NEAR_S)
        if not near.any():
            why = "a ball that lay there was moved, but could not be followed"
            out.append(HiddenTime(rest.before_s, rest.after_s, why))
    return out


def _bumps(watched: Watched) -> list[HiddenTime]:
    if watched.stillness.verdict is not Stillness.BUMPED:
        return []
    return [
        HiddenTime(
            at_s, at_s + BUMPED_S, f"the camera was moved at {clock_text(at_s - watched.start_s)}"
        )
        for at_s in watched.stillness.bumps_s
    ]


def _stills(watched: Watched, event: Shot) -> list[StillPicture]:
    """Return the pictures round an event, each once."""
    found = [
        watched.pictures.near(event.kick_time_s + off_s, SAME_PICTURE_S)
        for off_s in TOUCH_MOMENTS_S
    ]
    by_time = {still.time_s: still for still in found if still is not None}
    return [by_time[time_s] for time_s in sorted(by_time)]
