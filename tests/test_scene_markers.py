"""Finding markers in pictures whose bases are known through cv2.projectPoints (OpenCV calib3d)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from ground_pictures import BLUE, CONE_M, ORANGE, SIZE_PX, YELLOW, Yard, ground_of
from scene_simulation import opencv_pixels
from shoegoal.scene.camera import Camera
from shoegoal.scene.markers import (
    AIM_SIGMA,
    HABIT_SIGMA,
    FoundMarkers,
    MarkersNotFoundError,
    Pair,
    Shots,
    confidence,
    find_markers,
    shots_seen,
    weigh_pairs,
)
from shoegoal.scene.standing_things import StandingThing

F64 = npt.NDArray[np.float64]

CENTRE = ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)
BEHIND = Camera(960.0, *CENTRE, 1.2, 7.0, 1.0)
SPOT = np.array([0.2, 3.5])
BACK_M, WIDTH_M = 6.0, 2.4  # ten steps and four steps of 0.6 m
STEPS = (4.0, 10.0)  # goal width and distance
FOOT_PX = 5.0  # 5 cm at the goal


def flights(spot: F64, ahead: F64, seed: int = 0, count: int = 4) -> list[F64]:
    """Rolling shots that scatter by about a third of the goal's width."""
    rng = np.random.default_rng([seed, 8])
    square = np.array([ahead[1], -ahead[0]])
    paths = []
    for _ in range(count):
        end = spot + BACK_M * 1.1 * ahead + square * rng.normal(0, 0.3 * WIDTH_M)
        paths.append(spot + np.linspace(0, 1, 12)[:, None] * (end - spot))
    return paths


def goal_bases(spot: F64, ahead: F64, back_m: float = BACK_M, width_m: float = WIDTH_M) -> F64:
    """Inner bases (2, 2), left and right as the kicker sees them."""
    right = np.array([ahead[1], -ahead[0]])
    middle = spot + back_m * ahead
    return np.stack([middle - right * width_m / 2, middle + right * width_m / 2])


def cones(yard: Yard, bases: F64, **kwargs: object) -> None:
    outward = (bases[1] - bases[0]) / np.hypot(*(bases[1] - bases[0])) * CONE_M[0]
    yard.cone(*(bases[0] - outward), **kwargs)  # type: ignore[arg-type]
    yard.cone(*(bases[1] + outward), **kwargs)  # type: ignore[arg-type]


def base_errors(found: FoundMarkers, camera: Camera, bases: F64) -> F64:
    truth = opencv_pixels(camera, np.column_stack([bases, np.zeros(2)]))
    got = [[m.x_px, m.y_px] for m in (found.left_px, found.right_px)]
    return np.asarray(np.abs(np.array(got) - truth))


NORTH = np.array([0.0, 1.0])


@pytest.mark.parametrize("wall", [None, 10.4])
def test_two_cones_behind_view(wall: float | None) -> None:
    off_px = []
    for seed in range(4):
        yard = Yard(BEHIND, seed, wall)
        bases = goal_bases(SPOT, NORTH)
        cones(yard, bases)
        paths = flights(SPOT, NORTH, seed)
        found = find_markers(yard.filmed(), ground_of(BEHIND), paths, *STEPS)
        off_px.append(base_errors(found, BEHIND, bases).max())
        assert found.confidence >= 0.9
    # A few centimetres by which the bands are cut elsewhere move a foot by 1 to 2 px.
    assert np.median(off_px) < 3.0
    assert max(off_px) < 4.0


def test_a_ground_that_is_a_little_off_still_finds_them() -> None:
    yard = Yard(BEHIND, 5, 10.4)
    bases = goal_bases(SPOT, NORTH)
    cones(yard, bases)
    off = replace(BEHIND, focal_px=960 * 1.03, height_m=1.2 * 0.97, pitch_deg=7.5)
    paths = [
        off.ground_points(opencv_pixels(BEHIND, np.column_stack([p, np.zeros(len(p))])))
        for p in flights(SPOT, NORTH, 5)
    ]
    found = find_markers(yard.filmed(), ground_of(off), paths, *STEPS)
    assert base_errors(found, BEHIND, bases).max() < FOOT_PX


@pytest.mark.parametrize("tip", [(0.6, 0.1), (-0.6, -0.1), (0.3, -0.6)])
def test_a_shadow_is_not_the_body(tip: tuple[float, float]) -> None:
    yard = Yard(BEHIND, 6)
    bases = goal_bases(SPOT, NORTH)
    cones(yard, bases, shadow_m=tip)
    found = find_markers(yard.filmed(), ground_of(BEHIND), flights(SPOT, NORTH, 6), *STEPS)
    assert base_errors(found, BEHIND, bases).max() < 5.0


