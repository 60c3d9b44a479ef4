"""One kick of a dressed body: run-up, plant, swing, contact and follow-through, over time.

Planned in the kick's own frame: origin on the ground under the ball, `ahead` along the shot, `wide`
towards the plant foot's side, up; a left-footed kick is the mirror image. What is asked for here is
only a wish: the truth is measured on the posed body (`answers`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import PchipInterpolator

from truth.arrays import Floats
from truth.bodies.person import Person, skin
from truth.bodies.poses import Posture, turns_of
from truth.bodies.rig import BONE_ROW

PLANT_S = -0.15
ROUNDS = 6
TOUCH_M = 0.002


@dataclass(frozen=True, slots=True)
class Wish:
    """What a kick is asked to be; angles in degrees, lengths in metres.

    Attributes
    ----------
    beside, ahead : plant foot from the ball, over body height. turn : of it, out from the shot.
    back : backswing, 0 none .. 1 far. stutter : 0 one swing .. 1 a stop on the way.
    stub : 0 the foot goes on after the ball .. 1 it stops there.
    open : kicking foot turned out at contact. point : its toe down.
    follow : height of the follow-through over body height.
    nod : head down at contact. look : head turned from the shot, + towards the plant side.
    approach : run-up's heading, from the plant side.
    """

    foot: str = "right"
    beside: float = 0.17
    ahead: float = -0.05
    turn: float = 0.0
    back: float = 0.6
    stutter: float = 0.0
    stub: float = 0.0
    open: float = 65.0
    point: float = 5.0
    follow: float = 0.2
    nod: float = 40.0
    look: float = 0.0
    approach: float = 20.0


@dataclass(slots=True)
class Kicking:
    """A person kicking a ball: postures over time in the world.

    Attributes
    ----------
    spot_m : (2,) of the ball; shot : heading of the shot, radians, 0 ahead, + to the left.
    radius_m : of the ball.
    nudge_m : (3,) ahead, wide, up: shift of the kicking ankle that makes the shoe touch the ball.
    """

    person: Person
    wish: Wish
    spot_m: Floats
    shot: float
    radius_m: float
    nudge_m: Floats

    @classmethod
    def plan(
        cls, person: Person, wish: Wish, spot_m: Floats, shot: float, radius_m: float
    ) -> Kicking:
        """Plan a kick and bring the shoe onto the ball at contact."""
        kick = cls(person, wish, spot_m, shot, radius_m, np.zeros(3))
        shoe = person.shoe(kick.kicks)
        for _ in range(ROUNDS):
            spots = kick.to_kick_frame(skin(person, *kick.pose(0.0), shoe))
            off = spots - [0.0, 0.0, radius_m]
            far = np.linalg.norm(off, axis=1)
            near = int(far.argmin())
            # The nearest point of the shoe comes straight behind the ball's middle, or below it.
            want = np.array([-1.0, 0.0, off[near, 2] / max(far[near], 1e-6)])
            want = want / np.linalg.norm(want) * (radius_m + TOUCH_M)
            kick.nudge_m = kick.nudge_m + np.array([1.0, 0.7, 0.0]) * (want - off[near])
        return kick

    @property
    def kicks(self) -> str:
        """Side of the kicking foot, "l" or "r"."""
        return self.wish.foot[0]

    @property
    def plants(self) -> str:
        """Side of the plant foot."""
        return "l" if self.kicks == "r" else "r"

    @property
    def sign(self) -> float:
        """+1 where the plant foot stands to the left of the ball."""
        return 1.0 if self.kicks == "r" else -1.0

    def axes(self) -> Floats:
        """Rows ahead, wide, up in the world."""
        c, s = math.cos(self.shot), math.sin(self.shot)
        return np.array([[-s, c, 0.0], [-c * self.sign, -s * self.sign, 0.0], [0.0, 0.0, 1.0]])

    def to_kick_frame(self, points_m: Floats) -> Floats:
        """World points (..., 3) in ahead, wide, up from the ball's spot."""
        moved: Floats = (points_m - [*self.spot_m, 0.0]) @ self.axes().T
        return moved

    def to_world(self, points_m: Floats) -> Floats:
        """The other way round."""
        moved: Floats = points_m @ self.axes() + [*self.spot_m, 0.0]
        return moved

    def pose(self, t_s: float) -> tuple[Floats, Floats]:
        """Turns (bones, 3, 3) and beginnings (bones, 3) of the bones, seconds from contact."""
        return turns_of(self.person, self.posture(t_s))

    def posture(self, t_s: float) -> Posture:
        """What the body does at a moment."""
        w, h = self.wish, self.person.height_m
        rest = float(self.person.heads_m[BONE_ROW["foot_l"], 2])
        kicking, plant = self._kicking_foot(t_s, h, rest), self._plant_foot(t_s, h, rest)
        lead = math.radians(w.approach)

        # Hips: over the run-up, then over the plant foot, then on after the ball.
        side = max(w.beside * h, 0.0)
        hips = _curve(
            t_s,
            [
                (-0.85, -0.62 * h, side * 0.3 + 0.62 * h * math.sin(lead), lead),
                (-0.45, -0.40 * h, side * 0.5 + 0.32 * h * math.sin(lead), lead),
                (PLANT_S, w.ahead * h - 0.13 * h, side * 0.75 + 0.04 * h, 0.9 * lead + 0.2),
                (0.0, w.ahead * h - 0.01 * h, side * 0.72, 0.3 * lead),
                (0.20, w.ahead * h + 0.09 * h, side * 0.70, -0.10),
                (0.65, w.ahead * h + 0.17 * h, side * 0.5, 0.0),
            ],
        )
        pelvis = np.array([hips[0], hips[1], 0.0])
        pelvis[2] = self._hip_height(pelvis, plant[0], kicking[0], t_s)
        lean = float(
            _curve(t_s, [(-0.85, 0.15), (PLANT_S, 0.05), (0.0, 0.16), (0.25, 0.05), (0.65, 0.1)])[0]
        )
        tilt = float(
            _curve(t_s, [(-0.85, 0.0), (PLANT_S, 0.06), (0.0, 0.12), (0.3, 0.04), (0.65, 0.0)])[0]
        )
        twist = float(
            _curve(t_s, [(-0.85, 0.0), (PLANT_S, -0.5), (0.0, -0.1), (0.25, 0.3), (0.65, 0.0)])[0]
        )
        nod = float(
            _curve(
                t_s,
                [
                    (-0.85, 0.35),
                    (-0.3, math.radians(w.nod) * 0.9),
                    (0.0, math.radians(w.nod)),
                    (0.12, math.radians(w.nod) * 0.9),
                    (0.5, 0.15),
                ],
            )[0]
        )
        # Arms: the plant side's goes up and out in the backswing, and comes across.
        out = _curve(
            t_s,
            [
                (-0.85, 0.3, 0.3),
                (PLANT_S, 0.95, 0.5),
                (0.0, 0.7, 0.55),
                (0.3, 0.35, 0.5),
                (0.65, 0.25, 0.25),
            ],
        )
        swing = _curve(
            t_s,
            [
                (-0.85, 0.5, -0.5),
                (-0.5, -0.3, 0.4),
                (PLANT_S, -0.3, 0.5),
                (0.0, 0.1, 0.1),
                (0.25, 0.6, -0.5),
                (0.65, 0.2, -0.1),
            ],
        )

        k, p, s = self.kicks, self.plants, self.sign
        turn = self.shot
        return Posture(
            self.to_world(pelvis),
            # Coming from the plant side the hips head away from it.
            turn - s * float(hips[2]),
            lean,
            s * -tilt,
            s * -twist,
            {k: self.to_world(kicking[0]), p: self.to_world(plant[0])},
            {k: turn - s * kicking[1], p: turn + s * plant[1]},
            {k: kicking[2], p: plant[2]},
            nod,
            turn + s * (math.radians(w.look) - 0.15 * float(hips[2])),
            {p: float(swing[0]), k: float(swing[1])},
            {p: float(out[0]), k: float(out[1])},
            {p: 0.5, k: 0.7},
        )

    def _plant_foot(self, t_s: float, h: float, rest: float) -> tuple[Floats, float, float]:
        """Ankle (3,), turn out and pitch of the plant foot."""
        w = self.wish
        at = (w.ahead * h - 0.02 * h, w.beside * h)
        lead = math.radians(w.approach)
        turn = math.radians(w.turn)
        rows = [
            (-0.85, -0.95 * h, 0.95 * h * math.sin(lead) + 0.06 * h, rest, -lead, 0.0),
            (-0.50, -0.93 * h, 0.93 * h * math.sin(lead) + 0.06 * h, rest + 0.03 * h, -lead, 0.6),
            (
                -0.32,
                -0.55 * h,
                0.5 * w.beside * h + 0.3 * h * math.sin(lead),
                rest + 0.07 * h,
                -0.5 * lead,
                0.3,
            ),
            (PLANT_S - 0.02, *at, rest + 0.006 * h, turn, -0.25),
            (PLANT_S + 0.04, *at, rest, turn, 0.0),
            (0.30, *at, rest, turn, 0.0),
            (0.65, at[0], at[1], rest + 0.03 * h, turn, 0.35),
        ]
        a, wide, up, heading, pitch = _curve(t_s, rows)
        return np.array([a, wide, up]), float(heading), float(pitch)

    def _kicking_foot(self, t_s: float, h: float, rest: float) -> tuple[Floats, float, float]:
        """Ankle (3,), turn out and pitch of the kicking foot."""
        w, r = self.wish, self.radius_m
        lead, point = math.radians(w.approach), math.radians(w.point)
        wide_open = math.radians(w.open)
        # Ankle at contact, before the nudge: behind the ball by half a foot or its length.
        gap = r + h * (0.035 + 0.075 * math.cos(wide_open))
        beside = 0.05 * h * math.sin(wide_open)
        low = max(rest, 0.55 * r + 0.02 * h)
        n = self.nudge_m
        back, stop = w.back, w.stutter
        base = -gap + n[0]
        far = base - (0.10 + 0.34 * back) * h
        high = rest + (0.06 + 0.24 * back) * h
        rows = [
            (-0.85, -0.85 * h, 0.85 * h * math.sin(lead) - 0.05 * h, rest + 0.05 * h, 0.0, 0.4),
            (-0.58, -0.56 * h, 0.56 * h * math.sin(lead) - 0.05 * h, rest, 0.0, 0.0),
            (-0.32, -0.56 * h, 0.56 * h * math.sin(lead) - 0.05 * h, rest + 0.01 * h, 0.0, 0.3),
        ]
        early = 0.06 * stop
        rows.append((-0.13 - early, far, 0.06 * h, high, 0.2 * wide_open, 0.5 + 0.4 * back))
        if stop > 0:
            # The leg comes down, stops or goes back a little, and then pokes at the ball.
            mid = base + 0.45 * (far - base)
            rows.append((-0.115, mid, 0.03 * h, low + 0.35 * (high - low), 0.6 * wide_open, 0.3))
            rows.append(
                (
                    -0.055,
                    mid - 0.07 * h * stop,
                    0.03 * h,
                    low + 0.4 * (high - low),
                    0.7 * wide_open,
                    0.3,
                )
            )
        else:
            rows.append(
                (
                    -0.05,
                    base + 0.42 * (far - base),
                    0.02 * h,
                    low + 0.3 * (high - low),
                    0.8 * wide_open,
                    point + 0.25,
                )
            )
        top = rest + w.follow * h
        reach = (0.12 + 0.9 * w.follow) * (1.0 - 0.8 * w.stub)
        rows += [
            (0.0, base, beside + n[1], low, wide_open, point),
            (
                0.05,
                base + 0.16 * h * min(1.0, reach),
                beside + n[1],
                low + 0.12 * w.follow * h,
                wide_open,
                point,
            ),
            (0.20, base + reach * h, 0.05 * h, top, 0.8 * wide_open, 0.6 * point),
            (0.30, base + reach * h, 0.06 * h, top - 0.01 * h, 0.5 * wide_open, 0.1),
            (0.55, base + (0.15 + 0.4 * reach) * h, -0.02 * h, rest, 0.1, 0.0),
            (0.65, base + (0.15 + 0.4 * reach) * h, -0.02 * h, rest, 0.1, 0.0),
        ]
        a, wide, up, heading, pitch = _curve(t_s, rows)
        return np.array([a, wide, up]), float(heading), float(pitch)

    def _hip_height(self, pelvis: Floats, plant: Floats, kicking: Floats, t_s: float) -> float:
        """Height of the pelvis at which the legs that carry are bent a little."""
        heads = self.person.heads_m
        row = BONE_ROW
        leg = float(
            np.linalg.norm(heads[row["calf_l"]] - heads[row["thigh_l"]])
            + np.linalg.norm(heads[row["foot_l"]] - heads[row["calf_l"]])
        )
        over = float(heads[row["pelvis"], 2] - heads[row["thigh_l"], 2])
        half = abs(float(heads[row["thigh_l"], 0]))

        def top(foot: Floats, wide: float, stretch: float) -> float:
            gap = math.hypot(foot[0] - pelvis[0], foot[1] - (pelvis[1] + wide))
            return (
                float(foot[2])
                + math.sqrt(max((stretch * leg) ** 2 - gap**2, (0.5 * leg) ** 2))
                + over
            )

        # The plant leg carries from just before it lands; before, the other does.
        share = float(np.clip((t_s - PLANT_S + 0.12) / 0.12, 0.0, 1.0))
        share = share * share * (3 - 2 * share)
        carried = top(plant, half, 0.965)
        before = top(kicking, -half, 0.965)
        return min(share * carried + (1 - share) * before, float(heads[row["pelvis"], 2]) * 0.985)


