"""From what the watcher keeps to judged shots: one judge, on balls that are simulated by numbers.

Records are made by closed forms and OpenCV's camera, with the network's noise, gaps and clutter
(`record_simulation`). In each clip a few plain shots show where the kick spot is.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from record_simulation import (
    DIAMETER_M,
    HALF_M,
    LINE_Y_M,
    RADIUS_M,
    SPOT,
    WAY_M,
    Ball,
    bases_px,
    judged,
    record_of,
    shot_velocity,
)
from scene_simulation import IMAGE_SIZE_PX
from shoegoal.scene.ball_size import BallSize
from shoegoal.shots.ground import find_ground
from shoegoal.shots.judge import Judged, judge, sure_segments_beside
from shoegoal.shots.weights import shipped_weights
from shoegoal.types import Call, Outcome, Shot

LATER_S = 20.0  # when the kick that is asked about comes, after two plain ones


def warmed_up() -> Ball:
    """A ball that was shot twice, a make and a wide one, and lies at the spot again."""
    ball = Ball()
    for k, side_m in enumerate((0.3, -1.9)):
        ball.kick(2.0 + 9.0 * k, shot_velocity(side_m)).fetch(9.0 + 9.0 * k)
    return ball


def stopping(before_line_m: float, loss: float = 2.0) -> tuple[float, float, float]:
    """A straight kick that comes to rest with its centre this far before the line: v^2 = 2 a s."""
    return 0.0, float(np.sqrt(2 * loss * (WAY_M - before_line_m))), 0.0


def third(found: Judged) -> Shot:
    """The shot after the two plain ones."""
    assert [s.call for s in found.shots[:2]] == [Call.MAKE, Call.MISS]
    (shot,) = found.shots[2:]
    return shot


def only_the_shots(found: Judged) -> None:
    """What may have been a shot all the same may be asked about; it is never called one."""
    called = [s for s in found.shots if s.call is not Call.UNSURE]
    assert [round(s.kick_time_s) for s in called] == [2, 11]
    assert [s.call for s in called] == [Call.MAKE, Call.MISS]
    assert not any(s.p_shot > 0.9 for s in found.shots if s not in called)


def nothing_vanished(found: Judged) -> None:
    """Every stretch that is surely a moving ball's belongs to a shot, or to a line of its own."""
    told_s = {s.kick_time_s for s in found.shots} | {line.time_s for line in found.left_out}
    shown = [event for event in found.events if event.time_s in told_s]
    assert all(s.start_s in told_s for s in sure_segments_beside(found.story, shown))


def test_makes_and_misses_are_told_with_their_times_places_and_speeds() -> None:
    sides = (0.2, -1.9, 0.6, 1.9, -0.5)
    ball = Ball()
    for k, side_m in enumerate(sides):
        ball.kick(2.0 + 9.0 * k, shot_velocity(side_m)).fetch(9.0 + 9.0 * k)
    found = judged(record_of(ball, seconds=47.0, clutter=8))
    assert found.left_out == ()
    assert [s.number for s in found.shots] == [1, 2, 3, 4, 5]
    assert [s.call for s in found.shots] == [Call.MAKE, Call.MISS, Call.MAKE, Call.MISS, Call.MAKE]
    assert [s.outcome for s in found.shots] == [
        Outcome.INSIDE, Outcome.WIDE_LEFT, Outcome.INSIDE, Outcome.WIDE_RIGHT, Outcome.INSIDE,
    ]  # fmt: skip
    for k, (shot, side_m) in enumerate(zip(found.shots, sides, strict=True)):
        assert shot.p_shot > 0.97
        assert shot.kick_time_s == pytest.approx(2.0 + 9.0 * k, abs=0.05)
        assert shot.crossing_x_m is not None
        assert abs(shot.crossing_x_m.value - side_m) <= max(3 * shot.crossing_x_m.sigma, 0.15)
        assert shot.kick_spot_m == pytest.approx((0.0, WAY_M), rel=0.12, abs=0.15)
        assert shot.speed_mps is not None
        true = 6.5 * float(np.hypot(1, side_m / WAY_M))
        assert abs(shot.speed_mps.value - true) <= 3 * shot.speed_mps.sigma
        assert shot.path and shot.fitted_path_px
    assert "left" in found.shots[1].reason and "right" in found.shots[3].reason
    nothing_vanished(found)


