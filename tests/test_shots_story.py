"""One story of the ball: pairings against plain enumeration, and what follows what on made-up ways.

Records are simulated by closed forms and OpenCV's camera (`record_simulation`).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from ball_pictures import F64
from record_simulation import (
    CAMERA,
    DIAMETER_M,
    LINE_Y_M,
    RADIUS_M,
    SETTLES_S,
    SPOT,
    Ball,
    record_of,
    shot_velocity,
)
from shoegoal.scene.goal import GoalFrame
from shoegoal.shots import story as room
from shoegoal.shots.rebounds import NEVER, Between, link_scores
from shoegoal.shots.runs import Run, runs_of
from shoegoal.shots.segments import segments_of
from shoegoal.shots.story import Story, matchings, tell_story
from shoegoal.shots.weights import shipped_weights

GOAL = GoalFrame((-1.2 + SPOT[0], LINE_Y_M), (1.2 + SPOT[0], LINE_Y_M))


def enumerated(scores: F64) -> F64:
    """Marginals by writing every way to pair rows with columns down."""
    n, m = scores.shape
    pairs, whole = np.zeros((n, m)), 0.0
    for choice in product(range(m + 1), repeat=n):  # m: the row is left alone
        taken = [j for j in choice if j < m]
        if len(set(taken)) < len(taken):
            continue
        weight = float(np.exp(sum(scores[i, j] for i, j in enumerate(choice) if j < m)))
        whole += weight
        for i, j in enumerate(choice):
            if j < m:
                pairs[i, j] += weight
    p = pairs / whole
    return np.vstack([p, 1 - p.sum(axis=0)])


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (4, 3), (4, 4), (5, 4), (2, 13)])
def test_pairings_are_weighed_as_by_plain_enumeration(shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(shape)
    for spread in (1.0, 4.0):
        scores = np.clip(rng.normal(0.0, spread, shape), -11.0, None)
        scores[rng.random(shape) < 0.2] = NEVER
        found = matchings(scores)
        possible = np.where(scores <= NEVER / 2, -np.inf, scores)
        assert found == pytest.approx(enumerated(possible), abs=1e-9)


def test_pairings_that_do_not_touch_one_another_are_weighed_apart() -> None:
    rng = np.random.default_rng(3)
    scores = np.full((30, 30), NEVER)
    for k in range(0, 30, 3):
        scores[k : k + 3, k : k + 3] = rng.normal(0, 2, (3, 3))
    found = matchings(scores)
    for k in range(0, 30, 3):
        assert found[k : k + 3, k : k + 3] == pytest.approx(
            enumerated(scores[k : k + 3, k : k + 3])[:-1], abs=1e-9
        )


def test_belief_propagation_is_near_the_exact_weights(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where each end has a few beginnings that compete, as in a clip."""
    off = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        scores = np.full((12, 12), NEVER)
        for k in range(12):
            for j in range(max(0, k - 1), min(12, k + 3)):
                scores[k, j] = rng.normal(-1.0, 3.0)
        propagated = matchings(scores)
        with monkeypatch.context() as more:
            more.setattr(room, "EXACT_UP_TO", 12)
            exact = matchings(scores)
        for p in (propagated, exact):
            assert p.min() >= -1e-9
            assert p[:-1].sum(axis=1).max() <= 1 + 1e-9
            assert p.sum(axis=0) == pytest.approx(np.ones(12))
        off.append(np.abs(propagated - exact))
    assert np.max(off) < 0.12
    assert np.mean(off) < 0.01


def told(*balls: Ball, seconds: float, **how: object) -> Story:
    """The story of these balls, on the true ground."""
    record = record_of(*balls, seconds=seconds, **how)  # type: ignore[arg-type]
    weights = shipped_weights()
    return tell_story(
        segments_of(CAMERA, DIAMETER_M, record.tracks, record.resting, weights), weights
    )


def near(story: Story, time_s: float) -> Run:
    """The likeliest run that begins about then."""
    return max(
        (r for r in runs_of(story) if abs(r.start_s - time_s) < 0.5), key=lambda r: r.p_begins
    )


def end_y_m(run: Run) -> float:
    """How far a run got past the goal line (negative) or short of it."""
    return float(run.trajectory_m(GOAL)[1][-1, 1])


def test_a_ball_is_in_one_place_and_comes_from_one() -> None:
    kicks = Ball().kick(2.0, shot_velocity(0.3)).fetch(9.6).kick(11.0, shot_velocity(-0.4))
    other = Ball((-1.5, 6.0)).kick(5.0, (0.4, -2.0, 0.0))
    story = told(kicks, other, seconds=18.0, clutter=8)
    n = len(story.segments)
    assert story.follows.shape == (n + 1, n)
    assert story.follows.min() >= -1e-9
    assert story.follows[:-1].sum(axis=1).max() <= 1 + 1e-9
    assert story.follows.sum(axis=0) == pytest.approx(np.ones(n))
    paired = story.follows[:-1] > 1e-6
    assert story.between.sum(axis=2)[paired] == pytest.approx(np.ones(int(paired.sum())))


