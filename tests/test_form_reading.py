"""What is said of a number, and when nothing is; smoothing, swaps, sides, views, windows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from form_bodies import CONTACT_S, StickKick, poses_of, space_from
from shoegoal.cues.bands import MeasuredError, Measurement, load_bands, load_errors
from shoegoal.cues.legs import Side, kicking_side, legs_named, standing_foot
from shoegoal.cues.pose import LEFT_LEG, RIGHT_LEG, Pose
from shoegoal.cues.reading import (
    FREEDOM,
    MOST_TO_TRY,
    Answer,
    Reading,
    advise,
    judge,
    looked_back_s,
    read_kick,
    unread,
)
from shoegoal.cues.sight import window_times
from shoegoal.cues.smooth import smoothed
from shoegoal.cues.space import View

BANDS = load_bands()
BESIDE = BANDS["plant_beside"]


def _error(view: View = View.BEHIND, *, bias: float = 0.0, claimed: bool = True) -> MeasuredError:
    return MeasuredError("plant_beside", view, "foot", 1.0, bias, 3.0, 1.0, 0.9, 40, claimed)


def _say(value: float, *errors: MeasuredError, view: View = View.BEHIND) -> Reading:
    return judge(BESIDE, [Measurement("plant_beside", "foot", value)], view, errors)


def test_far_inside_is_in_band_far_outside_is_a_look() -> None:
    assert _say(30.0, _error()).answer is Answer.IN_BAND
    low, high = _say(2.0, _error()), _say(60.0, _error())
    assert low.answer is high.answer is Answer.LOOK
    assert low.lies_below and not high.lies_below
    assert BESIDE.look_below in low.sentence and BESIDE.look_above in high.sentence


def test_near_the_edge_nothing_is_called() -> None:
    for value in (BESIDE.low - 1, BESIDE.low, BESIDE.low + 1, BESIDE.high):
        said = _say(value, _error())
        assert said.answer is Answer.CANNOT_TELL and said.value == pytest.approx(value)
        assert "look yourself" in said.sentence


def test_the_dead_band_ends_where_the_table_of_student_s_t_says() -> None:
    # Student's t of 4 degrees of freedom: the 0.9 quantile is 1.533 and the 0.95 quantile 2.132
    # (any table, for instance NIST/SEMATECH e-Handbook 1.3.6.7.2). 0.8413 of the normal
    # distribution lie below one standard deviation; here that is the 1.142 of such a table.
    assert FREEDOM == 4
    for sure, quantile in ((0.9, 1.533), (0.95, 2.132)):
        error = replace(_error(), sure=sure)
        edge = BESIDE.low + quantile / 1.142 * 3.0
        assert _say(edge + 0.15, error).answer is Answer.IN_BAND
        assert _say(edge - 0.15, error).answer is Answer.CANNOT_TELL


def test_a_number_s_own_doubt_is_scaled_before_it_counts() -> None:
    doubtful = [Measurement("plant_beside", "foot", 30.0, 8.0)]
    for scale, sigma in ((1.0, 73**0.5), (0.5, 5.0)):
        error = replace(_error(), scale=scale)
        assert judge(BESIDE, doubtful, View.BEHIND, [error]).sigma == pytest.approx(sigma)


def test_the_bias_is_taken_off() -> None:
    assert _say(30.0, _error(bias=8.0)).value == pytest.approx(22.0)


@pytest.mark.parametrize("errors", [(), (_error(View.SIDE),), (_error(claimed=False),)])
def test_from_a_view_that_is_not_claimed_nothing_is_told(errors: tuple[MeasuredError, ...]) -> None:
    said = _say(30.0, *errors)
    assert said.answer is Answer.CANNOT_TELL and said.value is None and said.sigma is None
    sides = any(error.view is View.SIDE for error in errors)
    assert ("film from the side" in said.sentence) is sides


def test_what_another_method_gave_does_not_stand_in() -> None:
    other = [Measurement("plant_beside", "guess", 30.0)]
    assert judge(BESIDE, other, View.BEHIND, [_error()]).answer is Answer.CANNOT_TELL
    nothing = [Measurement("plant_beside", "foot", float("nan"))]
    assert judge(BESIDE, nothing, View.BEHIND, [_error()]).value is None


def test_bands_hold_what_was_published_of_adults() -> None:
    # Scurr & Hall 2009, J Sports Sci Med 8: support foot 32.7 +- 7.0 cm beside the ball and
    # 9.7 +- 8.1 cm behind it (from memory).
    for cue, mean, deviation in (("plant_beside", 32.7, 7.0), ("plant_fore_aft", -9.7, 8.1)):
        band = BANDS[cue]
        assert band.low <= mean - 2 * deviation
        assert mean + 2 * deviation <= band.high + 1
    assert all(band.source for band in BANDS.values())


def test_every_error_belongs_to_a_cue_and_errs_less_than_its_band_is_wide() -> None:
    for cue, errors in load_errors().items():
        for error in errors:
            if error.claimed:
                assert error.spread < (BANDS[cue].high - BANDS[cue].low) / 2, (cue, error.view)


def test_advice_says_what_went_well_and_at_most_two_things() -> None:
    answers = [Answer.IN_BAND, *[Answer.LOOK] * 5, Answer.CANNOT_TELL, Answer.IN_BAND]
    pairs = zip(unread(""), answers, strict=True)
    kick = [replace(reading, answer=answer, value=0.0) for reading, answer in pairs]
    advice = advise([kick] * 3)
    assert len(advice.went_well) == 2 and len(advice.to_try) == MOST_TO_TRY
    assert "3 of 3 kicks" in advice.went_well[0]
    assert advise([unread("")]).to_try == advise([]).went_well == ()


def test_one_look_among_many_kicks_is_no_advice() -> None:
    kicks = [list(unread("")) for _ in range(6)]
    for number, kick in enumerate(kicks):
        answer = Answer.LOOK if number == 0 else Answer.IN_BAND
        kick[0] = replace(kick[0], answer=answer, value=0.0)
    advice = advise(kicks)
    assert advice.to_try == () and "5 of 6 kicks" in advice.went_well[0]


def test_smoothing_gives_back_a_parabola_at_uneven_times() -> None:
    times = np.sort(np.random.default_rng(1).uniform(0, 1, 40))
    moments = np.linspace(0.2, 0.8, 7)
    values = np.column_stack([3 * times**2 - times, 2 - times])
    wanted = np.column_stack([3 * moments**2 - moments, 2 - moments])
    assert smoothed(times, values, moments) == pytest.approx(wanted, abs=2e-3)


def test_smoothing_goes_by_time_not_by_number() -> None:
    # The same line, seen at even times and at times that bunch up: read off, it is the same.
    even, bunched = np.linspace(0, 1, 31), np.linspace(0, 1, 31) ** 2
    for times in (even, bunched):
        assert smoothed(times, 5 * times, [0.4])[0] == pytest.approx(2.0, abs=1e-6)


def test_smoothing_keeps_a_wild_picture_from_having_its_way() -> None:
    times = np.linspace(0, 1, 61)
    values = 2 * times
    values[30] += 10.0
    assert abs(smoothed(times, values, [0.5])[0] - 1.0) < 10.0 / 5
    with pytest.raises(ValueError, match="nothing"):
        smoothed(np.array([]), np.array([]), [0.0])


@pytest.mark.parametrize("azimuth_deg", [0.0, 45.0, 90.0])
@pytest.mark.parametrize("swapped", [(11, 12), (13,), (3, 4, 5), (9, 10, 11, 12, 13)])
def test_swapped_legs_are_put_right(azimuth_deg: float, swapped: tuple[int, ...]) -> None:
    truth = poses_of(StickKick(), space_from(azimuth_deg), noise_px=2.0)
    seen = [_swap(p) if i in swapped else p for i, p in enumerate(truth)]
    stands = standing_foot(seen, CONTACT_S)
    assert stands is not None
    ways = legs_named(seen, stands, CONTACT_S)
    _, unswapped = min(ways.values(), key=lambda way: way[0])
    for pose, right in zip(unswapped, truth, strict=True):
        assert pose.points_px == pytest.approx(right.points_px)


@pytest.mark.parametrize("azimuth_deg", [60.0, 90.0])
def test_legs_that_pass_each_other_are_told_apart_by_the_foot_that_stands(
    azimuth_deg: float,
) -> None:
    # While the legs pass each other the model sees one leg twice, and names them wrongly later on.
    truth = poses_of(StickKick(), space_from(azimuth_deg), noise_px=2.0)
    left, right = list(LEFT_LEG.rows[1:]), list(RIGHT_LEG.rows[1:])
    seen = []
    for pose in truth:
        since_s = pose.time_s - CONTACT_S
        points = pose.points_px.copy()
        if abs(since_s) < 0.05:
            points[right] = points[left]
        seen.append(_swap(pose) if since_s >= 0.12 else replace(pose, points_px=points))
    kick = read_kick(space_from(azimuth_deg), CONTACT_S, seen).kick
    assert kick is not None and kick.side is Side.RIGHT
    for pose, true in zip(kick.poses, truth, strict=True):
        if abs(pose.time_s - CONTACT_S) >= 0.05:
            assert pose.points_px == pytest.approx(true.points_px)


def _swap(pose: Pose) -> Pose:
    points = pose.points_px.copy()
    points[list(LEFT_LEG.rows[1:])] = pose.points_px[list(RIGHT_LEG.rows[1:])]
    points[list(RIGHT_LEG.rows[1:])] = pose.points_px[list(LEFT_LEG.rows[1:])]
    return replace(pose, points_px=points)


def test_the_foot_that_kicks_is_told_by_its_motion_and_the_ball() -> None:
    space = space_from(90.0)
    ball, diameter_px = space.ball_px
    spot = (ball.x_px, ball.y_px)
    for side in Side:
        poses = poses_of(StickKick(side), space)
        assert kicking_side(poses, CONTACT_S, spot, diameter_px) is side
        far = (spot[0] + 8 * diameter_px, spot[1])
        assert kicking_side(poses, CONTACT_S, far, diameter_px) is None
    still = [replace(poses[5], time_s=pose.time_s) for pose in poses]
    assert kicking_side(still, CONTACT_S, spot, diameter_px) is None
    assert kicking_side(poses[:2], CONTACT_S, spot, diameter_px) is None


@pytest.mark.parametrize("side", list(Side))
def test_where_all_names_are_wrong_the_place_of_the_plant_foot_names_the_kicking_foot(
    side: Side,
) -> None:
    space = space_from(85.0)
    misnamed = [_swap(p) for p in poses_of(StickKick(side=side, beside_cm=35.0), space)]
    assert read_kick(space, CONTACT_S, misnamed).side in (side, None)
    half = [_swap(p) if i % 2 else p for i, p in enumerate(misnamed)]  # the names say nothing
    assert read_kick(space, CONTACT_S, half).side is side
    close = [
        _swap(p) if i % 2 else p
        for i, p in enumerate(poses_of(StickKick(side=side, beside_cm=0.5), space))
    ]
    assert read_kick(space, CONTACT_S, close).side is None


def test_too_few_poses_are_said() -> None:
    space = space_from(90.0)
    poses = poses_of(StickKick(), space)
    made_up = [replace(pose, visibility=0.1 * pose.visibility) for pose in poses]
    for few in (poses[:3], poses[:8], [], made_up):
        read = read_kick(space, CONTACT_S, few)
        assert read.side is None and "not found" in read.why_not
        assert all(r.answer is Answer.CANNOT_TELL for r in read.readings)


@pytest.mark.parametrize("azimuth_deg", [30.0, 60.0, 90.0])
def test_a_contact_at_the_wrong_moment_is_not_read(azimuth_deg: float) -> None:
    space = space_from(azimuth_deg)
    poses = poses_of(StickKick(), space)
    assert read_kick(space, CONTACT_S + 0.03, poses).kick is not None
    # From behind, a foot that has gone on shows where the ball lay; the ball's way tells that.
    for off_s in (-0.2, -0.1, *([0.2] if azimuth_deg >= 60 else [])):
        read = read_kick(space, CONTACT_S + off_s, poses)
        assert read.kick is None and read.why_not


def test_the_shot_s_space_is_that_of_a_plain_pinhole() -> None:
    # The same projection from its textbook form, K [R | t], with scipy's Rotation.
    space = space_from(-35.0, spot_m=(1.0, 8.0))
    camera = space.camera
    turn = Rotation.from_euler("x", 90 + camera.pitch_deg, degrees=True)
    ground = np.array([[0.3, 6.0, 0.2], [-1.0, 4.5, 1.1]])
    seen = turn.apply(ground - [0, 0, camera.height_m]) @ camera.matrix().T
    wanted = seen[:, :2] / seen[:, 2:]
    assert camera.project(ground) == pytest.approx(wanted)
    for place, up_m in ((wanted[0], 0.2), (wanted[1], 1.1)):
        right, ahead = space.on_level([place], up_m)[0]
        assert space.to_px([[right, ahead, up_m]])[0] == pytest.approx(place)
        on_plane = space.along_shot([place], right)[0]
        assert on_plane == pytest.approx([ahead, up_m], abs=1e-6)


def test_a_square_holds_the_kicker_and_stays_in_the_picture() -> None:
    for azimuth_deg in (0.0, 60.0, 120.0, 180.0):
        space = space_from(azimuth_deg)
        square = space.square((1920, 1080))
        assert square is not None
        feet = space.to_px([[0.4, -0.5, 0.0], [-0.4, 0.3, 0.0], [0.0, 0.0, 1.7]])
        assert (feet >= [square.left_px, square.top_px]).all()
        assert (feet <= [square.left_px + square.side_px, square.top_px + square.side_px]).all()
        assert square.left_px >= 0 and square.left_px + square.side_px <= 1920


def test_pictures_are_taken_through_the_swing_but_not_all_of_a_fast_clip() -> None:
    for rate_hz in (24.0, 30.0, 60.0, 240.0):
        times = np.arange(0, 4, 1 / rate_hz).tolist()
        chosen = window_times(times, 2.0)
        assert set(chosen) <= set(times) and len(chosen) <= 32
        gaps = np.diff(chosen)
        near = [t for t in chosen if abs(t - 2.0) <= 0.06]
        assert len(near) >= min(3, rate_hz * 0.12) and gaps.max() <= 0.13
    assert window_times([0.0, 9.0], 2.0) == []


def test_the_backswing_is_looked_at_only_where_it_is_told() -> None:
    for view in View:
        told = {cue for cue, errors in load_errors().items() for e in errors
                if e.view is view and e.claimed}  # fmt: skip
        back_s = looked_back_s(view)
        assert (back_s > 0.4) is bool(told & {"backswing", "swing_evenness"}), view
        assert back_s > 0.2