def test_the_way_itself_tells_when_and_where_a_ball_was_struck() -> None:
    """Legs before the ball look like a ball that has left; one that never lay in view has no spot.

    Contact is told to 20 ms where the background has the ball gone more than a second too early.
    """
    kicks = warmed_up().kick(21.0, shot_velocity(0.2))
    record = record_of(kicks, seconds=27.0, hidden_s=[(20.0, 21.1)])
    last = max(record.resting, key=lambda rest: rest.before_s if not rest.arrived else 0.0)
    early = replace(last, before_s=19.0, after_s=19.6)
    others = tuple(rest for rest in record.resting if rest is not last)
    shots = judged(replace(record, resting=(*others, early))).shots
    # That it seemed to leave before is nothing to ask about.
    assert all(shot.call is not Call.UNSURE for shot in shots)
    shot = shots[-1]
    assert shot.kick_time_s == pytest.approx(21.0, abs=0.02)
    assert shot.kick_spot_m == pytest.approx((0.0, WAY_M), rel=0.12, abs=0.15)


def test_each_ball_of_a_long_row_is_kicked_from_its_own_place() -> None:
    """Nine balls wait in a row of over three metres: the last ones lie far from the middle."""
    row = [
        Ball((x_m + SPOT[0], SPOT[1])).kick(2.0 + 4.0 * k, shot_velocity(-x_m))
        for k, x_m in enumerate(0.4 * n - 1.6 for n in range(9))
    ]
    shots = judged(record_of(*row, seconds=40.0)).shots
    assert [shot.call for shot in shots] == [Call.MAKE] * 9
    assert [shot.p_shot > 0.97 for shot in shots] == [True] * 9


def test_the_same_record_gives_the_same_shots_to_the_last_bit() -> None:
    record = record_of(warmed_up(), seconds=19.0, clutter=3)
    first, again = judged(record), judged(record)
    assert (first.shots, first.left_out) == (again.shots, again.left_out)


def test_markers_named_the_wrong_way_round_change_places() -> None:
    record = record_of(warmed_up(), seconds=19.0)
    left, right = bases_px()
    turned = judged(record, left=right, right=left)
    assert (turned.scene.left_px, turned.scene.right_px) == (left, right)
    assert turned.shots == judged(record).shots


@pytest.mark.parametrize("before_line_m", [1.2, 0.5])
def test_a_ball_that_stops_before_the_line_is_a_miss(before_line_m: float) -> None:
    ball = warmed_up().kick(LATER_S, stopping(before_line_m), 2.0)
    shot = third(judged(record_of(ball, seconds=29.0)))
    assert (shot.call, shot.outcome) == (Call.MISS, Outcome.SHORT)
    assert shot.crossing_x_m is None and shot.crossing_time_s is None
    told = re.fullmatch(r"it stopped (\d\.\d) m before the line", shot.reason)
    assert told is not None and float(told[1]) == pytest.approx(before_line_m, abs=0.16)


@pytest.mark.parametrize("past_m", [-RADIUS_M, 0.0, RADIUS_M])
def test_a_ball_that_stops_on_the_line_is_never_a_sure_make(past_m: float) -> None:
    """Law 10 (from memory) wants the whole ball over: on the line it is not."""
    ball = warmed_up().kick(LATER_S, stopping(-past_m), 2.0)
    shot = third(judged(record_of(ball, seconds=29.0)))
    assert shot.call is not Call.MAKE
    assert shot.p_make < 0.9


def test_a_ball_that_dies_and_is_tapped_over_the_line_is_short() -> None:
    """The kicker fetches it and taps it on: only the kick's own way counts."""
    stop_s = LATER_S + stopping(0.8)[1] / 2.0
    ball = warmed_up().kick(LATER_S, stopping(0.8), 2.0).kick(stop_s + 2.0, (0.2, 2.5, 0.0))
    found = judged(record_of(ball, seconds=32.0))
    shots = [s for s in found.shots if s.p_shot > 0.5]
    assert [s.call for s in shots] == [Call.MAKE, Call.MISS, Call.MISS]
    assert shots[2].outcome is Outcome.SHORT
    assert shots[2].reason.endswith("and was then tapped on")
    nothing_vanished(found)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("over_m", [-0.03, 0.03])