def test_what_lies_gives_no_speed_and_what_stays_is_one_stay() -> None:
    """Seen to come, seen to be about to leave, and followed as it left: one ball that lay there."""
    ball = Ball().kick(2.0, shot_velocity(0.3)).fetch(9.6).kick(14.0, shot_velocity(0.2))
    story = told(ball, seconds=18.0)
    lying = [s for s in story.segments if s.lies]
    at_spot = [
        s for s in lying
        if np.hypot(*(s.stretch.centre_m([s.start_s])[0, :2] - np.array(SPOT))) < 0.4
    ]  # fmt: skip
    assert len(at_spot) == 2  # before the first kick, and between the two
    assert at_spot[1].start_s == pytest.approx(9.6 + SETTLES_S, abs=0.3)
    assert 13.0 < at_spot[1].end_s < 14.1
    for i, segment in enumerate(story.segments):
        if segment.lies:
            assert not (story.follows[i] * story.between[i, :, Between.MET]).max() > 1e-9


@pytest.mark.parametrize("side_m", [0.2, -1.8])
def test_a_kick_is_a_run_from_where_the_ball_lay_at_its_time(side_m: float) -> None:
    story = told(Ball().kick(3.0, shot_velocity(side_m)), seconds=9.0, clutter=3)
    run = near(story, 3.0)
    assert run.start_s == pytest.approx(3.0, abs=0.05)
    assert run.p_begins > 0.95
    assert run.before is not None and run.before.lies
    assert end_y_m(run) < -3.0
    sure = [r for r in runs_of(story, 0.5) if r.ball_log_odds > 2]
    assert len(sure) == 1


def test_a_ball_that_lay_in_the_background_alone_was_kicked_when_its_way_began() -> None:
    """The kicker hides the start: the way, followed back, meets the place between two pictures."""
    story = told(Ball().kick(3.0, shot_velocity(0.2)), seconds=8.0, hidden_s=[(0.0, 3.25)])
    run = near(story, 3.0)
    assert run.before is not None and run.before.lies
    assert run.start_s == pytest.approx(3.0, abs=0.05)


@pytest.mark.parametrize("hidden_s", [(3.4, 3.8), (3.3, 4.0)])
def test_a_ball_that_runs_on_behind_a_person_is_one_run(hidden_s: tuple[float, float]) -> None:
    story = told(Ball().kick(3.0, shot_velocity(0.3)), seconds=9.0, hidden_s=[hidden_s])
    assert len({s.track for s in story.segments if s.track >= 0}) == 2
    run = near(story, 3.0)
    assert end_y_m(run) < -3.0
    assert all(chance > 0.9 for chance in run.chances)
    assert not any(run.met)
    assert sum(r.p_begins for r in runs_of(story, 0.5)) < 1.5


def test_a_ball_that_dies_and_is_tapped_on_is_two_runs() -> None:
    """It stops 0.8 m before the line (v^2 = 2 a s), lies for two seconds and is tapped over it."""
    loss = 2.0
    speed = float(np.sqrt(2 * loss * (LINE_Y_M - SPOT[1] - 0.8)))
    ball = Ball().kick(3.0, (0.0, speed, 0.0), loss)
    ball.kick(3.0 + speed / loss + 2.0, (0.1, 2.5, 0.0))
    story = told(ball, seconds=12.0)
    run = near(story, 3.0)
    assert end_y_m(run) == pytest.approx(0.8, abs=0.25)
    tapped = near(story, 3.0 + speed / loss + 2.0)
    assert end_y_m(tapped) < -RADIUS_M
    assert tapped.p_begins > 0.9
    assert tapped.before is not None and tapped.before.lies
    assert not set(run.numbers) & set(tapped.numbers) - {run.numbers[-1]}


def test_a_ball_that_comes_back_from_a_wall_is_the_same_run() -> None:
    story = told(Ball().kick(3.0, shot_velocity(0.2), 0.8, wall_y_m=LINE_Y_M + 2.5), seconds=10.0)
    run = near(story, 3.0)
    assert any(run.met)
    times, way, _ = run.trajectory_m(GOAL)
    assert way[:, 1].min() == pytest.approx(-2.5 + RADIUS_M, abs=0.3)
    assert times[-1] > 4.5


def test_a_ball_passed_back_starts_where_it_was_passed_from() -> None:
    ball = Ball().kick(3.0, shot_velocity(0.1), 2.5).kick(9.0, (0.0, -3.0, 0.0), 0.8)
    story = told(ball, seconds=16.0)
    back = near(story, 9.0)
    assert back.p_begins > 0.9
    start = back.trajectory_m(GOAL)[1][0]
    assert start[1] < LINE_Y_M - SPOT[1] - 1.5  # far from the kick spot


def test_no_ball_has_no_story() -> None:
    story = tell_story([], shipped_weights())
    assert story.follows.shape == (1, 0)
    assert runs_of(story) == []


def test_a_ball_that_seemed_to_leave_was_hidden_the_likelier_the_sooner_it_shows_again() -> None:
    """Whatever stands before a ball looks like a ball that has left; nobody stands there long."""
    story = told(Ball().kick(12.0, shot_velocity(0.3)), seconds=16.0)
    way = near(story, 12.0).segments[0]
    stay = next(s for s in story.segments if s.lies and s.start_s < way.start_s)
    odds = []
    for gap_s in (0.5, 2.0, 6.0, 11.0):
        left_s = way.start_s - gap_s
        seemed = replace(stay, start_s=0.0, end_s=left_s - 0.2, latest_s=left_s, left_s=left_s)
        scores, joints_s = link_scores(seemed, way, shipped_weights())
        odds.append(scores[Between.KICKED])
        assert joints_s[Between.KICKED] == pytest.approx(12.0, abs=0.05)
    assert odds == sorted(odds, reverse=True)
    assert odds[0] - odds[-1] > 2
