"""What happens in the evaluation sets is what their truth says, by arithmetic of its own."""

from __future__ import annotations

import itertools
from functools import cache
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from truth.catalogue import chosen
from truth.editing import Film, on_film, verdict, verdicts
from truth.extras import GapPart
from truth.motion import RATE_HZ
from truth.moves import Aside, Topple
from truth.optics import LensGrease, exposure_change, lamp_light
from truth.people import FIGURE_HZ
from truth.record import Truth, judge
from truth.render import render_clip, truth_of
from truth.scenes import Scene
from truth.shapes import ellipsoid, hit_solid, oval_cone, round_cone
from truth.stage import Stage, set_stage
from truth.studio import frames_of
from truth.toppling import LIES_DEG, moved, toppled
from truth.yards import Split


def scene_of(name: str, split: Split = "develop") -> Scene:
    (one,) = [s for s in chosen((name,), split=split) if s.trouble.name == name]
    return one.scene()


@cache
def stage_of(name: str, split: Split = "develop") -> Stage:
    return set_stage(scene_of(name, split))


def told(stage: Stage) -> Truth:
    frame = next(frames_of_small(stage))
    return truth_of(stage, [frame])


def frames_of_small(stage: Stage):  # type: ignore[no-untyped-def]
    picture = stage.scene.picture.model_copy(update={"width_px": 64, "height_px": 36})
    small = stage.scene.model_copy(update={"picture": picture})
    return (truth for _, truth in frames_of(set_stage(small), [0]))


@pytest.mark.parametrize("name", ["marker hit, in", "rolled back", "blocked", "stops on the line"])
def test_crossings_follow_from_where_the_ball_is(name: str) -> None:
    # The path of the finished play, sampled and cut with the goal line by linear interpolation.
    stage = stage_of(name)
    half, r = stage.scene.width_m / 2.0, stage.body.radius_m
    for i, kick in enumerate(stage.play.kicks):
        shot = judge(i + 1, kick, stage.scene.width_m, r)
        a = round(kick.contact_s * RATE_HZ)
        b = a + round(kick.run.duration_s * RATE_HZ)
        path = stage.play.balls[kick.ball, a : b + 1]
        assert path[0, 1] == pytest.approx(-shot.kick_spot_m[1], abs=1e-6)
        over = np.flatnonzero((path[:-1, 1] < 0) & (path[1:, 1] >= 0))
        wholly = path[:, 1].max() >= r
        assert (shot.crossing_x_m is not None) == bool(len(over))
        if len(over) == 0:
            assert not shot.is_make and shot.outcome in ("short", "blocked", "marker out")
            continue
        p, q = path[over[0]], path[over[0] + 1]
        x = p[0] + (q[0] - p[0]) * -p[1] / (q[1] - p[1])
        assert shot.crossing_x_m == pytest.approx(x, abs=1e-6)
        assert shot.is_make == (wholly and abs(x) + r <= half)


def test_balls_that_hit_a_marker_touch_it() -> None:
    for name, outcome in (("marker hit, in", "marker in"), ("marker knocked over", "marker out")):
        stage = stage_of(name)
        shots = [
            judge(i + 1, k, stage.scene.width_m, stage.body.radius_m)
            for i, k in enumerate(stage.play.kicks)
        ]
        hits = [k for k, s in zip(stage.play.kicks, shots, strict=True) if s.outcome == outcome]
        assert len(hits) >= 2
        for kick in hits:
            gaps = [
                np.linalg.norm(kick.run.path_m[:, :2] - post[:2], axis=1).min()
                - post[2]
                - stage.body.radius_m
                for post in stage.body.posts
            ]
            # Within the travel of one step at the speed of the ball.
            assert abs(min(gaps)) < kick.shot.speed_mps / RATE_HZ