def test_a_ball_at_the_marker_is_left_to_a_person(side: int, over_m: float) -> None:
    """Where the ball's side meets the marker's inner base, neither call may be sure."""
    edge_m = side * (HALF_M - RADIUS_M + over_m)
    shot = third(judged(record_of(warmed_up().kick(LATER_S, shot_velocity(edge_m)), seconds=29.0)))
    assert shot.call is Call.UNSURE
    assert ("left" if side < 0 else "right") in shot.reason


@pytest.mark.parametrize(("side_m", "call"), [(-1.9, Call.MISS), (-0.4, Call.MAKE)])
@pytest.mark.parametrize("hidden_s", [(0.15, 0.5), (0.4, 0.75), (-1.0, 0.25)])
def test_a_shot_that_somebody_hides_for_a_while_is_judged_by_all_of_its_way(
    side_m: float, call: Call, hidden_s: tuple[float, float]
) -> None:
    ball = warmed_up().kick(LATER_S, shot_velocity(side_m))
    hidden = (LATER_S + hidden_s[0], LATER_S + hidden_s[1])
    shot = third(judged(record_of(ball, seconds=29.0, hidden_s=[hidden])))
    assert shot.call in (call, Call.UNSURE)  # out of sight at the line, a person may be asked
    assert shot.p_make == pytest.approx(float(call is Call.MAKE), abs=0.1)
    assert shot.crossing_x_m is not None
    assert shot.crossing_x_m.value == pytest.approx(side_m, abs=0.2)
    assert shot.kick_time_s == pytest.approx(LATER_S, abs=0.1)


def test_a_ball_lost_well_before_the_line_is_not_called() -> None:
    """Somebody may have stopped it: a straight way to the goal is no proof that it got there."""
    ball = warmed_up().kick(LATER_S, shot_velocity(0.2, 4.0))
    hidden = (LATER_S + 0.45, 60.0)
    shot = third(judged(record_of(ball, seconds=29.0, hidden_s=[hidden])))
    assert shot.call is Call.UNSURE
    assert "out of sight" in shot.reason


def test_a_ball_that_left_the_spot_and_was_not_seen_again_is_asked_about() -> None:
    ball = warmed_up().kick(LATER_S, shot_velocity(0.0))
    shot = third(judged(record_of(ball, seconds=29.0, hidden_s=[(LATER_S - 1.0, 60.0)])))
    assert (shot.call, shot.outcome, shot.p_make) == (Call.UNSURE, Outcome.NOT_SEEN, 0.5)
    assert "not seen" in shot.reason


def test_a_shot_that_comes_back_from_a_wall_behind_the_goal_is_a_make() -> None:
    ball = warmed_up().kick(LATER_S, shot_velocity(0.3), 0.8, wall_y_m=LINE_Y_M + 2.0)
    shot = third(judged(record_of(ball, seconds=31.0)))
    assert (shot.call, shot.outcome) == (Call.MAKE, Outcome.INSIDE)


@pytest.mark.parametrize("up_mps", [2.0, 3.5])
def test_a_lofted_shot_is_judged_where_it_meets_the_lines_plane(up_mps: float) -> None:
    ball = warmed_up().kick(LATER_S, (0.4, 6.5, up_mps))
    shot = third(judged(record_of(ball, seconds=31.0)))
    assert shot.call is Call.MAKE
    assert shot.crossing_x_m is not None
    assert shot.crossing_x_m.value == pytest.approx(0.4 / 6.5 * WAY_M, abs=0.2)


@pytest.mark.parametrize(
    ("place", "velocity"),
    [
        ((0.6, LINE_Y_M + 0.6), (-0.2, -3.5, 0.0)),  # rolled back to the kicker
        ((2.6, 6.0), (-4.0, -2.0, 0.0)),  # kicked back from aside
        ((0.5, LINE_Y_M - 0.7), (0.0, 2.0, 0.0)),  # tapped in from near the goal
        ((-3.0, 5.0), (4.0, 0.5, 0.0)),  # across
    ],
)
def test_play_with_another_ball_is_no_shot(
    place: tuple[float, float], velocity: tuple[float, float, float]
) -> None:
    other = Ball(place).kick(LATER_S + 3.0, velocity, 0.8)
    found = judged(record_of(warmed_up(), other, seconds=31.0))
    only_the_shots(found)
    nothing_vanished(found)


