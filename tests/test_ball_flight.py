"""Rolling and flying balls: against mechanics in closed form, and drawn through OpenCV's camera.

The sightings are outlines traced with cv2.projectPoints (scene_simulation), moved by our own
integration of the motion below, so neither the camera nor the path under test draws its own truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ball_pictures import F64, uneven_times
from kick_simulation import CAMERA, DIAMETER_M, RADIUS_M, Kicked
from shoegoal.ball.breaks import unbroken_part
from shoegoal.ball.flight import (
    BOUNCE,
    GRAVITY_MPS2,
    GROUND_KEEP,
    ROLL_LOSS_MPS2,
    ROLL_LOSS_SIGMA_MPS2,
    fit_flight,
    path_m,
    residual_sigmas,
)


def parameters(vx: float, vy: float, vz: float, loss: float, t0: float = 2.0) -> F64:
    return np.array([t0, 0.4, 3.0, vx, vy, vz, loss])


def test_a_rolling_ball_stops_after_v_squared_over_2a() -> None:
    """Constant deceleration: v / a seconds and v^2 / (2 a) metres (any mechanics textbook)."""
    way = path_m(parameters(3.0, 4.0, 0.0, 2.0), np.array([0.0, 2.0, 3.0, 4.5, 9.0]), RADIUS_M)
    gone = np.hypot(way[:, 0] - 0.4, way[:, 1] - 3.0)
    assert gone == pytest.approx([0.0, 0.0, 5.0 - 1.0, 25 / 4, 25 / 4])
    assert way[-1, :2] == pytest.approx([0.4 + 0.6 * 25 / 4, 3.0 + 0.8 * 25 / 4])
    assert way[:, 2] == pytest.approx(RADIUS_M)


def test_a_ball_without_loss_rolls_on() -> None:
    way = path_m(parameters(0.0, 5.0, 0.0, 0.0), np.array([2.0, 12.0]), RADIUS_M)
    assert way[1] - way[0] == pytest.approx([0.0, 50.0, 0.0])


def test_a_lofted_ball_follows_its_parabola() -> None:
    """Apex vz^2 / (2 g) after vz / g, landing 2 vz / g later at vy 2 vz / g; g = 9.81 m/s^2."""
    up = 4.0
    flight_s = 2 * up / 9.81
    times = 2.0 + np.array([flight_s / 2, flight_s * 0.25, flight_s - 1e-9])
    way = path_m(parameters(0.0, 6.0, up, 0.0), times, RADIUS_M)
    assert way[0, 2] - RADIUS_M == pytest.approx(up**2 / (2 * 9.81))
    assert way[1, 2] - RADIUS_M == pytest.approx(0.75 * up**2 / (2 * 9.81))
    assert way[2, 2] == pytest.approx(RADIUS_M, abs=1e-6)
    assert way[2, 1] == pytest.approx(3.0 + 6.0 * flight_s)


def test_bounces_rise_to_e_squared_of_the_height_before() -> None:
    """Newton's restitution: speed up = e times speed down, so heights shrink by e^2."""
    up = 5.0
    times = 2.0 + np.arange(0, 3, 1e-4)
    heights = path_m(parameters(0.0, 6.0, up, 0.0), times, RADIUS_M)[:, 2] - RADIUS_M
    first_s = 2 * up / GRAVITY_MPS2
    second_s = first_s * (1 + BOUNCE)
    apex = [
        heights[(times - 2 > start) & (times - 2 < stop)].max()
        for start, stop in ((0, first_s), (first_s, second_s))
    ]
    assert apex[1] / apex[0] == pytest.approx(BOUNCE**2, rel=1e-3)
    forward = path_m(parameters(0.0, 6.0, up, 0.0), 2.0 + np.array([first_s, second_s]), RADIUS_M)
    assert forward[1, 1] - forward[0, 1] == pytest.approx(
        6.0 * GROUND_KEEP * (second_s - first_s), rel=1e-6
    )


def test_bounce_lies_where_the_turf_test_puts_it() -> None:
    """FIFA test of vertical rebound: dropped from 2 m, 0.60 to 0.85 m (from memory)."""
    low, high = np.sqrt(0.60 / 2.0), np.sqrt(0.85 / 2.0)
    assert low <= BOUNCE <= high