def test_a_painted_line_that_runs_into_a_marker_is_parted_from_it() -> None:
    yard = Yard(BEHIND, 16, 10.4)
    bases = goal_bases(SPOT, NORTH)
    yard.line([bases[1] + [0.0, 0.1], bases[1] + [0.9, -5.0]], BLUE, 0.15)
    cones(yard, bases, colour=YELLOW)
    found = find_markers(yard.filmed(), ground_of(BEHIND), flights(SPOT, NORTH, 16), *STEPS)
    # The line reaches on below the foot: its end is less sure than on plain ground.
    assert base_errors(found, BEHIND, bases).max() < 7.0


def test_side_view_goal_line_runs_in_depth() -> None:
    camera = Camera(960.0, *CENTRE, 1.3, 8.0, -1.0)
    spot, ahead = np.array([-3.2, 6.4]), np.array([1.0, 0.0])
    bases = goal_bases(spot, ahead)
    yard = Yard(camera, 7)
    cones(yard, bases)
    found = find_markers(yard.filmed(), ground_of(camera), flights(spot, ahead, 7), *STEPS)
    # Kicked from left to right, the left marker is the far one.
    assert found.left_px.y_px < found.right_px.y_px
    assert base_errors(found, camera, bases).max() < 5.0


def test_facing_view_names_sides_as_the_kicker_sees_them() -> None:
    camera = Camera(960.0, *CENTRE, 1.2, 12.0)
    spot, ahead = np.array([0.1, 9.5]), np.array([0.0, -1.0])
    bases = goal_bases(spot, ahead)
    yard = Yard(camera, 8)
    cones(yard, bases)
    found = find_markers(yard.filmed(), ground_of(camera), flights(spot, ahead, 8), *STEPS)
    assert found.left_px.x_px > found.right_px.x_px
    assert base_errors(found, camera, bases).max() < 8.0


def refusal(yard: Yard, paths: list[F64] | None = None) -> str:
    with pytest.raises(MarkersNotFoundError) as caught:
        find_markers(
            yard.filmed(),
            ground_of(BEHIND),
            flights(SPOT, NORTH, yard.seed) if paths is None else paths,
            *STEPS,
        )
    assert caught.value.exit_code == 5
    return str(caught.value)


@pytest.mark.parametrize("wall", [None, 9.9])
def test_nothing_there_is_refused_with_a_way_out(wall: float | None) -> None:
    message = refusal(Yard(BEHIND, 9, wall))
    assert "--left X,Y --right X,Y" in message
    assert "light, contrasting markers" in message


def test_one_marker_alone_is_refused() -> None:
    yard = Yard(BEHIND, 10, 10.4)
    yard.cone(*goal_bases(SPOT, NORTH)[0])
    refusal(yard)


def test_two_goals_that_suit_about_as_well_are_refused() -> None:
    yard = Yard(BEHIND, 11)
    cones(yard, goal_bases(SPOT, NORTH, 6.6, 2.5), colour=BLUE)
    aside = np.array([0.5, 0.0])
    cones(yard, goal_bases(SPOT, NORTH, 5.6, 2.25) + aside, colour=ORANGE)
    assert "Cannot tell which" in refusal(yard)


def test_waiting_balls_are_no_markers() -> None:
    yard = Yard(BEHIND, 12)
    for x, y in goal_bases(SPOT, NORTH):
        yard.ball(x, y)
    refusal(yard)


def test_a_goal_of_another_shape_than_the_stage_asks_is_refused() -> None:
    yard = Yard(BEHIND, 13)
    cones(yard, goal_bases(SPOT, NORTH, width_m=0.9))
    refusal(yard)


def test_no_flight_no_goal() -> None:
    yard = Yard(BEHIND, 14)
    cones(yard, goal_bases(SPOT, NORTH))
    assert "No kicked ball was seen rolling" in refusal(yard, [])


def test_balls_kicked_from_a_row_all_head_for_one_middle() -> None:
    """Closed form: straight ways from x = 0, 1, 2 through (-0.3, 8); the goal is 3 m wide."""
    starts = np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]])
    ways = np.array([-0.3, 8.0]) - starts
    ways /= np.hypot(*ways.T)[:, None]
    shots = Shots(starts[1], ways[1], starts, ways, 8.0)
    # All cross at one place: their scatter is what is expected, of which four votes of six tell.
    sigma = np.hypot(HABIT_SIGMA, np.sqrt(np.pi / 2) * AIM_SIGMA * np.sqrt(4 / 6) / np.sqrt(3))
    for middle_x, off in ((-0.3, 0.0), (-1.8, 0.5), (0.6, -0.3)):
        left, right = (np.array([middle_x + x, 8.0]) for x in (-1.5, 1.5))
        assert shots.beside(left, right) == pytest.approx(off / sigma)
    # Behind the kicker, and along the way of the only shot, nothing is crossed.
    assert np.isnan(shots.beside(np.array([-2.0, -3.0]), np.array([1.0, -3.0])))
    one = Shots(starts[0], NORTH, starts[:1], NORTH[None], 8.0)
    assert np.isnan(one.beside(np.array([1.0, 2.0]), np.array([1.0, 5.0])))


