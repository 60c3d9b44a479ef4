"""Kicks by numbers: moved by plain stepping, drawn through OpenCV's camera, measured with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ball_pictures import F64, uneven_times
from scene_simulation import ball_disc
from shoegoal.ball.flight import Flight, fit_flight
from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord, Departure
from shoegoal.scene.camera import Camera
from shoegoal.types import BallSighting

DIAMETER_M = 0.22  # size 5: 68-70 cm round (IFAB Laws of the Game, Law 2)
RADIUS_M = DIAMETER_M / 2
IMAGE_SIZE_PX = (1280, 720)
CAMERA = Camera(1000.0, 639.5, 359.5, 1.4, 9.0, 1.0)


@dataclass(frozen=True)
class Kicked:
    """A kick by numbers, moved by plain stepping (semi-implicit Euler, 0.1 ms)."""

    velocity: tuple[float, float, float]
    loss: float = 1.0
    start: tuple[float, float] = (0.3, 3.0)
    kick_s: float = 1.537
    wall_y_m: float = np.inf

    def centres(self, times: F64) -> F64:
        step = 1e-4
        place, speed = np.array([*self.start, RADIUS_M]), np.array(self.velocity)
        now, places = self.kick_s, []
        for time in times:
            while now < time:
                level = float(np.hypot(speed[0], speed[1]))
                if level > 0:
                    speed[:2] *= max(0.0, 1 - self.loss * step / level)
                if place[2] > RADIUS_M or speed[2] > 0:
                    speed[2] -= 9.81 * step
                if place[1] + RADIUS_M > self.wall_y_m and speed[1] > 0:
                    speed[1] *= -0.5
                place = place + speed * step
                if place[2] < RADIUS_M and speed[2] < 0:
                    place[2], speed[2] = RADIUS_M, 0.0
                now += step
            places.append(place)
        return np.array(places)

    def sightings(
        self, seed: int, seconds: float, first_s: float = 0.08, noise: float = 1.0
    ) -> list[BallSighting]:
        rng = np.random.default_rng([seed, 9])
        times = uneven_times(seconds, self.kick_s + first_s, seed)
        found = []
        for time, centre in zip(times, self.centres(times), strict=True):
            (x, y), size = ball_disc(CAMERA, centre, DIAMETER_M)
            place_px, size_px = 0.3 + 0.01 * size, 0.3 + 0.02 * size
            x, y = np.array([x, y]) + noise * rng.normal(0, place_px, 2)
            size += noise * rng.normal(0, size_px)
            found.append(BallSighting(float(time), float(x), float(y), size, place_px, size_px))
        return found

    def rest(self, seed: int, noise: float = 1.0) -> BallSighting:
        rng = np.random.default_rng([seed, 10])
        (x, y), size = ball_disc(CAMERA, np.array([*self.start, RADIUS_M]), DIAMETER_M)
        x, y = np.array([x, y]) + noise * rng.normal(0, 0.3, 2)
        return BallSighting(self.kick_s - 0.5, float(x), float(y), size, 0.3, 0.5, at_rest=True)

    def fitted(self, seed: int, seconds: float) -> Flight:
        window = (self.kick_s - 0.6, self.kick_s + 0.08)
        flight = fit_flight(
            CAMERA, DIAMETER_M, self.sightings(seed, seconds), self.rest(seed), window
        )
        assert flight is not None
        return flight


def track_of(sightings: list[BallSighting], ball_score: float = 0.95) -> BallTrack:
    return BallTrack(tuple(sightings), ball_score)


def left_of(kicked: Kicked, seed: int) -> RestingBall:
    """The kick spot as it is noticed: empty some time after the kick."""
    return RestingBall(
        kicked.rest(seed), kicked.kick_s - 0.1, kicked.kick_s + 2.0, arrived=False, ball_score=0.99
    )


def record_of(*kicks: Kicked, seconds: float = 1.2) -> BallRecord:
    """What the ball floor would note of these kicks, each seen at rest and in flight."""
    record = BallRecord()
    for seed, kicked in enumerate(kicks):
        rest = left_of(kicked, seed)
        record.departures.append(Departure(track_of(kicked.sightings(seed, seconds)), rest))
        record.resting.append(rest)
    return record
