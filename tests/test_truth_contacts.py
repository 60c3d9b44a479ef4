"""What the truth tells beyond shots: contacts, rests, cover and gaps; by closed forms."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from truth.catalogue import EvaluationSet, catalogue, chosen
from truth.contacts import Contact, contacts_of, marker_gap_m, met_on_the_way, rests_of
from truth.kinds import KINDS, VIEWS
from truth.motion import GOINGS, GRAVITY_MPS2, RATE_HZ, BallBody, Run
from truth.record import FrameTruth, ShotTruth, covered_share, judge
from truth.stage import Stage, set_stage

NONE = np.zeros((0, 4))
POSTS = np.array([[-1.5, 0.0, 0.05, 0.3], [1.5, 0.0, 0.05, 0.3]])


def met(body: BallBody, run: Run, until_s: float = 99.0) -> list[Contact]:
    return list(met_on_the_way(run, 2.0, until_s, 0, POSTS, body.radius_m))


def test_a_rolling_ball_meets_a_wall_when_uniform_slowing_says() -> None:
    wall = np.array([[1.0, 2.0, 2.0, 0.4]])
    body = BallBody(5, GOINGS["grass"], False, wall, POSTS)
    run = body.shoot(np.array([0.0, -6.0]), 0.0, 5.5, 0.0)
    told = met(body, run)
    # s = v t - a t^2 / 2, from any mechanics text.
    way, a = 8.0 - body.radius_m, GOINGS["grass"].roll_mps2
    t = (5.5 - math.sqrt(5.5**2 - 2 * a * way)) / a
    assert told[0].kind == "wall"
    assert told[0].time_s == pytest.approx(2.0 + t, abs=2 / RATE_HZ)
    assert_allclose(told[0].place_m, (0.0, -2.0 + body.radius_m, body.radius_m), atol=0.01)
    # What happens after somebody else has the ball is not of this run.
    assert met(body, run, until_s=2.0 + t - 0.1) == []


def test_a_thrown_ball_bounces_when_free_fall_says() -> None:
    body = BallBody(5, GOINGS["concrete"], False, NONE, POSTS)
    start = np.array([0.0, -5.0, 1.0 + body.radius_m])
    told = met(body, body.launch(start, np.array([0.0, 0.5, 1.0]), 0.0))
    fall_s = (1.0 + math.sqrt(1.0 + 2.0 * GRAVITY_MPS2)) / GRAVITY_MPS2
    assert [c.kind for c in told[:3]] == ["bounce"] * 3
    # Air slows so slow a ball by less than one part in a hundred.
    assert told[0].time_s - 2.0 == pytest.approx(fall_s, rel=0.01)
    # Between bounces: up and down again with the restitution's share of the speed.
    gaps = np.diff([c.time_s for c in told[:4]])
    assert gaps[1] / gaps[0] == pytest.approx(GOINGS["concrete"].restitution, rel=0.03)


def test_a_marker_is_met_and_the_gap_to_it_is_nought() -> None:
    body = BallBody(5, GOINGS["grass"], False, NONE, POSTS)
    at = np.array([1.5, -5.0])
    hit = body.shoot(at, 0.0, 5.0, 0.0)
    assert {c.kind for c in met(body, hit)} == {"marker"}  # its spin drives it against it again
    assert marker_gap_m(hit, POSTS, body.radius_m) == pytest.approx(0.0, abs=5.0 / RATE_HZ)
    past = body.shoot(np.array([0.9, -5.0]), 0.0, 5.0, 0.0)
    assert met(body, past) == []
    # Straight past at 0.6 m from the marker's axis.
    want = 0.6 - POSTS[0, 2] - body.radius_m
    assert marker_gap_m(past, POSTS, body.radius_m) == pytest.approx(want, abs=1e-3)
    short = body.shoot(np.array([0.9, -5.0]), 0.0, 2.0, 0.0)
    assert marker_gap_m(short, POSTS, body.radius_m) is None


def test_rests_are_where_and_when_a_ball_lies() -> None:
    path = np.zeros((round(5 * RATE_HZ), 3))
    path[:, 2] = 0.11
    a, b = round(1.5 * RATE_HZ), round(3.0 * RATE_HZ)
    path[a:b, 1] = np.linspace(0.0, 4.0, b - a)
    path[b:, 1] = 4.0
    first, second = rests_of(path[None])
    assert (first.from_s, first.to_s) == pytest.approx((0.0, 1.5), abs=2 / RATE_HZ)
    assert (second.from_s, second.to_s) == pytest.approx((3.0, 5.0), abs=2 / RATE_HZ)
    assert first.place_m == (0.0, 0.0, 0.11) and second.place_m == (0.0, -4.0, 0.11)


def test_covered_is_the_share_of_frames_that_hide_half_the_ball() -> None:
    def frame(at_s: float, visible: float, ball: int = 0) -> FrameTruth:
        return FrameTruth(at_s, ball, (0.0, 0.0), 9.0, (0, 0, 9, 9), (0, 0, 0), visible, [])

    numbers = {"kick_spot_m": (0.0, 6.0), "speed_mps": 6.0, "loft_deg": 0.0}
    shot = ShotTruth(1, 1.0, outcome="inside", is_make=True, crossing_time_s=2.0, crossing_x_m=0.0,
                     crossing_z_m=0.1, crossing_speed_mps=4.0, clearance_m=1.0, end_time_s=3.0,
                     **numbers)  # type: ignore[arg-type]  # fmt: skip
    frames = [frame(0.9, 0.0), frame(1.0, 0.1), frame(1.3, 0.49), frame(1.6, 0.5), frame(1.9, 1.0)]
    frames += [frame(2.1, 0.0), frame(1.5, 0.0, ball=1)]
    assert covered_share(shot, frames) == 0.5
    assert covered_share(shot, []) == 1.0  # nothing of it is on film


def test_every_kind_has_yards_of_its_own_and_both_painters() -> None:
    assert len(VIEWS) >= 3 and len(KINDS) >= 12
    for split in ("develop", "report"):
        sets = [s for s in catalogue() if s.split == split and s.group == "kinds"]
        seeds = [s.yard.seed for s in sets]
        assert len(set(seeds)) == len(seeds) == len(KINDS) * len(VIEWS)
        assert not set(seeds) & {s.yard.seed for s in catalogue() if s.group != "kinds"}
        for kind in KINDS:
            of_kind = [s for s in sets if s.trouble.nuisance == kind.name]
            assert {s.painter for s in of_kind} == {"plain", "traced"}
            assert all(kind.suits(s.yard) for s in of_kind)


def test_varied_sets_come_by_seed_and_only_when_asked_for() -> None:
    assert not [s for s in chosen() if s.group == "varied"]
    sets = chosen(("varied",), "report")
    assert len({s.yard.seed for s in sets}) == len(sets) >= 400
    assert not {s.yard.seed for s in sets} & {s.yard.seed for s in chosen(("varied",), "develop")}
    pictures = [s.scene().picture for s in sets[:80]]
    assert {p.bits for p in pictures} == {8, 10} and len({p.fps for p in pictures}) >= 4
    (again,) = chosen((sets[7].name,))
    assert again.scene() == sets[7].scene()


@cache
def staged(name: str) -> tuple[Stage, list[ShotTruth]]:
    (one,) = (s for s in catalogue() if s.name == name)
    stage = set_stage(one.scene())
    width, r = stage.scene.width_m, stage.body.radius_m
    return stage, [judge(i + 1, k, width, r) for i, k in enumerate(stage.play.kicks)]


def of_kind(name: str, split: str = "develop") -> Iterator[EvaluationSet]:
    return (s for s in catalogue() if s.trouble.nuisance == name and s.split == split)


def told(stage: Stage) -> list[Contact]:
    play = stage.play
    return contacts_of(
        play.kicks, play.taps, play.holds, play.dribbles, stage.body.posts, stage.body.radius_m
    )


def test_contacts_are_where_the_ball_is_and_in_order() -> None:
    stage, _ = staged("develop: sent or brought back, a")
    contacts = told(stage)
    assert [c.time_s for c in contacts] == sorted(c.time_s for c in contacts)
    assert len([c for c in contacts if c.kind == "kick"]) == len(stage.play.kicks)
    assert {"kicked back", "thrown back", "picked up"} <= {c.kind for c in contacts}
    assert {c.who for c in contacts if c.kind == "thrown back"} == {"friend"}
    for c in contacts:
        x, y, _ = stage.play.balls[c.ball, round(c.time_s * RATE_HZ)]
        assert (x, -y) == pytest.approx(c.place_m[:2], abs=0.08), c


def test_short_balls_are_tapped_over_the_line_and_stay_short() -> None:
    for one in list(of_kind("short, then tapped over the line"))[:2]:
        stage, shots = staged(one.name)
        tapped = [t for t in stage.play.taps if t.kind == "tapped on"]
        assert len(tapped) == 3
        for tap in tapped:
            assert tap.run.path_m[0, 1] < -0.25 and tap.run.path_m[-1, 1] > 0.3
            before = max((k for k in stage.play.kicks if k.contact_s < tap.time_s),
                         key=lambda k: k.contact_s)  # fmt: skip
            assert shots[stage.play.kicks.index(before)].outcome == "short"
            assert 0.3 - 1e-3 <= -before.run.path_m[-1, 1] <= 1.5 + 1e-3


def test_waiting_balls_are_tapped_along_the_kick_line() -> None:
    stage, _ = staged("report: tapped along the kick line, a")
    tapped = [t for t in stage.play.taps if t.kind == "tapped along"]
    assert len(tapped) == 3
    for tap in tapped:
        way = tap.run.path_m[-1] - tap.run.path_m[0]
        assert abs(way[0]) > 0.7 and abs(way[1]) < 0.3
        kick = next(k for k in stage.play.kicks if k.contact_s > tap.time_s)
        assert_allclose(kick.start_m[:2], tap.run.path_m[-1, :2], atol=1e-6)


def test_a_fluffed_ball_is_put_back_or_kicked_where_it_lies() -> None:
    seen = set()
    for one in of_kind("fluffed and taken again"):
        stage, _ = staged(one.name)
        for tap in (t for t in stage.play.taps if t.kind == "fluff"):
            again = next(k for k in stage.play.kicks if k.contact_s > tap.time_s)
            shot = stage.scene.shots[stage.play.kicks.index(again)]
            moved_m = float(np.linalg.norm(tap.run.path_m[-1, :2] - tap.run.path_m[0, :2]))
            assert moved_m == pytest.approx(shot.fluff_m, abs=0.02)
            at_rest = np.linalg.norm(again.start_m[:2] - tap.run.path_m[-1, :2]) < 1e-6
            assert at_rest == shot.stays
            seen.add(shot.stays)
    assert seen == {False, True}


def test_balls_stop_where_the_set_says() -> None:
    for one in of_kind("stops short, over or at a marker", "report"):
        stage, shots = staged(one.name)
        r = stage.body.radius_m
        assert [s.outcome for s in shots[:4]] == ["short", "inside", "marker out", "short"]
        for kick in (stage.play.kicks[0], stage.play.kicks[3]):
            assert -r - 0.3 - 1e-3 <= kick.run.path_m[-1, 1] <= -r - 0.05 + 1e-3
        assert shots[2].meets_marker and not shots[0].meets_marker


@pytest.mark.parametrize(("name", "more"), [("target just met", 0), ("target just missed", 1)])
def test_targets_are_just_met_or_just_missed(name: str, more: int) -> None:
    for one in of_kind(name, "report"):
        stage, shots = staged(one.name)
        rule = stage.scene.rule
        assert rule.shots == len(shots) and rule.makes == sum(s.is_make for s in shots) + more