@pytest.mark.parametrize("velocity", [(4.0, 0.4, 0.0), (-3.0, -1.0, 0.0)])
def test_a_kick_from_the_spot_the_other_way_is_no_shot(
    velocity: tuple[float, float, float],
) -> None:
    found = judged(record_of(warmed_up().kick(LATER_S, velocity, 1.5), seconds=29.0))
    only_the_shots(found)
    nothing_vanished(found)


def test_a_ball_put_straight_by_foot_is_no_shot() -> None:
    """Moved by half a metre at the spot, then kicked: one shot, not two."""
    ball = warmed_up().kick(LATER_S, (0.6, 0.5, 0.0), 1.2).kick(LATER_S + 4.0, (0.0, 6.5, 0.0))
    found = judged(record_of(ball, seconds=33.0))
    shots = [s for s in found.shots if s.p_shot > 0.5]
    assert [s.call for s in shots] == [Call.MAKE, Call.MISS, Call.MAKE]
    assert shots[2].kick_time_s == pytest.approx(LATER_S + 4.0, abs=0.1)


def test_a_dribble_back_is_no_shot() -> None:
    """Touches of 1 to 2 m/s from behind the goal to the kick spot, one every 0.8 s."""
    other = Ball((0.5, LINE_Y_M + 1.0))
    for k in range(8):
        other.kick(LATER_S + 0.8 * k, (0.1 * (-1) ** k, -1.6, 0.0), 1.6)
    found = judged(record_of(warmed_up(), other, seconds=31.0))
    only_the_shots(found)
    nothing_vanished(found)


def test_a_head_is_too_big_for_a_ball_on_the_ground() -> None:
    """Something round that moves from a place has not the size of a ball there."""
    record = record_of(warmed_up(), seconds=19.0)
    head = record_of(Ball().kick(LATER_S, shot_velocity(0.1)), seconds=29.0)
    big = replace(
        record,
        tracks=record.tracks
        + tuple(
            replace(t, sightings=tuple(replace(s, diameter_px=1.8 * s.diameter_px, ball_score=0.5)
                                       for s in t.sightings))
            for t in head.tracks
        ),
    )  # fmt: skip
    only_the_shots(judged(big))


def test_a_ball_under_way_as_the_film_begins_was_not_kicked_on_film() -> None:
    record = record_of(warmed_up(), seconds=19.0)
    whole, cut = judged(record), judged(record, start_s=2.05)
    assert [round(s.kick_time_s) for s in whole.shots] == [2, 11]
    assert whole.shots[0].call is Call.MAKE
    assert not [s for s in cut.shots if s.call is not Call.UNSURE and s.kick_time_s < 9]
    assert cut.shots[-1].call is whole.shots[-1].call
    nothing_vanished(cut)


def test_weights_can_be_given_and_nothing_vanishes_under_any() -> None:
    """With weights that take nothing for a shot, every sure way is listed with its reason."""
    record = record_of(warmed_up(), seconds=19.0)
    shipped = shipped_weights()
    never = shipped.shot.copy()
    never[0] = -1e3
    ground = find_ground(record, IMAGE_SIZE_PX, ball=BallSize.FIVE)
    found = judge(
        record, ground, IMAGE_SIZE_PX, *bases_px(), ball=BallSize.FIVE, width_steps=4,
        back_steps=9.0, weights=replace(shipped, shot=never),
    )  # fmt: skip
    assert found.shots == ()
    assert all(e.p_shot < 0.03 for e in found.events)
    assert [round(line.time_s) for line in found.left_out][:2] == [2, 11]
    assert all(line.why for line in found.left_out)
    nothing_vanished(found)


def test_the_ground_is_found_from_the_ball_alone() -> None:
    ground = find_ground(record_of(warmed_up(), seconds=19.0, clutter=4), IMAGE_SIZE_PX)
    assert [round(run.start_s) for run in ground.kicks] == [2, 11]
    assert ground.fit.ball_diameter_m.value == pytest.approx(DIAMETER_M, rel=0.15)
    assert len(ground.spots_px) == len(ground.trajectories_m) == 2
    spot = ground.fit.camera.ball_on_ground(ground.spots_px, ground.fit.ball_diameter_m.value)
    assert np.hypot(*(spot[0, :2] - spot[1, :2])) < 0.2
    assert [way[0] for way in ground.trajectories_m] == [pytest.approx(lay) for lay in spot]
    assert SPOT[1] * 0.7 < spot[0, 1] < SPOT[1] * 1.4
