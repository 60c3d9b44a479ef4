"""Where the kicker's feet are: planted between steps, swung along arcs, and the kick itself."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator

from truth.arrays import Floats

LEFT, RIGHT = 0, 1


def ahead(heading: float) -> Floats:
    """Unit (x, y) of a heading; 0 looks at the goal, pi looks back at the camera."""
    return np.array([math.sin(heading), math.cos(heading)])


def leftward(heading: float) -> Floats:
    """Unit (x, y) to the left of a heading."""
    return np.array([-math.cos(heading), math.sin(heading)])


def nearest_turn(heading: float, reference: float) -> float:
    """The same heading, unwrapped to lie within half a turn of a reference."""
    return reference + (heading - reference + math.pi) % (2.0 * math.pi) - math.pi


@dataclass(frozen=True, slots=True)
class Step:
    """One foot leaves at t0_s and stands at `to` from t1_s.

    `swing` holds, for a kick, rows (t, x, y, z, yaw, pitch) that replace the plain arc.
    """

    foot: int
    t0_s: float
    t1_s: float
    to: Floats
    yaw: float
    lift_m: float
    swing: Floats | None = None


@dataclass(slots=True)
class FootTracks:
    """Sampled feet: lists over (left, right).

    Attributes
    ----------
    xyz : (n, 3) ankle. nominal : (n, 2) ankle as if every step were plain. yaw, pitch, loose :
    (n,) heading, toe-down angle, and 1 while the foot is off the ground.
    """

    xyz: list[Floats]
    nominal: list[Floats]
    yaw: list[Floats]
    pitch: list[Floats]
    loose: list[Floats]


@dataclass(slots=True)
class Walker:
    """Plans steps; keeps the time and where each foot stands.

    Attributes
    ----------
    height_m : body height, which scales stride and stance.
    """

    height_m: float
    now_s: float
    spot: Floats
    heading: float
    steps: list[Step] = field(default_factory=list)
    feet: list[Floats] = field(init=False)
    yaws: list[float] = field(init=False)
    starts: list[Floats] = field(init=False)
    first_yaw: float = field(init=False)
    last_foot: int = RIGHT

    def __post_init__(self) -> None:
        self.begin(self.spot)

    def begin(self, spot: Floats) -> None:
        """Stand at a spot before anything happens."""
        self.spot = spot
        self.feet = [spot + self.stance(f, self.heading) for f in (LEFT, RIGHT)]
        self.starts = [p.copy() for p in self.feet]
        self.yaws = [self.heading, self.heading]
        self.first_yaw = self.heading

    def stance(self, foot: int, heading: float) -> Floats:
        """Offset of a standing foot from the body's spot."""
        side = 1.0 if foot == LEFT else -1.0
        return leftward(heading) * (side * 0.062 * self.height_m)

    def take(self, foot: int, duration_s: float, to: Floats, yaw: float, lift_m: float) -> None:
        """Add one plain step from now."""
        yaw = nearest_turn(yaw, self.yaws[foot])
        self.steps.append(Step(foot, self.now_s, self.now_s + duration_s, to, yaw, lift_m))
        self.feet[foot] = to
        self.yaws[foot] = yaw
        self.last_foot = foot
        self.now_s += duration_s

    def stand(self, seconds: float) -> None:
        """Wait."""
        self.now_s += seconds

    def walk(
        self, corners: list[Floats], speed_mps: float, end_heading: float, backward: bool = False
    ) -> None:
        """Walk through corner points (2,) and end in a stance.

        Parameters
        ----------
        backward
            Keep facing `end_heading` all the way.
        """
        points = [self.spot, *corners]
        legs = [float(np.linalg.norm(b - a)) for a, b in itertools.pairwise(points)]
        total = sum(legs)
        stride = min(0.62 * self.height_m, 0.22 * self.height_m + 0.24 * speed_mps)
        count = max(1, math.ceil(total / stride))
        pace = min(0.62, max(0.27, total / count / speed_mps))
        marks = np.concatenate([[0.0], np.cumsum(legs)])
        xs = np.array([p[0] for p in points])
        ys = np.array([p[1] for p in points])
        lift = 0.035 * self.height_m + 0.02 * speed_mps
        before = self.heading
        for i in range(count):
            foot = 1 - self.last_foot
            s = (i + 0.65) * total / count
            at = np.array([np.interp(s, marks, xs), np.interp(s, marks, ys)])
            a = max(0.0, s - 0.25)
            b = min(total, s + 0.25)
            way = math.atan2(
                float(np.interp(b, marks, xs) - np.interp(a, marks, xs)),
                float(np.interp(b, marks, ys) - np.interp(a, marks, ys)),
            )
            heading = end_heading if backward or total < 0.05 else way
            # A person turns by at most a third of a turn or so within one step.
            heading = nearest_turn(heading, before)
            heading = before + max(-1.3, min(1.3, heading - before))
            before = heading
            self.take(foot, pace, at + 0.8 * self.stance(foot, heading), heading, lift)
        self.settle(points[-1], end_heading, before, min(pace, 0.42))

    def settle(self, spot: Floats, heading: float, before: float, pace_s: float) -> None:
        """Bring both feet to a stance, turning in as many steps as needed."""
        heading = nearest_turn(heading, before)
        while abs(heading - before) > 1.3:
            before += math.copysign(1.2, heading - before)
            foot = 1 - self.last_foot
            self.take(foot, pace_s, spot + self.stance(foot, before), before, 0.05)
        for _ in range(2):
            foot = 1 - self.last_foot
            self.take(foot, pace_s, spot + self.stance(foot, heading), heading, 0.05)
        self.spot = spot
        self.heading = heading

    def run_up(
        self, ball: Floats, shot: float, kicking: int, side_foot: bool, radius: float, strides: int
    ) -> float:
        """Run, plant, swing and step out of the kick.

        Parameters
        ----------
        ball
            (2,) spot. shot: heading of the shot.
        kicking
            Which foot.
        strides
            Steps up to and with the plant.

        Returns
        -------
        float
            The moment of contact.
        """
        h = self.height_m
        d = ahead(shot)
        out = leftward(shot) * (1.0 if kicking == RIGHT else -1.0)
        support = 1 - kicking
        plant = ball + out * 0.19 * h - d * 0.03 * h
        toward = plant - 0.5 * (self.feet[LEFT] + self.feet[RIGHT])
        approach = math.atan2(float(toward[0]), float(toward[1]))
        begin = [p.copy() for p in self.feet]
        times = [0.42, 0.36, 0.31, 0.28][-strides:] if strides > 1 else [0.4]
        order = [support if (strides - 1 - i) % 2 == 0 else kicking for i in range(strides)]
        for i, foot in enumerate(order):
            share = (i + 1.0) / strides
            share = share * (0.82 + 0.18 * share)
            mean = 0.5 * (begin[LEFT] + begin[RIGHT])
            if i == strides - 1:
                self.take(foot, times[i], plant, shot, 0.05 * h)
            else:
                at = mean + share * (plant - mean) + self.stance(foot, approach)
                self.take(foot, times[i], at, approach, 0.05 * h)
        contact = self.now_s + 0.12
        leave = self.now_s - 0.10
        self._swing(ball, shot, kicking, side_foot, radius, leave, contact)
        land = self.steps[-1]
        self.now_s = land.t1_s + 0.05
        end = 0.5 * (plant + land.to)
        self.last_foot = kicking
        self.take(support, 0.38, end + self.stance(support, shot), shot, 0.05)
        self.take(kicking, 0.34, end + self.stance(kicking, shot), shot, 0.04)
        self.spot = end
        self.heading = shot
        return contact

    def _swing(
        self,
        ball: Floats,
        shot: float,
        kicking: int,
        side_foot: bool,
        radius: float,
        leave_s: float,
        contact_s: float,
    ) -> None:
        """Lay the kicking foot's path: back, through the ball, up and down again."""
        h = self.height_m
        d = ahead(shot)
        out = leftward(shot) * (1.0 if kicking == RIGHT else -1.0)
        start = self.feet[kicking]
        rel = start - ball
        ankle = 0.045 * h
        # Distance from ball centre to ankle at touch: inner side of the foot, or the instep.
        gap = radius + (0.032 * h if side_foot else 0.075 * h)
        open_deg = 68.0 if side_foot else 14.0
        turn = math.radians(open_deg) * (1.0 if kicking == RIGHT else -1.0)
        point = 0.05 if side_foot else 0.75
        at = float(rel @ d)
        wide = float(rel @ out)
        rows = [
            (leave_s, at, wide, ankle, 0.0, 0.0),
            (contact_s - 0.13, min(-0.36 * h, at - 0.02), 0.55 * wide - 0.02, 0.24 * h, 0.3, 0.9),
            (contact_s - 0.05, -0.20 * h - gap * 0.4, -0.02, 0.10 * h, 0.85, 0.5 + 0.3 * point),
            (contact_s, -gap, 0.0, max(ankle, 0.75 * radius), 1.0, point),
            (contact_s + 0.06, -gap + 0.22 * h, 0.01, 0.11 * h, 1.0, point),
            (contact_s + 0.16, 0.30 * h, 0.05, 0.23 * h, 0.8, point),
            (contact_s + 0.30, 0.34 * h, 0.06, 0.26 * h, 0.5, 0.2),
            (contact_s + 0.55, 0.22 * h, -0.01, ankle, 0.0, 0.0),
        ]
        swing = np.array(
            [
                (
                    t,
                    *(ball + a * d + s * out),
                    z,
                    nearest_turn(shot + turn * y, self.yaws[kicking]),
                    p,
                )
                for t, a, s, z, y, p in rows
            ]
        )
        to = swing[-1, 1:3].copy()
        yaw = nearest_turn(shot, self.yaws[kicking])
        self.steps.append(Step(kicking, leave_s, contact_s + 0.55, to, yaw, 0.1, swing))
        self.feet[kicking] = to
        self.yaws[kicking] = yaw

    def sample(self, times: Floats) -> FootTracks:
        """Both feet over time, (n,) seconds."""
        ankle = 0.045 * self.height_m
        tracks = FootTracks([], [], [], [], [])
        for foot in (LEFT, RIGHT):
            xyz = np.zeros((len(times), 3))
            xyz[:, :2] = self.starts[foot]
            xyz[:, 2] = ankle
            flat = xyz[:, :2].copy()
            yaw = np.full(len(times), self.first_yaw)
            pitch = np.zeros(len(times))
            loose = np.zeros(len(times))
            for s in (s for s in self.steps if s.foot == foot):
                a, b = np.searchsorted(times, [s.t0_s, s.t1_s])
                if a >= len(times):
                    continue
                from_xy = flat[a].copy()
                from_yaw = yaw[a]
                q = (times[a:b] - s.t0_s) / (s.t1_s - s.t0_s)
                e = q * q * (3.0 - 2.0 * q)
                flat[a:b] = from_xy + e[:, None] * (s.to - from_xy)
                flat[b:] = s.to
                loose[a:b] = 1.0
                if s.swing is None:
                    xyz[a:b, :2] = flat[a:b]
                    xyz[a:b, 2] = ankle + s.lift_m * np.sin(np.pi * q) ** 1.5
                    yaw[a:b] = from_yaw + e * (s.yaw - from_yaw)
                    pitch[a:b] = 0.55 * np.sin(2.0 * np.pi * q) * np.minimum(1.0, s.lift_m / 0.08)
                else:
                    curve = PchipInterpolator(s.swing[:, 0], s.swing[:, 1:])(times[a:b])
                    xyz[a:b] = curve[:, :3]
                    yaw[a:b] = curve[:, 3]
                    pitch[a:b] = curve[:, 4]
                xyz[b:, :2] = s.to
                xyz[b:, 2] = ankle
                yaw[b:] = s.yaw
            tracks.xyz.append(xyz)
            tracks.nominal.append(flat)
            tracks.yaw.append(yaw)
            tracks.pitch.append(pitch)
            tracks.loose.append(loose)
        return tracks
