"""The space round a count's shots: a ball that rolled already, one view a phone, what is unsure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis_examples import example_analysis
from form_bodies import CONTACT_S, StickKick, poses_of, space_from
from shoegoal.cues.reading import read_kick
from shoegoal.cues.space import ShotSpace, View, cameras_round
from shoegoal.pipeline.form import ball_left_from_spot, common_view, shot_spaces
from shoegoal.scene.posterior import UNKNOWNS
from shoegoal.types import Detection, Shot


def _kicked(space: ShotSpace, speed_mps: float, told_late_s: float) -> Shot:
    """A shot whose ball is seen from the second picture after contact on, sizes 2% off."""
    rng = np.random.default_rng(3)
    since_s = np.arange(2, 9) / 30
    ways = speed_mps * since_s
    size_m = space.ball_diameter_m
    places = np.column_stack([0 * ways, ways, np.full(len(ways), size_m / 2)])
    centres, sizes = space.camera.ball_image(space.goal.from_goal(_to_goal(space, places)), size_m)
    path = tuple(
        Detection(10.0 + float(t), float(x), float(y), float(d * rng.normal(1, 0.02)), 0.3, 0.5)
        for t, (x, y), d in zip(since_s, centres, sizes, strict=True)
    )
    shot = example_analysis().shots[0]
    return replace(shot, kick_time_s=10.0 + told_late_s, path=path)


def _to_goal(space: ShotSpace, places_m: np.ndarray) -> np.ndarray:
    ahead = -np.array(space.spot_m) / np.hypot(*space.spot_m)
    axes = np.array([[-ahead[1], ahead[0]], ahead])
    out = places_m.copy()
    out[:, :2] = places_m[:, :2] @ axes + space.spot_m
    return out


@pytest.mark.parametrize("azimuth_deg", [0.0, 40.0, 90.0, 170.0])
def test_a_ball_that_rolled_before_the_told_contact_is_noticed(azimuth_deg: float) -> None:
    space = space_from(azimuth_deg)
    for off_s, fits in ((0.0, True), (-0.013, True), (0.076, False)):
        assert ball_left_from_spot(_kicked(space, 9.0, off_s), space) is fits, off_s
    assert ball_left_from_spot(replace(_kicked(space, 9.0, 0.076), path=()), space)


def test_a_still_phone_has_one_view() -> None:
    spaces = {n: space_from(a) for n, a in enumerate((118.0, 121.0, 116.0, 119.0))}
    assert common_view(spaces) is View.SIDE and spaces[1].view is View.FRONT_OBLIQUE
    assert common_view({}) is None
    space = spaces[1]
    read = read_kick(space, CONTACT_S, poses_of(StickKick(), space), View.SIDE)
    backswing = next(r for r in read.readings if r.cue == "backswing")
    assert backswing.value is not None


def test_what_the_scene_leaves_open_widens_the_plant_foot() -> None:
    space = space_from(10.0)
    theta = np.array([np.log(1500.0), np.log(1.3), np.radians(10.0), 0.0, np.log(0.21), 0.0])
    covariance = np.diag([0.0, 0.05, 0.02, 0.0, 0.0, 0.0]) ** 2
    assert len(UNKNOWNS) == len(theta)
    others = [
        ShotSpace(camera, space.goal, space.spot_m, ball_m)
        for camera, ball_m in cameras_round(space.camera, theta, covariance)
    ]
    poses = poses_of(StickKick(), space)
    known, unsure = (
        {m.cue: m for m in read_kick(s, CONTACT_S, poses).measurements}
        for s in (space, replace(space, neighbours=tuple(others)))
    )
    for cue in ("plant_beside", "plant_fore_aft"):
        assert unsure[cue].value == known[cue].value and unsure[cue].sigma > known[cue].sigma


def test_the_spaces_of_a_count_are_those_of_its_shots() -> None:
    analysis = example_analysis()
    spaces = shot_spaces(analysis)
    assert set(spaces) == {shot.number for shot in analysis.shots if shot.kick_spot_m is not None}