def test_loss_prior_covers_the_turf_test() -> None:
    """FIFA ball roll: let off a 45 degree ramp from 1 m, the ball rolls 4 to 10 m (from memory).

    A hollow ball (thin shell, I = 2/3 m r^2) that rolls without slipping leaves 1 m of height at
    sqrt(6/5 g h); a solid one (I = 2/5 m r^2) at sqrt(10/7 g h). A real ball lies between, nearer
    the shell. Loss a = v^2 / (2 s).
    """
    for speed_squared in (6 / 5 * 9.81, 10 / 7 * 9.81):
        slow, fast = speed_squared / (2 * 10.0), speed_squared / (2 * 4.0)
        assert abs(slow - ROLL_LOSS_MPS2) <= ROLL_LOSS_SIGMA_MPS2
        assert abs(fast - ROLL_LOSS_MPS2) <= ROLL_LOSS_SIGMA_MPS2
        way = path_m(
            np.array([0.0, 0.0, 0.0, 0.0, np.sqrt(speed_squared), 0.0, ROLL_LOSS_MPS2]),
            np.array([60.0]),
            RADIUS_M,
        )
        assert 4.0 <= way[0, 1] <= 10.0


def test_a_perfectly_seen_flight_has_no_residuals() -> None:
    kicked = Kicked((0.5, 6.5, 0.0))
    exact = kicked.sightings(0, 1.0, noise=0.0)
    flight = replace(
        kicked.fitted(0, 1.0),
        kick_time_s=kicked.kick_s,
        start_m=kicked.start,
        velocity_mps=kicked.velocity,
        loss_mps2=kicked.loss,
    )
    assert residual_sigmas(CAMERA, flight, exact).max() < 0.05  # 72-sided outlines, 0.1 ms steps
    moved = [replace(s, x_px=s.x_px + 30) for s in exact]
    assert residual_sigmas(CAMERA, flight, moved).min() > 5