def test_shots_that_scatter_widely_say_less_of_where_the_goal_is() -> None:
    left, right = np.array([-1.2, 8.0]), np.array([1.2, 8.0])

    def beside(crossed_m: list[float]) -> float:
        ways = np.array([[x, 6.0] for x in crossed_m])
        ways /= np.hypot(*ways.T)[:, None]
        starts = np.repeat([[0.0, 2.0]], len(ways), axis=0)
        return Shots(starts[0], NORTH, starts, ways, 6.0).beside(left, right)

    assert 0 < beside([-3.0, -1.0, 1.2, 2.4, 3.6]) < 0.7 * beside([1.0, 1.1, 1.2, 1.3, 1.4])


def test_a_goal_is_found_from_balls_kicked_from_a_row() -> None:
    yard = Yard(BEHIND, 21)
    bases = goal_bases(SPOT, NORTH)
    cones(yard, bases)
    row = [SPOT + np.array([x, 0.0]) for x in (0.0, 0.0, 0.0, 1.0, 1.6, 2.2)]
    middle = bases.mean(axis=0)
    ways = [s + np.linspace(0, 1.1, 12)[:, None] * (middle - s) for s in row]
    found = find_markers(yard.filmed(), ground_of(BEHIND), ways, *STEPS)
    assert base_errors(found, BEHIND, bases).max() < 3.0


def thing_at(x_m: float) -> StandingThing:
    """Something as wide and high as a cone, 8 m ahead."""
    return StandingThing(3.0, np.array([x_m, 8.0]), 0.1, 0.3, 0.02, 0.1, (640 + 100 * x_m, 400.0))


def pair_of(left: StandingThing, right: StandingThing, score: float) -> Pair:
    return Pair(left, right, left.place_m, right.place_m, score)


def test_a_rival_read_in_many_ways_is_one_rival() -> None:
    left, right, rival = thing_at(-1.2), thing_at(1.2), thing_at(0.8)
    best = pair_of(left, right, 4.0)
    once = [best, pair_of(left, rival, 1.0)]
    often = [best, *(pair_of(left, thing_at(0.8 + 0.005 * k), 1.0) for k in range(12))]
    assert confidence(often) == pytest.approx(confidence(once))
    # Two other things are two rivals.
    assert confidence([*once, pair_of(left, thing_at(0.3), 1.0)]) < confidence(once)


def shoe_at(x_m: float, y_m: float = 8.0) -> StandingThing:
    """A shoe that points ahead, as small and dark as any other."""
    place = np.array([x_m, y_m])
    return StandingThing(1.5, place, 0.05, 0.12, 0.02, 0.1, (0.0, 0.0), (30.0, 30.0, 35.0))


def straight_shots(count: int = 4) -> Shots:
    """Shots from (0, 2) straight ahead, over a line 6 m away."""
    starts = np.repeat([[0.0, 2.0]], count, axis=0)
    return Shots(starts[0], NORTH, starts, np.repeat(NORTH[None], count, axis=0), 6.5)


def test_two_shoes_are_one_marker_with_its_inner_edge() -> None:
    inner, outer = (shoe_at(-1.25), shoe_at(1.25)), (shoe_at(-1.43), shoe_at(1.43))
    pairs = weigh_pairs([*outer, *inner], straight_shots(), *STEPS)
    assert (pairs[0].left, pairs[0].right) == inner
    assert confidence(pairs) > 0.9
    # One shoe on one side and two on the other are no less a goal.
    pairs = weigh_pairs([outer[0], *inner], straight_shots(), *STEPS)
    assert (pairs[0].left, pairs[0].right) == inner


def test_three_alike_at_like_distances_are_told_by_the_shots() -> None:
    row = [shoe_at(x) for x in (-1.25, 1.25, 3.75)]
    pairs = weigh_pairs(row, straight_shots(6), *STEPS)
    assert (pairs[0].left, pairs[0].right) == (row[0], row[1])


def test_balls_kicked_back_are_another_reading_of_the_shots() -> None:
    there = [np.linspace([0.0, 2.0], [x, 7.0], 9) for x in (-0.3, 0.1, 0.4)]
    back = [path[::-1] for path in there]
    readings = shots_seen([*there, *back], 0.21)
    assert sorted(round(float(shots.ahead[1])) for shots in readings) == [-1, 1]
    (only,) = shots_seen([*there, back[0]], 0.21)
    assert only.spot_m == pytest.approx([0.0, 2.0])


def test_a_row_of_balls_is_as_square_to_the_goal_as_the_one_before_its_middle() -> None:
    """The first ball lies before the middle, the others up to 2.5 m beside it."""
    starts = np.array([[x, 2.0] for x in (0.0, 0.6, 1.2, 1.8, 2.5)])
    ways = np.array([0.0, 8.0]) - starts
    ways /= np.hypot(*ways.T)[:, None]
    goal = [shoe_at(-1.25), shoe_at(1.25)]
    row = Shots(starts[2], NORTH, starts, ways, 6.5)
    (pair,) = weigh_pairs(goal, row, *STEPS)
    (one_spot,) = weigh_pairs(goal, straight_shots(5), *STEPS)
    assert pair.score == pytest.approx(one_spot.score)