def test_blocked_balls_turn_back_at_the_legs_in_front_of_the_goal() -> None:
    stage = stage_of("blocked")
    shots = [judge(i, k, 9.0, stage.body.radius_m) for i, k in enumerate(stage.play.kicks)]
    blocked = [k for k in stage.play.kicks if k.shot.blocked]
    assert len(blocked) == 2 == sum(s.outcome == "blocked" for s in shots)
    for kick in blocked:
        furthest = kick.run.path_m[:, 1].max()
        assert -2.2 < furthest < -0.9
        # Somebody's shin stands there at that moment.
        at = round((kick.contact_s + kick.run.block_step / RATE_HZ) * FIGURE_HZ)
        ball = kick.run.path_m[kick.run.block_step]
        parts = stage.play.casters[at]
        near = np.minimum(
            np.linalg.norm(parts[:, :2] - ball[:2], axis=1),
            np.linalg.norm(parts[:, 4:6] - ball[:2], axis=1),
        )
        low = parts[:, 2] < 0.3
        assert near[low].min() < 0.45


def test_balls_stop_on_the_line_and_just_over_it() -> None:
    for name, low, high, make in (
        ("stops on the line", -1.0, 1.0, False),
        ("just over the line", 1.0, 4.0, True),
    ):
        stage = stage_of(name)
        r = stage.body.radius_m
        asked = [k for k in stage.play.kicks if k.shot.seek]
        assert len(asked) == 2
        for kick in asked:
            assert low * r < kick.run.path_m[-1, 1] < high * r
            shot = judge(1, kick, stage.scene.width_m, r)
            # Law 10 (IFAB): the whole of the ball over the line, or no goal.
            assert shot.is_make is make and shot.may_ask


@pytest.mark.parametrize("split", ["develop", "report"])
@pytest.mark.parametrize("name", ["rolled back", "kicked back", "thrown back"])
def test_a_friend_sends_balls_back_to_the_kick_line(name: str, split: Split) -> None:
    stage = stage_of(name, split)
    sent = [a for a in stage.play.asides if a.kind == name]
    assert len(sent) >= 3 and not any(a.may_ask for a in sent)
    for aside in sent:
        a = round(aside.time_s * RATE_HZ)
        path = stage.play.balls[0, a : a + round(6 * RATE_HZ)]
        assert path[0, 1] > 0.0  # from behind the goal line
        after = next(k for k in stage.play.kicks if k.contact_s > aside.time_s)
        assert_allclose(after.start_m[:2], [0.0, -stage.scene.back_m], atol=0.45)
        if name == "thrown back":
            assert path[0, 2] > 0.6
        else:
            assert_allclose(path[:200, 2], stage.body.radius_m, atol=1e-6)


def test_a_fluff_barely_moves_the_ball_and_is_no_shot() -> None:
    stage = stage_of("fluff and retake")
    (fluff,) = [a for a in stage.play.asides if a.kind == "fluff"]
    assert fluff.may_ask and len(stage.play.kicks) == len(stage.scene.shots)
    a = round(fluff.time_s * RATE_HZ)
    paths = stage.play.balls[:, a : a + round(1.5 * RATE_HZ)]
    moved_m = np.linalg.norm(paths[:, -1] - paths[:, 0], axis=1)
    assert 0.2 < moved_m.max() < 1.5 and np.sort(moved_m)[:-1].max(initial=0.0) < 1e-3
    assert min(abs(k.contact_s - fluff.time_s) for k in stage.play.kicks) > 2.0


def test_a_ball_put_down_too_near_is_told() -> None:
    stage = stage_of("in front of the line")
    shots = [
        judge(i + 1, k, stage.scene.width_m, stage.body.radius_m)
        for i, k in enumerate(stage.play.kicks)
    ]
    assert [s.closer_m for s in shots] == [0.0, 0.0, 1.0, 0.0, 0.0]
    assert shots[2].kick_spot_m[1] == pytest.approx(stage.scene.back_m - 1.0, abs=0.2)


