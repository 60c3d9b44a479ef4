"""The ball network on clips whose every ball is known: the truth files beside the sample clips.

Its network was trained on other scenes (`training/`): these clips' seeds are not among them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.ball.background import BackgroundModel
from shoegoal.ball.ball_net import SIDE, measure_balls, run_network, window_round
from shoegoal.ball.motion import MotionWatcher
from shoegoal.clip.reader import open_clip
from shoegoal.clip.reduced import Halvings, small_frame
from shoegoal.types import Detection

CLIPS = Path(__file__).parents[1] / "sample_clips"
NAMES = ("behind_six", "side_view", "portrait_vfr")
BEFORE_S, AFTER_S = 1.6, 1.6  # of the first kick, what is looked at
Guess = tuple[float, float, float]


@dataclass(slots=True)
class Looks:
    """Readings with what is true of them.

    Attributes
    ----------
    balls : readings from poor guesses at a ball, with its true x, y, diameter.
    elsewhere : scores at moving things that are no ball, and on bare ground.
    left : scores where the ball lay before the kick.
    """

    balls: list[tuple[Detection, Guess]] = field(default_factory=list)
    elsewhere: list[float] = field(default_factory=list)
    ground: list[float] = field(default_factory=list)
    left: list[float] = field(default_factory=list)


def _true_ball(told: dict[str, Any]) -> Guess | None:
    x, y, long, short = told["outline_px"]
    return None if x is None or long is None else (x, y, float(np.sqrt(long * short)))


@cache
def looks(name: str) -> Looks:
    """Read the network all over the first shot of a sample clip."""
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text(encoding="utf-8"))
    kick_s = truth["shots"][0]["kick_time_s"]
    out, rng, motion = Looks(), np.random.default_rng(3), MotionWatcher()
    settled: BackgroundModel | None = None
    lay: Guess | None = None
    with open_clip(CLIPS / f"{name}.mp4") as clip:
        for frame, told in zip(clip.frames(), truth["frames"], strict=False):
            if frame.time_s > kick_s + AFTER_S:
                break
            small = small_frame(frame)
            settled = settled or BackgroundModel(frame, small)
            blobs = motion.update(small, settled).blobs
            ball = _true_ball(told)
            if ball is not None and frame.time_s > kick_s - BEFORE_S:
                lay = ball if frame.time_s < kick_s - 0.1 else lay
                things = [(b.x_px, b.y_px, b.size_px) for b in blobs]
                others = [t for t in things if _far(t, ball)]
                pair = (small.halvings, settled.native)
                if told["visible"] > 0.8:
                    _read_ball(out, pair, ball, rng)
                out.elsewhere += _scores(pair, others)
                out.ground += _scores(pair, _bare(frame.luma.shape, ball, things, rng))
                if lay is not None and _far(lay, ball) and frame.time_s > kick_s:
                    out.left += _scores(pair, [lay])
            settled.update(frame, small)
    return out


def _far(place: Guess, ball: Guess) -> bool:
    return float(np.hypot(place[0] - ball[0], place[1] - ball[1])) > 1.2 * max(place[2], ball[2])


def _read_ball(
    out: Looks, pair: tuple[Halvings, Halvings], ball: Guess, rng: np.random.Generator
) -> None:
    off = rng.uniform(-0.25, 0.25, 2) * ball[2]
    guess = (ball[0] + off[0], ball[1] + off[1], ball[2] * float(np.exp(rng.uniform(-0.5, 0.5))))
    out.balls.append((measure_balls(*pair, [guess], 0.0)[0], ball))


def _scores(pair: tuple[Halvings, Halvings], guesses: list[Guess]) -> list[float]:
    return [r.ball_score for r in measure_balls(*pair, guesses, 0.0)]


def _bare(
    shape: tuple[int, ...], ball: Guess, things: list[Guess], rng: np.random.Generator
) -> list[Guess]:
    """Two places in the lower half of the picture where nothing moves and no ball is."""
    size = ball[2]
    places = [
        (float(rng.uniform(0, shape[1])), float(rng.uniform(0.55, 1) * shape[0]), size)
        for _ in range(2)
    ]
    return [p for p in places if all(_far(p, other) for other in [ball, *things])]


def _errors(name: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Centre (n, 2) in diameters and size (n,) as log, of the balls that were found."""
    found = [(r, b) for r, b in looks(name).balls if r.ball_score > 0.5]
    off = np.array([((r.x_px - b[0]) / b[2], (r.y_px - b[1]) / b[2]) for r, b in found])
    return off, np.array([np.log(r.diameter_px / b[2]) for r, b in found])


