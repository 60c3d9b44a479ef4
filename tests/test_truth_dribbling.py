"""The drawn dribble: its truth against its own film, and the tool's count against its truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.ladder.verdict import Decision
from shoegoal.pipeline.count import analyse_clip
from shoegoal.pipeline.settings import CountSettings
from shoegoal.scene.ball_size import BallSize
from shoegoal.types import EventKind
from truth.dribbling import DribbleTruth, random_dribble, render_dribble, stage_dribble
from truth.motion import RATE_HZ
from truth.people import FIGURE_HZ

TURN_M = 0.02  # over 0.15 s on either side, a stay at the foot included


def test_the_ball_turns_at_each_touch_with_a_foot_at_it() -> None:
    scene, part = random_dribble(3, "front", 9, losses=1)
    stage, touches, losses_s, runs = stage_dribble(scene, part)
    assert (len(touches), sum(runs), len(losses_s)) == (9, 9, 1)
    assert {t.foot for t in touches} == {"left", "right"}
    path = stage.play.balls[0]
    for touch in touches:
        i = round(touch.time_s * RATE_HZ)
        reach = round(0.15 * RATE_HZ)
        before, after = path[i] - path[i - reach], path[i + reach] - path[i]
        assert np.linalg.norm(after - before) > TURN_M
        # Bodies are solids with one end at rows 0 to 2: some part of the pupil is at the ball.
        ends = stage.play.casters[round(touch.time_s * FIGURE_HZ)]
        apart = np.linalg.norm(ends[:, [0, 1, 2]] - path[i], axis=1)
        assert apart.min() < stage.body.radius_m + 0.12
    far = max(np.linalg.norm(path[:, :2] - path[round(losses_s[0] * RATE_HZ), :2], axis=1))
    assert far > 0.7


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, DribbleTruth]:
    scene, part = random_dribble(11, "front", 8, losses=0)
    picture = scene.picture.model_copy(update={"width_px": 640, "height_px": 360})
    clip = tmp_path_factory.mktemp("dribble") / "dribble.mp4"
    truth = render_dribble(scene.model_copy(update={"picture": picture}), part, clip)
    truth.write(clip.with_suffix(".json"))
    assert DribbleTruth.read(clip.with_suffix(".json")).touches == truth.touches
    return clip, truth


def test_a_filmed_dribble_is_counted(filmed: tuple[Path, DribbleTruth]) -> None:
    clip, truth = filmed
    stage = Stage("close", "close", TouchesInARow(truth.longest_run - 1))
    analysis = analyse_clip(clip, CountSettings(stage, ball=BallSize(str(5)))).analysis
    counted = [e.kick_time_s for e in analysis.shots if e.kind is EventKind.TOUCH]
    # The first push of a ball that lies is seen late; the others when they happen.
    assert counted[0] == pytest.approx(truth.touches[0].time_s, abs=0.5)
    assert counted[1:] == pytest.approx([t.time_s for t in truth.touches[1:]], abs=0.1)
    assert all(e.kind is EventKind.TOUCH for e in analysis.shots)
    assert analysis.scene is None
    assert analysis.verdict.decision in (Decision.ADVANCE, Decision.LOOK)
