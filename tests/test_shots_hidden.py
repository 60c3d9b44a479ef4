"""Kicks of which the kicker hid a part: found from what is left, or asked about, never lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kick_simulation import (
    LINE_Y_M,
    SPOT,
    Kicked,
    fitted_scene,
    kicks_on,
    left_of,
    record_of,
    shot,
    track_of,
)
from shoegoal.ball.departures import departure_of
from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord, Departure
from shoegoal.scene.fit import SceneFit
from shoegoal.shots.judge import judge_kicks
from shoegoal.types import BallSighting, Call, Shot


@pytest.fixture(scope="module")
def scene() -> SceneFit:
    return fitted_scene()


def shots_of(record: BallRecord, scene: SceneFit) -> list[Shot]:
    return judge_kicks(kicks_on(record, scene), scene)[0]


def foot_before(kicked: Kicked, seconds: float) -> list[BallSighting]:
    """A foot that comes to the ball from the kicker's side, as a ball-sized thing."""
    rest = kicked.rest(1)
    times = np.arange(kicked.kick_s - seconds, kicked.kick_s - 0.01, 1 / 30)
    return [
        replace(
            rest,
            time_s=float(t),
            x_px=rest.x_px + 300 * (kicked.kick_s - t),
            y_px=rest.y_px + 150 * (kicked.kick_s - t),
            at_rest=False,
        )
        for t in times
    ]


def test_a_track_that_begins_as_the_foots_shows_the_shot(scene: SceneFit) -> None:
    """The linker may pass from the foot to the ball at contact: what follows is the flight."""
    second = shot(0.4, 2)
    record = record_of(shot(-0.3, 0))
    seen = foot_before(second, 0.6) + second.sightings(3, 1.2, first_s=0.02)
    record.departures.append(Departure(track_of(seen), None))
    record.resting.append(replace(left_of(second, 3), before_s=second.kick_s - 0.1))
    shots = shots_of(record, scene)
    assert [s.call for s in shots] == [Call.MAKE, Call.MAKE]
    assert shots[1].kick_time_s == pytest.approx(second.kick_s, abs=0.1)
    assert shots[1].crossing_x_m is not None
    assert shots[1].crossing_x_m.value == pytest.approx(0.4, abs=0.15)


def test_a_ball_that_rolls_out_from_behind_the_kicker_is_asked_about(scene: SceneFit) -> None:
    hidden = shot(1.6, 2)
    record = record_of(shot(-0.3, 0))
    record.departures.append(
        Departure(track_of(hidden.sightings(3, 0.3, first_s=0.75), 0.99), None)
    )
    shots = shots_of(record, scene)
    assert len(shots) == 2 and shots[0].call is Call.MAKE
    assert shots[1].call is Call.UNSURE
    assert hidden.kick_s - 1.3 <= shots[1].kick_time_s <= hidden.kick_s + 0.8


def test_a_ball_lost_well_before_the_line_is_not_called(scene: SceneFit) -> None:
    """Somebody may have stopped it: a straight way to the goal is no proof that it got there."""
    blocked = shot(0.2, 2)
    record = record_of(shot(-0.3, 0))
    rest = left_of(blocked, 3)
    record.departures.append(Departure(track_of(blocked.sightings(3, 0.45)), rest))
    record.resting.append(rest)
    shots = shots_of(record, scene)
    assert [s.call for s in shots] == [Call.MAKE, Call.UNSURE]
    assert "lost" in shots[1].reason


def left_again(first: RestingBall, after_s: float) -> RestingBall:
    """The same place, seen again and left again so much later."""
    sighting = replace(first.sighting, time_s=first.before_s + after_s)
    return replace(
        first, sighting=sighting, before_s=first.before_s + after_s, after_s=first.after_s + after_s
    )


@pytest.mark.parametrize(("after_s", "asked"), [(1.2, 1), (6.0, 2)])
def test_a_ball_hidden_for_a_moment_did_not_leave(
    scene: SceneFit, after_s: float, asked: int
) -> None:
    record = record_of(shot(-0.3, 0))
    first = left_of(shot(0.0, 2), 5)
    record.resting += [first, left_again(first, after_s)]
    assert [s.call for s in shots_of(record, scene)] == [Call.MAKE] + asked * [Call.UNSURE]


def test_a_flight_from_elsewhere_is_no_excuse_for_a_ball_that_left(scene: SceneFit) -> None:
    """A ball carried behind the goal must not explain away the one that leaves the kick spot."""
    fetched = Kicked((3.0, -2.0, 0.0), 1.0, (0.2, LINE_Y_M + 1.5), shot(0.0, 2).kick_s - 1.5)
    record = record_of(shot(-0.3, 0))
    rest = left_of(fetched, 4)
    record.departures.append(Departure(track_of(fetched.sightings(4, 0.6)), rest))
    record.resting += [rest, left_of(shot(0.0, 2), 5)]
    assert [s.call for s in shots_of(record, scene)] == [Call.MAKE, Call.UNSURE]


def test_a_ball_lifted_from_its_place_was_not_kicked(scene: SceneFit) -> None:
    """Hands raise a ball; a kick sends it over the ground."""
    lifted = Kicked((0.1, 0.2, 3.0), 0.5, SPOT, shot(0.0, 2).kick_s)
    record = record_of(shot(-0.3, 0))
    rest = left_of(lifted, 3)
    record.departures.append(Departure(track_of(lifted.sightings(3, 0.5)), rest))
    record.resting.append(rest)
    calls = [s.call for s in shots_of(record, scene)]
    assert calls[0] is Call.MAKE
    assert set(calls[1:]) <= {Call.UNSURE}


def test_a_track_that_starts_on_the_place_is_that_balls_whenever_it_was_noticed() -> None:
    """Legs before an empty place make it look as if the ball still lay there."""
    kicked = shot(0.2, 0)
    seen = [replace(kicked.rest(1), time_s=kicked.kick_s - 0.05, at_rest=False)]
    track = BallTrack((*seen, *kicked.sightings(1, 0.6, first_s=0.02)), 0.97)
    late = replace(left_of(kicked, 1), before_s=kicked.kick_s + 0.4)
    assert departure_of(track, [late]) is late
    much_later = replace(late, before_s=kicked.kick_s + 3.0, after_s=kicked.kick_s + 5.0)
    assert departure_of(track, [much_later]) is None


def test_a_stop_where_another_ball_lay_is_not_called(scene: SceneFit) -> None:
    """The eye may have gone over to the ball that lay there, while the kicked one rolled on."""
    kicked = Kicked((0.0, 4.2, 0.0), 2.0, SPOT, shot(0.0, 2).kick_s)  # stops 4.4 m on, of 5.4 m
    record = record_of(shot(-0.3, 0), kicked, seconds=3.0)
    assert [s.call for s in shots_of(record, scene)] == [Call.MAKE, Call.MISS]
    stopped = kicked.sightings(1, 3.0)[-1]
    lay = RestingBall(replace(stopped, at_rest=True), 10.0, 12.0, arrived=True, ball_score=0.99)
    record.resting.append(lay)
    assert [s.call for s in shots_of(record, scene)] == [Call.MAKE, Call.UNSURE]
