"""Every check against made-up facts on both sides of its limit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.ball.free_motion import FreeStretch, Motion
from shoegoal.ball.motion import MAX_SIZE_OF_LONG_SIDE, MIN_SIZE_OF_LONG_SIDE
from shoegoal.ball.tracks import BallTrack
from shoegoal.ball.watch import BallRecord
from shoegoal.clip.frame import Frame
from shoegoal.clip.quality import tilt_deg
from shoegoal.clip.reader import ClipInfo
from shoegoal.clip.stillness import Stillness, StillnessReport
from shoegoal.filming_check.answer import Answer, FilmingCheck
from shoegoal.filming_check.checks import CHECKS, Facts, Finding, Level
from shoegoal.filming_check.pupil import pupils_answer
from shoegoal.filming_check.sampled import PictureQuality, SampledClip
from shoegoal.filming_check.scene import CheckedScene, contrast_levels
from shoegoal.ladder.rules import FirstMakes, Stage
from shoegoal.pictures.stills import StillPicture
from shoegoal.pipeline.judging import JudgedSet
from shoegoal.pipeline.settings import CountSettings
from shoegoal.scene.camera import Camera
from shoegoal.scene.ground import GroundFit
from shoegoal.shots.ground import Ground
from shoegoal.shots.runs import Run
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import Story
from shoegoal.types import Detection, Estimate, ImagePoint

U8 = npt.NDArray[np.uint8]
WIDTH, HEIGHT = 1280, 720
INFO = ClipInfo(
    Path("a.mp4"), WIDTH, HEIGHT, 0, False, "h264", "yuv420p", 30.0, 0.0, 30.0, 1_000_000
)
NOTHING = np.zeros((2, 2), np.uint8)
STILL = StillPicture(0.0, np.zeros((2, 2, 3), np.uint8), 1.0)
LOOK = SampledClip(
    info=INFO,
    start_s=0.0,
    end_s=30.0,
    pictures=901,
    watched=90,
    rate_hz=30.0,
    longest_gap_s=(1.0, 1.033),
    breaks=(),
    damaged=0,
    record=BallRecord(),
    stillness=StillnessReport(Stillness.STILL, (), (), ()),
    background=(NOTHING, NOTHING, NOTHING),
    quality=PictureQuality(0.5, 0.2, 1.0, 0.5),
)
BALL = Detection(1.0, 400.0, 500.0, 50.0, 0.2, 0.5, at_rest=True)
STRETCH = FreeStretch(
    Motion.ROLLS, (BALL,), 1.0, np.zeros((3, 3)), np.zeros((9, 9)), 1.0, radius_m=0.105
)
KICK = Run(
    (0,), (Segment(STRETCH, 1.2, 1.6, 1.2, 1.6, 0, 9.0, 1.6),), (), (), (), None, 1.2, 1.0, 0.0
)


def ground(height_m: float = 1.3, sigma: float = 0.1, kicks: tuple[Run, ...] = (KICK,)) -> Ground:
    camera = Camera(1000.0, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, height_m, 8.0)
    covariance = np.diag([0.01, sigma**2, 0.001, 0.001, 0.001])
    fit = GroundFit(
        camera, Estimate(0.21, 0.01), ("a",) * 5, np.zeros(5), covariance, 9, 9, 1.0, 0.02
    )
    return Ground(fit, cast(Story, None), kicks, ())


MARKERS = (ImagePoint(500.0, 360.0), ImagePoint(780.0, 360.0))
# Of a judged set the checks ask for the camera alone.
JUDGED = cast(JudgedSet, SimpleNamespace(scene=SimpleNamespace(camera=ground().fit.camera)))
SCENE = CheckedScene(BALL, ground(), JUDGED, MARKERS, 0.99)
STAGE = Stage("set", "Set", FirstMakes(5), 4.0, 10.0)
GOOD = Facts(LOOK, SCENE, CountSettings(STAGE), 60.0, 10.0)
NO_GOAL: dict[str, Any] = {"judged": None, "refusal": "no markers"}


def seen(name: str, facts: Facts) -> Finding | None:
    return next(check for check in CHECKS if check.name == name).find(facts)


def with_look(**changes: Any) -> Facts:
    return replace(GOOD, sampled=replace(LOOK, **changes))


def with_scene(**changes: Any) -> Facts:
    return replace(GOOD, scene=replace(SCENE, **changes))


def with_quality(**changes: Any) -> Facts:
    return with_look(quality=replace(LOOK.quality, **changes))


def ball_of(share: float) -> Facts:
    return with_scene(ball=replace(BALL, diameter_px=share * WIDTH))


def still(verdict: Stillness) -> StillnessReport:
    return StillnessReport(verdict, (), (4.0,), ())


def test_a_good_clip_has_nothing_to_say() -> None:
    assert [check.name for check in CHECKS if check.find(GOOD) is not None] == []
    assert len({check.name for check in CHECKS}) == len(CHECKS) and all(c.source for c in CHECKS)


def rolling(start_s: float, lay_s: float = 0.0) -> BallRecord:
    """A ball that rolls straight on after it lay for a while."""
    seen = tuple(
        replace(BALL, at_rest=False, time_s=start_s + t, x_px=400.0 + 500.0 * max(0.0, t - lay_s))
        for t in np.arange(0.0, lay_s + 0.5, 0.04).tolist()
    )
    return BallRecord((BallTrack(seen, 0.9),))


WHOLE = with_look(watched=901)
NO_KICK = replace(SCENE, ground=ground(kicks=()))
CASES = [
    ("length", with_look(pictures=5, end_s=0.1), Level.REFUSE, "5 picture"),
    ("length", with_look(end_s=2.0), Level.ADVISE, "2.0 s"),
    ("frame rate", with_look(rate_hz=15.0), Level.ADVISE, "15 pictures"),
    ("pauses", with_look(longest_gap_s=(3.0, 8.0)), Level.ADVISE, "0:03.0 and 0:08.0"),
    ("whole file", with_look(end_s=20.0), Level.ADVISE, "10 s"),
    ("whole file", with_look(damaged=1), Level.ADVISE, "decoded"),
    ("camera still", with_look(stillness=still(Stillness.MOVING)), Level.REFUSE, "moves"),
    ("camera still", with_look(stillness=still(Stillness.BUMPED)), Level.ADVISE, "0:04.0"),
    ("light", with_quality(brightness=0.1), Level.ADVISE, "10%"),
    ("sharpness", with_quality(blur=0.7), Level.ADVISE, "0.70"),
    ("goal in view", replace(WHOLE, scene=replace(SCENE, **NO_GOAL)),
     Level.REFUSE, "surely the goal"),
    ("ball seen", with_scene(ball=None), Level.ASK, "no ball"),
    ("kick seen", replace(WHOLE, scene=replace(NO_KICK, ball=None)), Level.REFUSE, "no kick"),
    ("kick seen", replace(WHOLE, scene=NO_KICK), Level.ADVISE, "could not be followed"),
    ("ball size", ball_of(0.9 * MIN_SIZE_OF_LONG_SIDE), Level.REFUSE, "too small"),
    ("ball size", ball_of(1.1 * MAX_SIZE_OF_LONG_SIDE), Level.REFUSE, "of the picture"),
    ("ball colour", replace(GOOD, contrast_levels=12.0), Level.ADVISE, "12 of 255"),
    ("phone height", with_scene(ground=ground(0.2)), Level.ADVISE, "0.2 m"),
    ("phone level", with_quality(tilt_deg=-18.0), Level.ADVISE, "18 degrees"),
    ("goal in view", with_scene(**NO_GOAL, in_view=0.2), Level.ASK, "surely the goal"),
    ("goal in view", with_scene(in_view=0.93), Level.ASK, "93%"),
    ("goal in view", with_scene(markers_px=(ImagePoint(20.0, 400.0), MARKERS[1])), Level.ADVISE,
     "beside a marker"),
    ("start", with_look(record=rolling(0.1)), Level.ADVISE, "already moving"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "facts", "level", "words"), CASES)
def test_trouble_is_found_and_named(name: str, facts: Facts, level: Level, words: str) -> None:
    finding = seen(name, facts)
    assert finding is not None and finding.level is level
    assert words in finding.why and finding.do.endswith((".", "?"))


@pytest.mark.parametrize(
    ("name", "facts"),
    [
        ("frame rate", with_look(rate_hz=23.976)),
        ("camera still", with_look(stillness=still(Stillness.NEARLY_STILL))),
        ("ball size", ball_of(1.1 * MIN_SIZE_OF_LONG_SIDE)),
        ("phone height", with_scene(ground=ground(0.3, sigma=0.5))),
        ("phone level", with_quality(tilt_deg=42.0)),
        ("phone level", with_quality(tilt_deg=None)),
        ("start", with_look(record=rolling(0.1, lay_s=0.3))),
        ("start", with_look(record=rolling(5.0))),
    ],
)
def test_what_is_well_or_unknown_is_left_alone(name: str, facts: Facts) -> None:
    assert seen(name, facts) is None


@pytest.mark.parametrize(
    ("facts", "answer"),
    [
        (GOOD, Answer.YES),
        (with_scene(in_view=0.93), Answer.CANNOT_TELL),
        (replace(WHOLE, scene=replace(SCENE, in_view=0.93)), Answer.YES),
        (with_scene(**NO_GOAL), Answer.CANNOT_TELL),
        (replace(WHOLE, scene=replace(SCENE, **NO_GOAL)), Answer.NO),
    ],
)
def test_only_what_more_kicks_hardly_change_is_promised(facts: Facts, answer: Answer) -> None:
    check = FilmingCheck(facts, STILL, ())
    assert check.answer is answer
    said = pupils_answer(check)
    assert said.sure == (answer is Answer.YES)
    assert (said.markers_px is not None) == facts.scene.has_goal
    if facts.scene.has_goal and not said.sure:
        assert "most likely" in said.saw
        assert said.change == ()


def test_contrast_of_a_grey_disc_is_the_difference_of_its_greys() -> None:
    luma = np.full((200, 240), 100, np.uint8)
    cv2.circle(luma, (120, 100), 30, 140, -1)
    half = np.full((100, 120), 128, np.uint8)
    frame = Frame(0.0, luma, half, half)
    ball = replace(BALL, x_px=120.0, y_px=100.0, diameter_px=60.0)
    assert contrast_levels(frame, ball, frame.planes) == pytest.approx(40.0)
    without = np.full_like(luma, 90)  # the place itself was darker than what lies round it
    assert contrast_levels(frame, ball, (without, half, half)) == pytest.approx(50.0)


@pytest.mark.parametrize("angle_deg", [-20.0, -3.0, 0.0, 14.0])
def test_tilt_of_a_tilted_fence(angle_deg: float) -> None:
    x, y = np.meshgrid(np.arange(640), np.arange(360))
    lean = np.radians(angle_deg)
    along = x * np.cos(lean) + y * np.sin(lean)
    boards: U8 = np.round(128 + 90 * np.sin(along / 6)).astype(np.uint8)
    found = tilt_deg(boards)
    assert found is not None and found == pytest.approx(angle_deg, abs=1.5)


def test_no_tilt_where_no_direction_stands_out() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (360, 640), np.uint8)
    assert tilt_deg(np.asarray(cv2.GaussianBlur(noise, (0, 0), 3.0), np.uint8)) is None