def test_somebody_crosses_when_the_scene_says() -> None:
    stage = stage_of("dog crossing")
    part = stage.scene.crossers[0]
    at = stage.play.kicks[part.when[0] - 1].contact_s + part.when[1]
    row = stage.play.casters[round(at * FIGURE_HZ)]
    there = np.abs(row[:, 1] + part.y_m) < 0.3  # inner frame: y forward
    near = row[there & (row[:, 2] < 1.0)]
    assert len(near) >= 10 and abs(near[:, 0].mean()) < 0.6


def test_a_knocked_marker_lies_down_and_stands_again() -> None:
    post = round_cone(np.array([1.0, 0.0, 0.05]), 0.04, np.array([1.0, 0.0, 0.3]), 0.02)
    solids, casters = post[0][None], post[1][None]
    fall = Topple(1, 2.0, np.array([0.0, 5.0]), 8.0)
    times = np.array([0.0, 1.99, 4.0, 9.0])
    rows, _ = toppled(solids, casters, np.array([1.0, 0.0]), [fall], times)
    for i in (0, 1, 3):
        assert_allclose(rows[i], solids)
    lying = rows[2, 0]
    rise = np.degrees(np.arcsin((lying[7] - lying[3]) / 0.25))
    assert rise == pytest.approx(90.0 - LIES_DEG, abs=1e-6)
    assert lying[6] > lying[2]  # its top points the way the ball went
    stage = stage_of("marker knocked over")
    assert len(stage.play.topples) >= 2 and all(t.up_s for t in stage.play.topples[:-1])


def test_moved_solids_are_hit_where_the_moved_ray_hits() -> None:
    turn = Rotation.from_rotvec([0.3, -0.8, 0.5]).as_matrix()
    pivot, shift = np.array([0.2, 0.1, 0.0]), np.array([0.5, -1.0, 0.2])
    axes = Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix()
    for solid, caster in (
        round_cone(np.zeros(3), 0.3, np.array([0.0, 0.0, 0.6]), 0.2),
        ellipsoid(np.zeros(3), axes, (0.3, 0.5, 0.2)),
        oval_cone(np.zeros(3), axes, 0.4, 0.3, 0.25, 0.6),
    ):
        there, _ = moved(solid[None], caster[None], turn, pivot, shift)
        start, way = np.array([2.0, 0.3, 0.2]), np.array([-1.0, -0.12, -0.02])
        way = way / np.linalg.norm(way)
        hit = hit_solid(solid, *start, *way)[0]
        start = turn @ (start - pivot) + pivot + shift
        assert hit_solid(there[0], *start, *(turn @ way))[0] == pytest.approx(hit, abs=1e-9)
        assert hit < 10.0


def film_scene(closed: bool) -> Scene:
    scene = scene_of("paused")
    picture = scene.picture.model_copy(update={"width_px": 64, "height_px": 36, "fps": 10.0})
    gap = GapPart(begins=(1, -0.5), ends=(2, -1.0), closed=closed)
    film = scene.film.model_copy(update={"gaps": (gap,), "ends": (3, 0.2), "begins": (0, 0.25)})
    return scene.model_copy(update={"picture": picture, "film": film})


@pytest.mark.parametrize("closed", [False, True])
def test_a_paused_film_has_a_gap_in_its_times_and_a_cut_one_has_none(
    tmp_path: Path, closed: bool
) -> None:
    scene = film_scene(closed)
    truth = render_clip(scene, tmp_path / "film.mp4")
    with av.open(str(tmp_path / "film.mp4")) as box:
        times = [float(f.time or 0.0) for f in box.decode(video=0)]
    kicks = [k.contact_s for k in set_stage(scene).play.kicks]
    missing = (kicks[1] - 1.0) - (kicks[0] - 0.5)
    assert times[0] == 0.0
    longest = max(b - a for a, b in itertools.pairwise(times))
    assert longest == pytest.approx(0.1 if closed else missing + 0.1, abs=0.11)
    # The first shot is cut away whole; the second is the film's first; the third has no end.
    assert [s.number for s in truth.shots] == [1, 2]
    assert truth.shots[1].may_ask == "its end is not on film"
    second = kicks[1] - 0.25 - (missing if closed else 0.0)
    assert truth.shots[0].kick_time_s == pytest.approx(second, abs=1e-6)
    assert_allclose(times, [f.pts_s for f in truth.frames], atol=1e-4)


