"""Linking and straightness, on points written down by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ball_pictures import F64, uneven_times
from shoegoal.ball.tracks import (
    MAX_GAP_S,
    RestingBall,
    Track,
    TrackLinker,
    ball_track,
    roughness,
    runs_straight,
    same_event,
    since_it_left,
    worth_a_look,
)
from shoegoal.types import Detection


def seen(time_s: float, x: float, y: float, size: float = 20.0) -> Detection:
    return Detection(time_s, x, y, size, 0.3, 0.6, ball_score=0.9)


def link(moments: list[tuple[float, list[Detection]]]) -> list[Track]:
    linker = TrackLinker()
    found: list[Track] = []
    for time_s, balls in moments:
        found += linker.update(balls, time_s)
    found += linker.finish()
    assert linker.finish() == []  # handed out once, then forgotten
    return found


def sightings(times: F64, xs: F64, ys: F64, size: float = 20.0) -> tuple[Detection, ...]:
    return tuple(
        Detection(float(t), float(x), float(y), size, 0.3, 0.6)
        for t, x, y in zip(times, xs, ys, strict=True)
    )


@pytest.mark.parametrize("speed_px_s", [60.0, 300.0, 900.0])
def test_one_ball_is_one_track_whatever_the_frame_times(speed_px_s: float) -> None:
    times = uneven_times(min(2.0, 600 / speed_px_s))
    moments = [(float(t), [seen(float(t), 20 + speed_px_s * t, 200 - 20 * t)]) for t in times]
    (track,) = link(moments)
    assert [b.time_s for b in track.seen] == list(times)
    assert worth_a_look(track)


def test_balls_that_cross_keep_their_ways() -> None:
    times = uneven_times(1.6)
    moments = []
    for t in times.tolist():
        one, other = seen(t, 40 + 300 * t, 150 + 60 * t), seen(t, 520 - 300 * t, 160 + 60 * t, 30)
        moments.append((t, [one, other] if round(1000 * t) % 2 else [other, one]))
    tracks = link(moments)
    assert sorted(len(t.seen) for t in tracks) == [len(times), len(times)]
    for track in tracks:
        assert len({b.diameter_px for b in track.seen}) == 1
        steps = np.diff([b.x_px for b in track.seen])
        assert (steps > 0).all() or (steps < 0).all()


@pytest.mark.parametrize(("gap_s", "pieces"), [(0.8 * MAX_GAP_S, 1), (1.6 * MAX_GAP_S, 2)])
def test_a_gap_is_bridged_only_while_it_is_short(gap_s: float, pieces: int) -> None:
    times = [t for t in uneven_times(2.0).tolist() if not 0.8 < t < 0.8 + gap_s]
    every = uneven_times(2.0).tolist()
    moments = [(t, [seen(t, 20 + 200 * t, 200)] if t in times else []) for t in every]
    assert len(link(moments)) == pieces


def test_another_size_or_place_is_another_thing() -> None:
    times = uneven_times(1.0).tolist()
    grown = [(t, [seen(t, 20 + 200 * t, 200, 20 if t < 0.5 else 60)]) for t in times]
    jumped = [(t, [seen(t, 20 + 200 * t + (0 if t < 0.5 else 250), 200)]) for t in times]
    for moments in (grown, jumped):
        assert len(link(moments)) == 2
        assert all(len({b.diameter_px for b in t.seen}) == 1 for t in link(moments))


def test_a_ball_on_its_way_is_expected_and_one_that_rests_is_not() -> None:
    linker = TrackLinker()
    for t in np.arange(0.0, 1.0, 0.04).tolist():
        linker.update([seen(t, 20 + 200 * t, 200), seen(t, 400, 100)], t)
    ((x, y, size),) = linker.expected(1.0)
    assert (x, y, size) == pytest.approx((220, 200, 20), abs=1e-6)


def test_a_ball_that_stopped_and_is_kicked_again_is_on_two_ways() -> None:
    times = np.arange(0.0, 4.0, 0.04).tolist()

    def place(t: float) -> float:
        return 300 - 200 * min(t, 1.0) if t < 2.5 else 100 + 300 * (t - 2.5)

    first, second = link([(t, [seen(t, place(t), 200)]) for t in times])
    assert first.end_s == pytest.approx(2.5, abs=0.1)
    again = ball_track(second)
    assert again.sightings[0].x_px == 100
    assert again.sightings[0].ball_score == 0.9
    assert since_it_left(again.sightings)[0].time_s == pytest.approx(2.5, abs=0.1)


def test_flicker_jitter_and_what_stays_are_not_worth_a_look() -> None:
    rng = np.random.default_rng(4)
    times = uneven_times(1.5).tolist()
    assert (
        link([(t, [seen(t, 100, 100)] if k in (5, 6) else []) for k, t in enumerate(times)]) == []
    )
    assert link([(t, [seen(t, 100 + rng.normal(0, 1), 100)]) for t in times]) == []
    jittering = Track([seen(t, 100 + 40 * t + rng.normal(0, 14), 100) for t in times])
    assert roughness(jittering) > 0.35
    assert not worth_a_look(jittering)
    # Bending of a smooth way: the sagitta over three neighbours is far below a diameter.
    smooth = Track([seen(t, 100 + 300 * t, 100 + 80 * t**2) for t in times])
    assert roughness(smooth) < 0.02


def test_random_specks_make_no_ball_like_way() -> None:
    rng = np.random.default_rng(9)
    moments = []
    for t in uneven_times(3.0).tolist():
        places = rng.uniform([0, 0], [640, 360], (6, 2)).tolist()
        moments.append((t, [seen(t, x, y, float(rng.uniform(8, 30))) for x, y in places]))
    for track in link(moments):
        xs, ys = (np.array([getattr(b, a) for b in track.seen]) for a in ("x_px", "y_px"))
        times = np.array([b.time_s for b in track.seen])
        assert len(times) < 8 or not runs_straight(sightings(times, xs, ys))


def test_straight_on_is_what_balls_do() -> None:
    times = uneven_times(1.2)
    rolling = sightings(times, 30 + 250 * times - 40 * times**2, 200 - 60 * times)
    assert runs_straight(rolling)
    back = np.where(times > 0.8, 30 + 250 * 0.8 - 120 * (times - 0.8), 30 + 250 * times)
    assert runs_straight(sightings(times, back, 0 * times))  # a rebound, judged up to its turn
    assert not runs_straight(sightings(times, 30 + 8 * times, 0 * times))  # hardly moves
    swinging = 200 + 25 * np.sin(9 * times)
    wandering = np.cumsum(np.where(np.arange(len(times)) % 8 < 4, 9.0, -7.0))
    assert not runs_straight(sightings(times, wandering, swinging))
    assert not runs_straight(rolling[:3])


def rest_at(x: float, y: float, before_s: float = 1.9, after_s: float = 4.0) -> RestingBall:
    sighting = Detection(before_s, x, y, 24.0, 0.2, 0.4, at_rest=True)
    return RestingBall(sighting, before_s, after_s, arrived=False, ball_score=0.9)


def test_two_readings_of_one_event_are_one() -> None:
    one = rest_at(100, 260)
    assert same_event(one, rest_at(105, 263, 2.5, 4.5))
    assert not same_event(one, rest_at(130, 260))
    assert not same_event(one, rest_at(100, 260, 5.0, 6.0))
    assert not same_event(one, replace(one, arrived=True))