def test_any_batch_gives_the_same_answers() -> None:
    windows = np.random.default_rng(5).integers(0, 256, (8, 6, SIDE, SIDE), dtype=np.uint8)
    whole = run_network(windows)
    assert whole.shape == (8, 6)
    for count in (1, 3, 8, 2):
        np.testing.assert_allclose(run_network(windows[:count]), whole[:count], atol=1e-4)


def test_windows_are_even_and_hold_the_guess() -> None:
    for x, y, size in ((100.3, 57.9, 21.7), (3.0, 2.0, 9.0), (640.5, 360.5, 133.0)):
        window = window_round(x, y, size)
        assert window.x0 % 2 == window.y0 % 2 == window.side % 2 == 0
        assert abs(window.x0 + (window.side - 1) / 2 - x) <= 1.0
        assert abs(window.y0 + (window.side - 1) / 2 - y) <= 1.0


@pytest.mark.parametrize("name", NAMES)
def test_every_ball_in_view_is_found(name: str) -> None:
    scores = [r.ball_score for r, _ in looks(name).balls]
    assert len(scores) > 60
    assert np.mean(np.array(scores) > 0.5) > 0.97  # measured: all of them


@pytest.mark.parametrize("name", NAMES)
def test_balls_are_measured(name: str) -> None:
    off, grow = _errors(name)
    assert np.median(np.hypot(*off.T)) < 0.03  # measured: 0.008 to 0.018 diameters
    assert np.quantile(np.hypot(*off.T), 0.95) < 0.06  # measured: 0.016 to 0.033
    assert abs(np.median(grow)) < 0.03  # measured: -1.9 to +0.8 %
    assert np.quantile(np.abs(grow), 0.95) < 0.07  # measured: 2.4 to 4.3 %


@pytest.mark.parametrize("name", NAMES)
def test_errors_are_of_the_size_that_is_told(name: str) -> None:
    # A normal distribution has 95 % within two sigma; errors of one clip hang together.
    found = [(r, b) for r, b in looks(name).balls if r.ball_score > 0.5]
    size = [abs(r.diameter_px - b[2]) / r.diameter_sigma_px for r, b in found]
    centre = [abs(r.x_px - b[0]) / r.sigma_px for r, b in found]
    centre += [abs(r.y_px - b[1]) / r.sigma_px for r, b in found]
    assert np.mean(np.array(size) < 2) > 0.8  # measured: 91 to 100 %
    assert np.mean(np.array(centre) < 2) > 0.65  # measured: 78 to 98 %
    assert np.mean(np.array(centre) < 4) > 0.95


@pytest.mark.parametrize("name", NAMES)
def test_heads_and_limbs_are_no_balls(name: str) -> None:
    scores = np.array(looks(name).elsewhere)
    assert len(scores) > 100
    assert np.mean(scores > 0.5) < 0.03  # measured: 0.3 to 1.2 %
    assert np.mean(scores > 0.8) < 0.015  # measured: 0 to 0.4 %


@pytest.mark.parametrize("name", NAMES)
def test_bare_ground_is_no_ball(name: str) -> None:
    scores = np.array(looks(name).ground)
    assert len(scores) > 100
    assert np.mean(scores > 0.5) < 0.02  # measured: none


@pytest.mark.parametrize("name", NAMES)
def test_where_a_ball_lay_is_no_ball_any_more(name: str) -> None:
    scores = np.array(looks(name).left)
    assert len(scores) > 20
    assert np.mean(scores > 0.5) < 0.1  # measured: none
