"""The friend by the goal: returns balls by hand or foot and stands in the way of shots."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats
from truth.footwork import RIGHT, Walker, ahead
from truth.motion import GRAVITY_MPS2, RATE_HZ, BallBody
from truth.moves import FRIEND, Hold, Kick, Tap
from truth.people import Person
from truth.scenes import Scene

BACK = math.pi  # heading towards the kicker
PACE_MPS = 2.3
STOP_M = 0.13  # the receiver's foot stops a ball within this distance of the spot
ARRIVE_MPS = 1.3
LEG_RADIUS_M, LEG_HEIGHT_M = 0.19, 1.2
BLOCK_M = 1.3  # in front of the goal line


@dataclass(slots=True)
class Friend:
    """Somebody with a place by the goal."""

    person: Person
    home: Floats
    scene: Scene

    @property
    def walker(self) -> Walker:
        """The friend's feet."""
        return self.person.walker

    @property
    def height_m(self) -> float:
        """Body height."""
        return self.walker.height_m

    def can_reach(self, rest: Floats) -> bool:
        """Whether a ball that rests at (2,) lies behind the goal, where the friend fetches it."""
        return bool(rest[1] > 0.25)

    def go_home(self, not_before_s: float) -> None:
        """Walk back to the usual place."""
        self.walker.stand(max(0.0, not_before_s - self.walker.now_s))
        self.walker.walk([*self._way(self.home), self.home], PACE_MPS, BACK)

    def _way(self, to: Floats) -> list[Floats]:
        """Corners of a way to a place on the other side of the goal line, round the markers."""
        here = self.walker.spot
        if here[1] * to[1] >= 0.0:
            return []
        side = 1.0 if self.home[0] >= 0 else -1.0
        return [np.array([side * (self.scene.width_m / 2.0 + 0.75), 0.0])]

    def stand_in_the_way(self, ball: Floats, aim_x_m: float, ready_s: float) -> Floats:
        """Be between ball and goal; returns the legs (1, 4) that the ball meets."""
        aim = np.array([aim_x_m, 0.0])
        place = aim + (ball - aim) / np.linalg.norm(ball - aim) * BLOCK_M
        self.walker.stand(max(0.0, ready_s - 2.0 - self.walker.now_s))
        self.walker.walk([*self._way(place), place], PACE_MPS, BACK)
        return np.array([[place[0], place[1], LEG_RADIUS_M, LEG_HEIGHT_M]])

    def send_back(
        self, kick: Kick, ball: int, spot: Floats, body: BallBody, ready_s: float
    ) -> tuple[Hold, Tap]:
        """Fetch a ball and roll, kick or throw it to a spot (2,), where a foot stops it.

        Parameters
        ----------
        ready_s
            When the receiver is there.
        """
        w = self.walker
        how = kick.shot.fetch
        rest = kick.run.path_m[-1, :2]
        rest_s = kick.contact_s + kick.run.duration_s
        w.stand(max(0.0, min(rest_s, kick.contact_s + 1.2) - w.now_s))
        toward = rest - w.spot
        gap = float(np.linalg.norm(toward))
        toward = toward / gap if gap > 0.25 else ahead(0.0)
        w.walk([rest - toward * 0.30 * self.height_m], PACE_MPS, math.atan2(*toward))
        w.stand(max(0.0, rest_s + 0.1 - w.now_s))
        pick = self.person.bend()
        half = self.scene.width_m / 2.0
        inner = max(0.1, half - 0.55)
        put = np.array([float(np.clip(rest[0], -inner, inner)), 0.55])
        aim = spot - put
        heading = math.atan2(float(aim[0]), float(aim[1]))
        stand = put - ahead(heading) * 0.30 * self.height_m
        w.walk([stand], PACE_MPS, heading)
        w.stand(max(0.0, ready_s - 0.3 - w.now_s))
        radius = body.radius_m
        trap = (float(spot[0]), float(spot[1]), STOP_M, 0.3)
        length = float(np.linalg.norm(aim))
        roll_mps = math.sqrt(ARRIVE_MPS**2 + 2.0 * body.going.roll_mps2 * length)
        if how == "thrown":
            w.stand(0.55)
            release = _tick(w.now_s)
            start = np.array([*(stand + ahead(heading) * 0.34), 0.62 * self.height_m])
            flat = 0.8 * length / self._fall_s(start[2], 1.2)
            velocity = np.array([*(ahead(heading) * flat), 1.2])
            run = body.launch(start, velocity, 0.0, trap)
            w.stand(0.4)
        else:
            start = np.append(put, radius)
            release = _tick(self.person.bend())
            velocity = np.array([*(ahead(heading) * roll_mps), 0.0])
            run = body.launch(start, velocity, 1.0, trap)
        hold = Hold(ball, pick, release, np.append(rest, radius), start, FRIEND)
        if how == "kicked":
            w.walk([put - ahead(heading) * 0.75], 1.5, heading, backward=True)
            release = _tick(w.run_up(put, heading, RIGHT, True, radius, 1))
        tap = Tap(ball, release, run, f"{how} back", FRIEND)
        self.go_home(w.now_s)
        return hold, tap

    def _fall_s(self, height_m: float, up_mps: float) -> float:
        """Time until a thrown ball comes down."""
        g = GRAVITY_MPS2
        return (up_mps + math.sqrt(up_mps**2 + 2.0 * g * height_m)) / g


def _tick(time_s: float) -> float:
    return round(time_s * RATE_HZ) / RATE_HZ
