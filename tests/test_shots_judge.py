"""From what the ball floor notes to judged shots, on kicks that are simulated by numbers.

Each kick is stepped by plain mechanics and drawn through OpenCV's camera (kick_simulation).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ball_pictures import F64
from kick_simulation import (
    CAMERA,
    DIAMETER_M,
    HALF_M,
    LINE_Y_M,
    RADIUS_M,
    SPOT,
    WAY_M,
    Kicked,
    fitted_scene,
    kicks_on,
    left_of,
    record_of,
    shot,
    track_of,
)
from scene_simulation import ball_disc
from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord, Departure
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.judge import judge_kicks
from shoegoal.shots.kicks import find_kicks
from shoegoal.shots.places import on_the_ground
from shoegoal.shots.readings import Kick
from shoegoal.types import BallSighting, Call, Outcome


def stopping(before_line_m: float, number: int, loss: float = 2.0) -> Kicked:
    """A straight kick that comes to rest with its centre this far before the line."""
    return shot(0.0, number, float(np.sqrt(2 * loss * (WAY_M - before_line_m))), loss)


def kicks_in(record: BallRecord) -> list[Kick]:
    return find_kicks(record, CAMERA, DIAMETER_M)


@pytest.fixture(scope="module")
def scene() -> SceneFit:
    return fitted_scene()


def test_kicks_are_found_at_their_times_and_places() -> None:
    kicked = [shot(0.2, 0), shot(-0.7, 1, 5.0), shot(0.9, 2, 9.0)]
    kicks = kicks_in(record_of(*kicked))
    assert len(kicks) == 3
    for kick, truth in zip(kicks, kicked, strict=True):
        assert kick.time_s == pytest.approx(truth.kick_s, abs=0.05)
        assert kick.earliest_s <= kick.time_s <= kick.latest_s
        assert kick.rest is not None and kick.flight is not None
        assert kick.flight.speed_mps()[0] == pytest.approx(np.hypot(*truth.velocity[:2]), rel=0.06)


def test_makes_and_misses_are_told_with_their_places(scene: SceneFit) -> None:
    sides = [0.2, -1.9, 0.6, 1.9, -0.5]
    shots, left_out = judge_kicks(
        kicks_on(record_of(*(shot(x, k) for k, x in enumerate(sides))), scene), scene
    )
    assert left_out == []
    assert [s.number for s in shots] == [1, 2, 3, 4, 5]
    assert [s.call for s in shots] == [Call.MAKE, Call.MISS, Call.MAKE, Call.MISS, Call.MAKE]
    assert [s.outcome for s in shots] == [
        Outcome.INSIDE, Outcome.WIDE_LEFT, Outcome.INSIDE, Outcome.WIDE_RIGHT, Outcome.INSIDE,
    ]  # fmt: skip
    for judged, side in zip(shots, sides, strict=True):
        assert judged.crossing_x_m is not None
        assert abs(judged.crossing_x_m.value - side) <= max(3 * judged.crossing_x_m.sigma, 0.15)
        assert judged.kick_spot_m == pytest.approx((0.0, WAY_M), rel=0.12, abs=0.15)
        assert judged.speed_mps is not None
        assert abs(judged.speed_mps.value - 6.5 * np.hypot(1, side / WAY_M)) <= (
            3 * judged.speed_mps.sigma
        )
        assert judged.reason
    assert "left" in shots[1].reason and "right" in shots[3].reason


def test_a_ball_that_stops_before_the_line_is_a_miss(scene: SceneFit) -> None:
    kicks = kicks_on(record_of(stopping(1.2, 0), seconds=2.4), scene)
    (only,), _ = judge_kicks(kicks, scene)
    assert (only.call, only.outcome) == (Call.MISS, Outcome.SHORT)
    assert only.crossing_x_m is None and only.crossing_time_s is None


@pytest.mark.parametrize("past_m", [-RADIUS_M, 0.0, RADIUS_M])
def test_a_ball_that_stops_on_the_line_is_never_a_sure_make(scene: SceneFit, past_m: float) -> None:
    """Law 10 (from memory) wants the whole ball over: on the line a person has to look."""
    kicks = kicks_on(record_of(stopping(-past_m, 0), seconds=3.0), scene)
    (only,), _ = judge_kicks(kicks, scene)
    assert only.call is not Call.MAKE
    assert only.p_make < 0.9


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("over_m", [-0.03, 0.0, 0.03])
def test_a_ball_at_the_marker_is_left_to_a_person(
    scene: SceneFit, side: int, over_m: float
) -> None:
    """Where the ball's side meets the marker's inner base, neither call may be sure."""
    edge = side * (HALF_M - RADIUS_M + over_m)
    (only,), _ = judge_kicks(kicks_on(record_of(shot(edge, 0)), scene), scene)
    assert only.call is Call.UNSURE
    assert ("left" if side < 0 else "right") in only.reason


def test_a_tap_is_left_to_a_person(scene: SceneFit) -> None:
    (only,), _ = judge_kicks(kicks_on(record_of(shot(0.0, 0, 1.9), seconds=1.5), scene), scene)
    assert only.call is Call.UNSURE
    assert only.outcome is Outcome.SHORT


def test_a_ball_that_left_and_was_not_seen_again_is_kept_as_unsure(scene: SceneFit) -> None:
    record = record_of(shot(0.2, 0))
    gone = left_of(shot(0.0, 2), 5)
    record.resting.append(gone)
    shots, _ = judge_kicks(kicks_on(record, scene), scene)
    assert [s.call for s in shots] == [Call.MAKE, Call.UNSURE]
    assert shots[1].outcome is Outcome.NOT_SEEN and shots[1].p_make == 0.5
    assert gone.before_s <= shots[1].kick_time_s <= gone.after_s


def test_a_ball_put_straight_by_foot_is_no_kick() -> None:
    left = left_of(shot(0.0, 0), 1)
    back = RestingBall(
        replace(left.sighting, x_px=left.sighting.x_px + 0.8 * left.sighting.diameter_px),
        left.before_s + 0.3, left.after_s + 0.3, arrived=True, ball_score=0.9,
    )  # fmt: skip
    record = BallRecord()
    record.resting.extend([left, back])
    assert kicks_in(record) == []


def with_play(*others: tuple[BallTrack, RestingBall | None]) -> BallRecord:
    """Two shots at the goal, and other play between and after them."""
    record = record_of(shot(0.2, 0), shot(-0.4, 4))
    for track, rest in others:
        record.departures.append(Departure(track, rest))
        if rest is not None:
            record.resting.append(rest)
    return record


def only_the_shots(record: BallRecord, scene: SceneFit) -> None:
    shots, left_out = judge_kicks(kicks_on(record, scene), scene)
    assert [round(s.kick_time_s, 1) for s in shots] == [1.5, 49.5]
    assert all(s.call is Call.MAKE for s in shots)
    assert all(left.why for left in left_out)


def test_a_ball_rolled_back_is_not_a_shot(scene: SceneFit) -> None:
    back = Kicked((-0.2, -3.5, 0.0), 0.8, (0.6, LINE_Y_M + 0.6), 20.0)
    only_the_shots(with_play((track_of(back.sightings(3, 1.2)), left_of(back, 3))), scene)
    only_the_shots(with_play((track_of(back.sightings(3, 1.2)), None)), scene)


def test_a_kick_the_other_way_or_to_the_side_is_not_a_shot(scene: SceneFit) -> None:
    for velocity in ((4.0, 0.4, 0.0), (-3.0, 1.0, 0.0)):
        aside = Kicked(velocity, 1.0, SPOT, 20.0)
        only_the_shots(with_play((track_of(aside.sightings(3, 0.5)), left_of(aside, 3))), scene)


@pytest.mark.parametrize("start", [(4.2, 6.0), (-3.4, 5.0), (0.5, 6.8)])
def test_play_far_from_the_kick_spot_is_not_a_shot(
    scene: SceneFit, start: tuple[float, float]
) -> None:
    towards = np.array([0.3, LINE_Y_M]) - start
    vx, vy = 5.0 * towards / np.hypot(*towards)
    other = Kicked((float(vx), float(vy), 0.0), 1.0, start, 20.0)
    only_the_shots(with_play((track_of(other.sightings(3, 0.6)), left_of(other, 3))), scene)


def test_a_dribble_back_is_not_a_shot(scene: SceneFit) -> None:
    """Touches of 1 to 2 m/s from behind the goal to the kick spot, one every 0.7 s."""
    others: list[tuple[BallTrack, RestingBall | None]] = []
    y = LINE_Y_M + 1.0
    for k in range(8):
        touch = Kicked((0.1 * (-1) ** k, -1.6, 0.0), 1.6, (0.5, y), 20.0 + 0.8 * k)
        others.append((track_of(touch.sightings(k, 0.6)), None))
        y -= 0.7
    only_the_shots(with_play(*others), scene)


def juggled(seed: int, place: tuple[float, float]) -> list[BallSighting]:
    """A ball kept up: parabolas of 0.6 m between touches at knee height, hardly any way."""
    rng = np.random.default_rng(seed)
    times = 20.0 + np.arange(0, 4.2, 1 / 30)
    hop_s = 2 * np.sqrt(2 * 0.6 / 9.81)
    found = []
    for time in times:
        within = (time - 20.0) % hop_s
        up = 0.5 + np.sqrt(2 * 9.81 * 0.6) * within - 0.5 * 9.81 * within**2
        centre: F64 = np.array([place[0] + 0.1 * np.sin(time), place[1], up])
        (x, y), size = ball_disc(CAMERA, centre, DIAMETER_M)
        x, y = np.array([x, y]) + rng.normal(0, 0.5, 2)
        found.append(BallSighting(float(time), float(x), float(y), size, 0.5, 1.0))
    return found


@pytest.mark.parametrize("place", [(0.4, 3.2), (-0.8, 4.5), (1.5, 6.0)])
def test_juggling_is_not_a_shot(scene: SceneFit, place: tuple[float, float]) -> None:
    whole = juggled(1, place)
    only_the_shots(with_play((track_of(whole), None)), scene)
    hop = round(2 * np.sqrt(2 * 0.6 / 9.81) * 30)
    pieces = [whole[k : k + hop] for k in range(0, len(whole) - hop, hop)]
    only_the_shots(with_play(*((track_of(piece), None) for piece in pieces)), scene)


def test_a_head_is_too_big_for_a_ball_on_the_ground() -> None:
    """Something round and moving at head height does not have the size of a ball lying there."""
    kicked = shot(0.0, 0)
    sightings = [replace(s, diameter_px=1.7 * s.diameter_px) for s in kicked.sightings(1, 1.0)]
    rest = left_of(kicked, 1)
    big = replace(
        rest, sighting=replace(rest.sighting, diameter_px=1.7 * rest.sighting.diameter_px)
    )
    record = BallRecord()
    record.departures.append(Departure(track_of(sightings), big))
    record.resting.append(big)
    assert all(k.rest is None for k in kicks_in(record))
    assert [k for k in kicks_in(record) if k.flight and k.flight.rms_sigmas < 1.5] == []


def test_on_the_ground_goes_by_the_size_there() -> None:
    for place in (SPOT, (1.4, 6.0), (-1.0, 9.0)):
        (x, y), size = ball_disc(CAMERA, np.array([*place, RADIUS_M]), DIAMETER_M)
        lying = BallSighting(0.0, float(x), float(y), size, 0.4, 0.02 * size)
        assert on_the_ground(CAMERA, DIAMETER_M, lying)
        assert not on_the_ground(CAMERA, DIAMETER_M, replace(lying, diameter_px=1.5 * size))
        assert not on_the_ground(CAMERA, DIAMETER_M, replace(lying, diameter_px=size / 1.5))
    sky = BallSighting(0.0, 640.0, 60.0, 40.0, 0.4, 0.8)
    assert not on_the_ground(CAMERA, DIAMETER_M, sky)


def test_no_record_no_kicks(scene: SceneFit) -> None:
    assert kicks_in(BallRecord()) == []
    assert judge_kicks([], scene) == ([], [])
