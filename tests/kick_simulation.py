"""Kicks by numbers: moved by plain stepping, drawn through OpenCV's camera, measured with noise.

The kick spot lies at (0.3, 3.0) of the ground frame, the goal 5.4 m further on, 2.4 m wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ball_pictures import F64, uneven_times
from scene_simulation import ball_disc, opencv_pixels
from shoegoal.ball.flight import Flight, fit_flight
from shoegoal.ball.sightings import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord, Departure
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneFit, fit_scene
from shoegoal.shots.kicks import find_kicks
from shoegoal.shots.readings import Kick
from shoegoal.shots.seeds import ground_sightings
from shoegoal.types import BallSighting, ImagePoint

DIAMETER_M = 0.22  # size 5: 68-70 cm round (IFAB Laws of the Game, Law 2)
RADIUS_M = DIAMETER_M / 2
IMAGE_SIZE_PX = (1280, 720)
CAMERA = Camera(1000.0, 639.5, 359.5, 1.4, 9.0, 1.0)
SPOT = (0.3, 3.0)
LINE_Y_M, HALF_M = 8.4, 1.2
WAY_M = LINE_Y_M - SPOT[1]


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


def shot(side_m: float, number: int, forward_mps: float = 6.5, loss: float = 1.0) -> Kicked:
    """A kick from the spot whose centre meets the goal line ``side_m`` right of its middle."""
    return Kicked((side_m / WAY_M * forward_mps, forward_mps, 0.0), loss, SPOT, 1.5 + 12.0 * number)


def fitted_scene() -> SceneFit:
    """The scene as the tool would fit it: from the ball's sizes, markers and kick spot."""
    kicks = find_kicks(record_of(shot(0.0, 0), shot(-1.0, 1), shot(1.0, 2)), CAMERA, DIAMETER_M)
    bases = np.array([[0.3 - HALF_M, LINE_Y_M, 0.0], [0.3 + HALF_M, LINE_Y_M, 0.0]])
    (left, right) = (ImagePoint(float(x), float(y)) for x, y in opencv_pixels(CAMERA, bases))
    spot, _ = ball_disc(CAMERA, np.array([*SPOT, RADIUS_M]), DIAMETER_M)
    return fit_scene(
        ground_sightings(kicks),
        IMAGE_SIZE_PX,
        left,
        right,
        ball=BallSize.FIVE,
        kick_spot_px=ImagePoint(float(spot[0]), float(spot[1])),
        width_steps=4,
        back_steps=9.0,
    )


def kicks_on(record: BallRecord, scene: SceneFit) -> list[Kick]:
    """The kicks as they are found on a fitted scene."""
    return find_kicks(record, scene.camera, scene.ball_diameter_m.value)