@pytest.mark.parametrize("velocity", [(0.5, 6.5, 0.0), (-2.2, 5.0, 0.0), (0.2, 11.0, 0.0)])
def test_a_rolling_kick_is_recovered(velocity: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(4)
    off = []
    for seed in range(8):
        kicked = Kicked(velocity, loss=float(rng.uniform(0.5, 1.8)))
        flight = kicked.fitted(seed, 1.0)
        assert flight.start_seen and not flight.lofted
        assert len(flight.sightings) >= 0.9 * len(kicked.sightings(seed, 1.0))
        assert flight.kick_time_s == pytest.approx(kicked.kick_s, abs=0.03)
        assert flight.speed_mps()[0] == pytest.approx(np.hypot(*velocity[:2]), rel=0.06)
        assert flight.start_m == pytest.approx(kicked.start, abs=0.05)
        heading = np.degrees(np.arctan2(flight.velocity_mps[0], flight.velocity_mps[1]))
        assert heading == pytest.approx(np.degrees(np.arctan2(velocity[0], velocity[1])), abs=1.0)
        truth = np.array([kicked.kick_s, *kicked.start, *velocity, kicked.loss])
        spread = np.sqrt(np.diag(flight.covariance))
        off.append((flight.parameters - truth)[[0, 1, 2, 3, 4, 6]] / spread[[0, 1, 2, 3, 4, 6]])
    # The promised spread must cover the errors; the fit allows for more noise than was drawn.
    assert np.abs(np.array(off)).max() < 4
    assert np.sqrt(np.mean(np.square(off))) < 1.5


def test_a_chipped_kick_is_recovered() -> None:
    """A chip that is still in the air at the end: height shows only in size and in the way."""
    for seed in range(5):
        kicked = Kicked((0.4, 7.0, 3.2), loss=0.0)
        flight = kicked.fitted(seed, 0.5)
        assert flight.lofted
        up_sigma = float(np.sqrt(flight.covariance[5, 5]))
        assert abs(flight.velocity_mps[2] - 3.2) <= max(0.4, 3 * up_sigma)
        assert flight.apex_m() == pytest.approx(3.2**2 / (2 * 9.81), rel=0.25)
        assert flight.kick_time_s == pytest.approx(kicked.kick_s, abs=0.04)


def test_strays_are_left_out() -> None:
    kicked = Kicked((0.5, 6.5, 0.0))
    sightings = kicked.sightings(1, 1.0)
    for k, step in ((5, 45.0), (12, -60.0), (20, 40.0)):
        sightings[k] = replace(sightings[k], x_px=sightings[k].x_px + step)
    flight = fit_flight(CAMERA, DIAMETER_M, sightings, kicked.rest(1))
    assert flight is not None
    kept = {s.time_s for s in flight.sightings}
    assert not kept & {sightings[k].time_s for k in (5, 12, 20)}
    assert len(kept) >= len(sightings) - 5
    assert flight.end_s == sightings[-1].time_s
    assert flight.speed_mps()[0] == pytest.approx(np.hypot(0.5, 6.5), rel=0.06)


@pytest.mark.parametrize("seed", range(4))
def test_a_rebound_ends_the_flight(seed: int) -> None:
    kicked = Kicked((0.3, 7.0, 0.0), wall_y_m=8.0)
    sightings = kicked.sightings(seed, 1.6)
    wall_s = 1.537 + (7.0 - np.sqrt(49 - 2 * (8.0 - RADIUS_M - 3.0))) / 1.0  # s = v t - a t^2 / 2
    assert sightings[-1].time_s > wall_s + 0.3
    flight = fit_flight(CAMERA, DIAMETER_M, sightings, kicked.rest(seed))
    assert flight is not None
    assert wall_s - 0.1 <= flight.end_s <= wall_s + 0.05
    assert flight.speed_mps()[0] == pytest.approx(np.hypot(0.3, 7.0), rel=0.06)
    assert flight.kick_time_s == pytest.approx(kicked.kick_s, abs=0.03)


def test_a_ball_seen_to_stop_gives_its_deceleration() -> None:
    """3 m/s at 1.5 m/s^2 stops after 2 s and 3 m."""
    kicked = Kicked((0.0, 3.0, 0.0), loss=1.5)
    flight = kicked.fitted(2, 2.6)
    assert flight.loss_mps2 == pytest.approx(1.5, abs=0.1)
    assert flight.centre_m([9.0])[0] == pytest.approx([0.3, 6.0, RADIUS_M], abs=0.12)


def test_without_a_resting_place_the_flight_starts_at_its_first_sighting() -> None:
    kicked = Kicked((0.5, 6.5, 0.0))
    sightings = kicked.sightings(3, 0.9, first_s=0.3)
    flight = fit_flight(CAMERA, DIAMETER_M, sightings, None)
    assert flight is not None and not flight.start_seen
    assert flight.kick_time_s == pytest.approx(sightings[0].time_s, abs=0.01)
    speed = np.hypot(0.5, 6.5) - 0.3 * kicked.loss
    assert flight.speed_mps()[0] == pytest.approx(speed, rel=0.08)


def test_too_little_or_nothing_together_is_no_flight() -> None:
    kicked = Kicked((0.5, 6.5, 0.0))
    few = kicked.sightings(3, 1.0)[:2]
    assert fit_flight(CAMERA, DIAMETER_M, few, kicked.rest(3)) is None
    rng = np.random.default_rng(6)
    flights = []
    for _ in range(5):
        jumping = [
            replace(s, x_px=float(rng.uniform(0, 1280)), y_px=float(rng.uniform(300, 720)))
            for s in kicked.sightings(3, 0.8)
        ]
        flights.append(fit_flight(CAMERA, DIAMETER_M, jumping, None))
    # A person at random: at most a few of the points hang together by chance.
    assert all(f is None or len(f.sightings) <= 6 or f.rms_sigmas > 3 for f in flights)


def test_an_unbroken_way_stays_whole_and_a_kink_ends_it() -> None:
    rng = np.random.default_rng(8)
    times = uneven_times(1.2)
    sigma = np.full((len(times), 2), 0.03)
    straight = np.column_stack([0.4 * times, 7.0 * times - 0.6 * times**2])
    turned = straight.copy()
    after = times > 0.7
    turned[after, 1] = straight[after][0, 1] - 3.0 * (times[after] - times[after][0])
    cut_at_the_start = 0
    for _ in range(60):
        noisy = straight + rng.normal(0, 0.03, straight.shape)
        assert unbroken_part(times, noisy, sigma) == slice(0, len(times))
        part = unbroken_part(times, turned + rng.normal(0, 0.03, straight.shape), sigma)
        cut_at_the_start += part.start > 0
        assert abs(part.stop - int(np.argmax(after))) <= 2
    assert cut_at_the_start <= 3  # noise now and then passes for the foot: 5%, and harmless
