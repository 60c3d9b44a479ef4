"""What must hold on filmed clips; they lie beside the checkout and never travel with it.

Counts by eye. None of the clips but one shows a goal, so most can only be asked for their kicks,
or must be refused. One test a clip, so that each is watched once.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from shoegoal.clip.reader import open_clip
from shoegoal.clip.stillness import Stillness
from shoegoal.errors import ClipNotJudgeableError, ShoegoalError
from shoegoal.ladder.rules import MakesOfShots, Stage
from shoegoal.pipeline.count import analyse_clip
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import watch_clip
from shoegoal.shots.ground import departures_s
from shoegoal.types import Call, ImagePoint

pytestmark = pytest.mark.real_clips
STAGE = Stage("set", "set", MakesOfShots(1, 1), 3, 10)
KICK_S = 0.2


def kicks_in(path: Path) -> list[float]:
    """When the tool sees balls leave their place, without knowing a goal."""
    return departures_s(watch_clip(path).record)


def test_one_shot_into_the_mini_goal_and_no_dribble_counted(real_clips: Path) -> None:
    """Contact in picture 49 of 25 a second, in the net from 74 on, dribbled back from 131 on.

    The left post stands at (738, 190); the right one lies outside the picture, at about x = 1010 on
    the same level line (the net's lower bar runs along y = 191).
    """
    settings = CountSettings(STAGE, ImagePoint(738, 190), ImagePoint(1010, 191))
    analysis = analyse_clip(real_clips / "lawn_mini_goal.mp4", settings).analysis
    told = [(round(s.kick_time_s, 2), s.call.value, s.reason) for s in analysis.shots]
    assert len(analysis.shots) == 1, told
    (shot,) = analysis.shots
    assert shot.call is not Call.MISS, told
    assert shot.kick_time_s < 131 / 25
    assert shot.kick_time_s == pytest.approx(49 / 25, abs=KICK_S), told
    assert shot.call is Call.MAKE, told


ONE_KICK_CONTACT_S = {
    "lawn_side_kick.mp4": 0.15,
    "terrace_kick_01_30fps.mov": 1.28,
    "terrace_kick_02_30fps.mov": 1.15,
    "terrace_kick_04_30fps.mov": 1.34,
    "terrace_kick_06_30fps.mov": 0.33,
    "terrace_kick_12_60fps.mov": 0.64,
}
NO_SHOT = ("juggling_still.avi", "green_ball_hand_toss.mp4", "portrait_red_ball_throw.mp4")


@pytest.mark.parametrize("name", ONE_KICK_CONTACT_S)
def test_one_kick_is_one_kick_at_its_time(real_clips: Path, name: str) -> None:
    """Times of contact by eye: presentation times of the pictures before and after it."""
    times = kicks_in(real_clips / name)
    assert len(times) == 1, times
    assert times[0] == pytest.approx(ONE_KICK_CONTACT_S[name], abs=KICK_S)


def test_a_clip_that_ends_at_contact_holds_no_kick_yet(real_clips: Path) -> None:
    """The foot is at the ball in the last picture; the ball never moves."""
    assert kicks_in(real_clips / "terrace_kick_07_30fps.mov") == []


@pytest.mark.parametrize("name", NO_SHOT)
def test_juggling_tossing_and_throwing_are_no_shots(real_clips: Path, name: str) -> None:
    """Without a goal the clip is refused in one clear line, or nothing in it is a shot."""
    try:
        analysis = analyse_clip(real_clips / name, CountSettings(STAGE)).analysis
    except ClipNotJudgeableError as error:
        assert len(str(error).splitlines()) == 1
        assert len(str(error)) > 40
    else:
        assert analysis.shots == ()


@pytest.mark.parametrize("name", NO_SHOT)
def test_markers_that_were_never_there_make_no_shots_of_them(real_clips: Path, name: str) -> None:
    with open_clip(real_clips / name) as clip:
        width, height = clip.info.width_px, clip.info.height_px
    left, right = (ImagePoint(x * width, 0.75 * height) for x in (0.3, 0.7))
    try:
        analysis = analyse_clip(real_clips / name, CountSettings(STAGE, left, right)).analysis
    except ClipNotJudgeableError as error:
        assert len(str(error).splitlines()) == 1
    else:
        assert analysis.shots == ()


@pytest.mark.parametrize("name", NO_SHOT)
def test_no_ball_of_them_leaves_a_place_on_the_ground(real_clips: Path, name: str) -> None:
    assert kicks_in(real_clips / name) == []


@pytest.mark.parametrize("name", ["juggling_moving_camera.avi", "fullbody_side_kick.mp4"])
def test_a_moving_camera_is_refused_and_named(real_clips: Path, name: str) -> None:
    with pytest.raises(ShoegoalError, match="camera"):
        analyse_clip(real_clips / name, CountSettings(STAGE))


def test_a_still_camera_is_not_refused_as_moving(real_clips: Path) -> None:
    for name in ("lawn_side_kick.mp4", "terrace_kick_06_30fps.mov"):
        assert watch_clip(real_clips / name).stillness.verdict in (
            Stillness.STILL,
            Stillness.NEARLY_STILL,
        )