def _curve(t_s: float, rows: Sequence[tuple[float, ...]]) -> Floats:
    """Values at a time through rows (time, ...), level outside them."""
    at = min(max(t_s, rows[0][0]), rows[-1][0])
    values: Floats = _spline(tuple(rows))(at)
    return values


@lru_cache(maxsize=1024)
def _spline(rows: tuple[tuple[float, ...], ...]) -> PchipInterpolator:
    table = np.array(rows)
    return PchipInterpolator(table[:, 0], table[:, 1:])


def wished(rng: np.random.Generator, foot: str) -> Wish:
    """A kick drawn over all that pupils do, good and less good."""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    kind = rng.random()
    if kind < 0.6:  # the inside of the foot
        turned, point, back = between(55.0, 85.0), between(-5.0, 12.0), between(0.0, 1.0)
    elif kind < 0.8:  # the instep
        turned, point, back = between(0.0, 30.0), between(5.0, 30.0), between(0.2, 1.0)
    else:  # a poke with the toe
        turned, point, back = between(-8.0, 20.0), between(-20.0, 5.0), between(0.0, 0.6)
    stubbed = rng.random() < 0.15
    return Wish(
        foot=foot,
        beside=between(0.03, 0.36),
        ahead=between(-0.24, 0.14),
        turn=between(-45.0, 50.0),
        back=back,
        stutter=between(0.4, 1.0) if rng.random() < 0.25 else 0.0,
        stub=between(0.5, 1.0) if stubbed else 0.0,
        open=turned,
        point=point,
        follow=between(0.02, 0.12) if stubbed else between(0.04, 0.46),
        nod=between(-12.0, 15.0) if rng.random() < 0.2 else between(0.0, 65.0),
        look=between(-10.0, 15.0),
        approach=between(0.0, 35.0),
    )