def test_a_shot_of_which_only_the_end_is_seen_may_count_or_not() -> None:
    stage = stage_of("starts mid-shot")
    film = Film.of(stage.scene, stage.play.duration_s)
    first = stage.play.kicks[0].contact_s
    assert film.begins_s == pytest.approx(first + 0.35)
    r, width = stage.body.radius_m, stage.scene.width_m
    all_shots = [judge(i + 1, k, width, r) for i, k in enumerate(stage.play.kicks)]
    shots, asides, half_seen = on_film(all_shots, [], film, None)
    assert len(shots) == len(all_shots) - 1
    assert asides[0] == Aside("a shot already on its way", 0.0, may_ask=True)
    assert half_seen == [(0, all_shots[0].is_make)]


def test_verdicts_against_plain_enumeration() -> None:
    for makes in itertools.product([False, True], repeat=4):
        # Every way that the set could still go on to six shots decides.
        ends = {sum((*makes, *rest)) >= 3 for rest in itertools.product([False, True], repeat=2)}
        asked = verdict(list(makes), 3, 6)
        want = "not finished" if len(ends) == 2 else "advance" if True in ends else "try again"
        assert asked == want
    assert verdict([True] * 2 + [False] * 4, 3, 6) == "try again"
    assert verdicts([True, True, False], [(0, True)], 3, 3) == ["advance", "try again"]


def test_lamps_flicker_as_the_exposure_averages_them() -> None:
    scene = scene_of("flicker")
    shutter, rate = scene.picture.shutter_s, 100.0
    out = lamp_light(scene, np.ones((240, 2, 3), np.float32), 0.3)[:, 0, 0]
    row = 60
    middle = 0.3 + 0.018 * (row / 240 - 0.5)
    t = middle + shutter * ((np.arange(20000) + 0.5) / 20000 - 0.5)
    mean = (1 + scene.weather.flicker * np.sin(2 * np.pi * rate * t)).mean()
    assert out[row] == pytest.approx(mean, abs=1e-5)


def test_exposure_jumps_by_its_stops() -> None:
    scene = stage_of("exposure up").scene
    at = scene.picture.jump_at_s
    assert at is not None
    assert exposure_change(scene, at) == 1.0
    # One stop is a factor of two (ISO 12232 exposure values, from memory).
    assert exposure_change(scene, at + 1.0) == pytest.approx(2.0**0.9)


def test_grease_scatters_light_but_keeps_it() -> None:
    grease = LensGrease.on(96, 64, 0.85, 5)
    even = np.full((64, 96, 3), 0.4, np.float32)
    assert_allclose(grease.over(even), even, atol=1e-6)
    edge = even.copy()
    edge[:, 48:] = 0.1
    seen = grease.over(edge)
    assert np.abs(np.diff(seen[36, :, 0])).max() < 0.8 * 0.3


def test_moments_become_seconds_of_the_set() -> None:
    stage = stage_of("camera bumped")
    third = stage.play.kicks[2].contact_s
    assert stage.scene.camera.bump_at_s == pytest.approx(third + 3.0)
    truth = told(stage)
    assert [bool(s.may_ask == "the camera was moved") for s in truth.shots] == [
        s.decided_s > third + 2.0 for s in truth.shots
    ]
    assert truth.honest == "judge up to the bump" and truth.nuisance == "camera bumped"
