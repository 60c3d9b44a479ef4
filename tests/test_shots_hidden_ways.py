"""Kicks that are hidden in part: what is read of them, and what is left to look at.

Ways are stepped by plain numbers and drawn through OpenCV's camera (`kick_simulation`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ball_pictures import Canvas, Yard, uneven_times, watch
from kick_simulation import (
    CAMERA,
    DIAMETER_M,
    LINE_Y_M,
    RADIUS_M,
    SPOT,
    Kicked,
    fitted_scene,
    kicks_on,
    left_of,
    shot,
    track_of,
)
from scene_simulation import ball_disc
from shoegoal.ball.flight import fit_flight
from shoegoal.ball.sightings import RestingBall
from shoegoal.ball.watch import BallRecord, Departure
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.judge import judge_kicks
from shoegoal.types import BallSighting, Call, Outcome


@pytest.fixture(scope="module")
def scene() -> SceneFit:
    return fitted_scene()


def place_at(x_m: float, y_m: float, time_s: float) -> BallSighting:
    (x, y), size = ball_disc(CAMERA, np.array([x_m, y_m, RADIUS_M]), DIAMETER_M)
    return BallSighting(time_s, float(x), float(y), size, 0.3, 0.5, at_rest=True)


def test_a_ball_left_when_it_did_though_legs_stand_there_for_a_while() -> None:
    """Legs that stay long enough settle, too; they leave later than the ball."""

    def paint(time_s: float, canvas: Canvas) -> None:
        if time_s < 2.0:
            canvas.ball(320.0, 200.0, 26.0)
        elif time_s < 3.1:
            canvas.box((295, 90, 345, 225))

    record = watch(Yard(paint), 6.0)
    left = [r for r in record.resting if not r.arrived and abs(r.sighting.x_px - 320) < 3]
    assert len(left) == 1
    assert left[0].before_s <= 2.0 <= left[0].after_s


def test_a_flight_is_none_that_comes_from_elsewhere() -> None:
    kicked = shot(0.3, 0)
    seen = kicked.sightings(1, 0.8)
    window = (kicked.kick_s - 0.5, seen[0].time_s)
    assert fit_flight(CAMERA, DIAMETER_M, seen, kicked.rest(1), window) is not None
    elsewhere = place_at(2.6, 4.0, kicked.kick_s - 0.5)
    assert fit_flight(CAMERA, DIAMETER_M, seen, elsewhere, window) is None


def test_a_thing_by_the_way_is_not_where_the_ball_was_kicked_from(scene: SceneFit) -> None:
    kicked = shot(0.2, 0)
    seen = kicked.sightings(0, 0.7, first_s=0.35)
    first = seen[0].time_s
    x, y, _ = kicked.centres(np.array([first - 0.05]))[0]
    by_the_way = RestingBall(place_at(x, y, first - 0.2), first - 0.2, first + 2, False, 0.97)
    true_rest = left_of(kicked, 0)
    record = BallRecord([Departure(track_of(seen), by_the_way)], [by_the_way, true_rest])
    (only,), _ = judge_kicks(kicks_on(record, scene), scene)
    assert only.call is Call.MAKE
    assert only.kick_time_s == pytest.approx(kicked.kick_s, abs=0.1)
    assert only.kick_spot_m is not None
    assert only.kick_spot_m[1] == pytest.approx(LINE_Y_M - SPOT[1], abs=0.4)


def test_one_ball_leaves_its_place_once(scene: SceneFit) -> None:
    """What comes to sight a second after a shot is that ball further on, not another from there."""
    kicked = shot(0.2, 0)
    rest = left_of(kicked, 0)
    again = Kicked((4.0, 14.0, 0.0), 1.0, SPOT, kicked.kick_s + 1.0)
    tracks = (kicked.sightings(0, 0.7), again.sightings(1, 0.4, first_s=0.3))
    record = BallRecord([Departure(track_of(seen), rest) for seen in tracks], [rest])
    (only,), _ = judge_kicks(kicks_on(record, scene), scene)
    assert only.call is Call.MAKE
    assert only.kick_time_s == pytest.approx(kicked.kick_s, abs=0.1)


@pytest.mark.parametrize("strays", [1, 0])
def test_a_first_sighting_of_the_foot_does_not_lose_the_kick(scene: SceneFit, strays: int) -> None:
    kicked = shot(-0.3, 0)
    seen = kicked.sightings(7, 0.8, first_s=0.15)
    foot = replace(place_at(SPOT[0] + 0.6, SPOT[1] + 0.3, seen[0].time_s - 0.1), at_rest=False)
    rest = left_of(kicked, 7)
    record = BallRecord([Departure(track_of([foot] * strays + seen), rest)], [rest])
    (only,), _ = judge_kicks(kicks_on(record, scene), scene)
    assert only.call is Call.MAKE
    assert only.kick_time_s == pytest.approx(kicked.kick_s, abs=0.1)


def hidden_in_the_middle(side_m: float, drift_diameters: float) -> BallRecord:
    """A shot half of which is seen beside a leg and drifts off, the rest of it whole."""
    kicked = shot(side_m, 0)
    early = kicked.sightings(2, 0.3, first_s=0.06)
    step = drift_diameters / len(early)
    drawn = [
        replace(s, x_px=s.x_px + step * k * s.diameter_px) for k, s in enumerate(early, start=1)
    ]
    late = kicked.sightings(3, 0.6, first_s=0.55)
    rest = left_of(kicked, 2)
    return BallRecord(
        [Departure(track_of(drawn), rest), Departure(track_of(late, 0.99), None)], [rest]
    )


@pytest.mark.parametrize(("side_m", "call"), [(-1.9, Call.MISS), (-0.5, Call.MAKE)])
def test_a_flight_goes_on_where_the_ball_comes_out_from_behind_its_kicker(
    scene: SceneFit, side_m: float, call: Call
) -> None:
    (only,), _ = judge_kicks(kicks_on(hidden_in_the_middle(side_m, 0.9), scene), scene)
    assert only.call is call
    assert only.crossing_x_m is not None
    assert only.crossing_x_m.value == pytest.approx(side_m, abs=0.15)


def test_another_balls_flight_is_not_joined_on(scene: SceneFit) -> None:
    """What was struck at another moment is another kick: the first is not called by it."""
    record = hidden_in_the_middle(0.0, 0.0)
    other = Kicked((2.0, 6.0, 0.0), 1.0, SPOT, shot(0.0, 0).kick_s + 0.35)
    record.departures[1] = Departure(track_of(other.sightings(4, 0.6, first_s=0.4), 0.99), None)
    shots, _ = judge_kicks(kicks_on(record, scene), scene)
    first = shots[0]
    assert first.call is Call.UNSURE or abs(first.crossing_x_m.value) < 0.3  # type: ignore[union-attr]


def stopped(scene: SceneFit, size: float, *others: Departure) -> tuple[Call, Outcome]:
    """A ball that seems to stop 2 m before the line, its last discs so many times too large."""
    loss = 4.0
    kicked = shot(0.0, 0, float(np.sqrt(2 * loss * (LINE_Y_M - SPOT[1] - 2.0))), loss)
    seen = kicked.sightings(5, 2.4)
    still_s = kicked.kick_s + kicked.velocity[1] / loss - 0.3
    seen = [replace(s, diameter_px=size * s.diameter_px) if s.time_s > still_s else s for s in seen]
    rest = left_of(kicked, 5)
    record = BallRecord([Departure(track_of(seen), rest), *others], [rest])
    shots, _ = judge_kicks(kicks_on(record, scene), scene)
    return shots[0].call, shots[0].outcome


def test_a_stop_is_believed_of_a_ball_on_the_ground_alone(scene: SceneFit) -> None:
    assert stopped(scene, 1.0) == (Call.MISS, Outcome.SHORT)
    assert stopped(scene, 1.7)[0] is not Call.MISS  # a back, nearer to the camera


def test_a_stop_is_not_believed_when_a_ball_soon_moves_on_from_elsewhere(scene: SceneFit) -> None:
    times = uneven_times(2.0, shot(0.0, 0).kick_s + 2.4 + 0.05, 6)
    rolling = [
        replace(place_at(1.6, LINE_Y_M - 0.5 - 0.8 * (t - times[0]), t), at_rest=False)
        for t in times.tolist()
    ]
    back = Departure(track_of(rolling, 0.98), None)
    assert stopped(scene, 1.0, back)[0] is Call.UNSURE
