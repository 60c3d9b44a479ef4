"""The course of a set: who goes where and when, and where the ball is at every moment."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.spatial.transform import Rotation

from truth.arrays import Floats
from truth.figure import Figure, build_skeleton, dress
from truth.footwork import LEFT, RIGHT, Walker, ahead, leftward
from truth.motion import RATE_HZ, BallBody, Run, roll_along
from truth.scenes import Scene, ShotPart

FIGURE_HZ = 240.0
PICK_S = 0.9


@dataclass(frozen=True, slots=True)
class Kick:
    """One shot as it was played; inner frame."""

    ball: int
    contact_s: float
    run: Run
    shot: ShotPart
    start_m: Floats


@dataclass(slots=True)
class Hold:
    """A ball in hand from pick_s (on the ground) to put_s (on the ground again)."""

    ball: int
    pick_s: float
    put_s: float
    from_m: Floats
    to_m: Floats


@dataclass(slots=True)
class Play:
    """The finished course.

    Attributes
    ----------
    balls : (m, n, 3) centres at RATE_HZ. turns : (m, n, 3, 3).
    solids, casters : (k, s, .) of the kicker at FIGURE_HZ. coats : (s, 5).
    active : (switch time, ball number) pairs.
    """

    duration_s: float
    balls: Floats
    turns: Floats
    solids: Floats
    casters: Floats
    coats: Floats
    kicks: list[Kick]
    active: list[tuple[float, int]]


@dataclass(slots=True)
class Director:
    """Plans a set shot by shot."""

    scene: Scene
    body: BallBody
    walker: Walker
    rng: np.random.Generator
    kicks: list[Kick] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    dribbles: list[tuple[int, float, float, Floats]] = field(default_factory=list)
    taps: list[tuple[int, float, Run]] = field(default_factory=list)
    crouches: list[tuple[float, float]] = field(default_factory=list)
    leans: list[tuple[float, float]] = field(default_factory=list)
    active: list[tuple[float, int]] = field(default_factory=list)
    spots: list[Floats] = field(default_factory=list)

    @property
    def kick_spot(self) -> Floats:
        """Centre of the kick line."""
        return np.array([0.0, -self.scene.back_m])

    def start_place(self, ball: Floats) -> Floats:
        """Where the run-up begins: behind the ball, to the side of the standing foot."""
        side = 1.0 if self.scene.kicker.foot == "right" else -1.0
        back = 0.42 * self.scene.kicker.strides * self.scene.kicker.height_m
        out = leftward(0.0) * side
        start: Floats = ball - ahead(0.0) * back * 0.88 + out * (back * 0.47)
        return start

    def placed(self) -> Floats:
        """A spot near the middle of the kick line: nobody sets a ball down to the millimetre."""
        return self.kick_spot + self.rng.normal(0.0, 0.04, 2)

    def way_round(self, a: Floats, b: Floats, through: bool) -> list[Floats]:
        """Corners between two places on either side of the goal line."""
        if a[1] * b[1] >= 0.0 or max(a[1], b[1]) < 0.1:
            return []
        half = self.scene.width_m / 2.0
        far = a if a[1] > b[1] else b
        if through:
            return [np.array([float(np.clip(far[0], -half + 0.4, half - 0.4)), 0.0])]
        side = 1.0 if far[0] >= 0 else -1.0
        return [np.array([side * (half + 0.75), 0.0])]

    def room_behind(self, ball: Floats, spot: Floats) -> bool:
        """Whether a person fits between a resting ball and the walls beyond it."""
        away = ball - spot
        feet = ball + away / np.linalg.norm(away) * (0.30 * self.scene.kicker.height_m + 0.25)
        for w in self.scene.walls:
            if w.y_m is not None and (feet[1] + w.y_m) * (self.kick_spot[1] + w.y_m) < 0.0:
                return False
            if w.x_m is not None and (feet[0] - w.x_m) * (0.0 - w.x_m) < 0.0:
                return False
        return True

    def bend(self) -> float:
        """Bend down and up again; returns the moment the hands are at the ground."""
        t = self.walker.now_s
        self.crouches += [(t, 0.0), (t + 0.38, 1.0), (t + 0.50, 1.0), (t + PICK_S, 0.0)]
        self.walker.stand(PICK_S)
        return t + 0.44

    def kick(self, number: int, ball: int, at: Floats, shot: ShotPart) -> Kick:
        """Run up and strike; the ball runs until it rests or is stopped."""
        k = self.scene.kicker
        self.walker.stand(shot.idle_s)
        aim = np.array([shot.aim_x_m, 0.0]) - at
        heading = math.atan2(float(aim[0]), float(aim[1]))
        kicking = RIGHT if k.foot == "right" else LEFT
        contact = self.walker.run_up(
            at, heading, kicking, shot.loft_deg < 8.0, self.body.radius_m, k.strides
        )
        contact = round(contact * RATE_HZ) / RATE_HZ
        self.leans += [
            (contact - 0.5, 0.0),
            (contact - 0.14, -0.10),
            (contact, 0.14),
            (contact + 0.2, 0.05),
            (contact + 0.6, 0.0),
        ]
        loft = math.radians(shot.loft_deg)
        flat = ahead(heading) * shot.speed_mps * math.cos(loft)
        velocity = np.array([flat[0], flat[1], shot.speed_mps * math.sin(loft)])
        start = np.array([at[0], at[1], self.body.radius_m])
        foot = (float(self.walker.spot[0]), float(self.walker.spot[1]), 0.34, 1.0)
        run = self.body.launch(
            start,
            velocity,
            1.0 if shot.loft_deg <= 0.0 else 0.0,
            foot,
        )
        made = Kick(ball, contact, run, shot, start)
        self.kicks.append(made)
        self.active.append((contact - 1.5 if number else 0.0, ball))
        return made

    def come_back(self, kick: Kick, ball: int, spare: Floats | None) -> Floats:
        """Fetch a ball and set it on the kick line; returns its spot (2,)."""
        w = self.walker
        h = self.scene.kicker.height_m
        pace = self.scene.kicker.walk_mps
        rest_s = kick.contact_s + kick.run.duration_s
        target = kick.run.path_m[-1, :2] if spare is None else spare
        spot = self.placed()
        through = kick.shot.through_goal
        corners = self.way_round(w.spot, target, through)
        before = corners[-1] if corners else w.spot
        toward = target - before
        if float(np.linalg.norm(toward)) < 0.25:
            toward = ahead(0.0)
        toward = toward / np.linalg.norm(toward)
        fetch = kick.shot.fetch if kick.run.trap_step < 0 or spare is not None else "carry"
        if spare is None:
            w.stand(max(0.25, min(rest_s, kick.contact_s + 1.3) - w.now_s))
        if fetch in ("dribble", "kick_back") and self.room_behind(target, spot):
            return self._by_foot(kick, ball, target, spot, corners, rest_s, fetch, pace)
        heading = math.atan2(float(toward[0]), float(toward[1]))
        w.walk([*corners, target - toward * 0.30 * h], pace, heading)
        if spare is None:
            w.stand(max(0.0, rest_s + 0.1 - w.now_s))
        pick = self.bend()
        back = self.way_round(w.spot, spot, through)
        side = 1.0 if w.spot[0] > spot[0] else -1.0
        beside = [spot + np.array([0.45 * side, 0.05])] if w.spot[1] > spot[1] else []
        w.walk([*back, *beside, spot - ahead(0.0) * 0.30 * h], pace, 0.0)
        put = self.bend()
        radius = self.body.radius_m
        self.holds.append(Hold(ball, pick, put, np.append(target, radius), np.append(spot, radius)))
        w.walk([self.start_place(spot)], 1.5, 0.0, backward=True)
        return spot

    def _by_foot(
        self,
        kick: Kick,
        ball: int,
        target: Floats,
        spot: Floats,
        corners: list[Floats],
        rest_s: float,
        fetch: str,
        pace: float,
    ) -> Floats:
        """Go behind the ball, then dribble or pass it back to the kick line."""
        w = self.walker
        h = self.scene.kicker.height_m
        home = self.way_round(target, spot, kick.shot.through_goal)
        first = home[0] if home else spot
        back_way = (first - target) / np.linalg.norm(first - target)
        heading = math.atan2(float(back_way[0]), float(back_way[1]))
        side = leftward(heading) * (
            0.4 if float(leftward(heading) @ (w.spot - target)) > 0 else -0.4
        )
        behind = target - back_way * (0.30 * h)
        w.walk([*corners, target + side, behind], pace, heading)
        w.stand(max(0.1, rest_s + 0.1 - w.now_s))
        if fetch == "kick_back":
            gap = float(np.linalg.norm(spot - target))
            aim = math.atan2(float(spot[0] - target[0]), float(spot[1] - target[1]))
            kicking = RIGHT if self.scene.kicker.foot == "right" else LEFT
            touch = w.run_up(target, aim, kicking, True, self.body.radius_m, 1)
            touch = round(touch * RATE_HZ) / RATE_HZ
            speed = math.sqrt(2.0 * self.body.going.roll_mps2 * gap)
            flat = ahead(aim) * speed
            run = self.body.launch(
                np.append(target, self.body.radius_m),
                np.array([flat[0], flat[1], 0.0]),
                1.0,
            )
            self.taps.append((ball, touch, run))
            spot = run.path_m[-1, :2].copy()
            w.walk(
                [
                    *self.way_round(w.spot, spot, kick.shot.through_goal),
                    spot + np.array([0.6, 0.3]),
                    self.start_place(spot),
                ],
                pace,
                0.0,
            )
            w.stand(max(0.0, touch + run.duration_s - w.now_s))
            return spot
        line = np.array([target, *home, spot])
        begin = w.now_s + 0.15
        stop = spot - (spot - line[-2]) / np.linalg.norm(spot - line[-2]) * (0.34 * h)
        w.walk([*home, stop], min(pace, 1.7), math.atan2(*(spot - line[-2])))
        end = w.now_s - 0.25
        self.dribbles.append((ball, begin, end, line))
        side = np.array([0.55, 0.0]) * (1.0 if self.scene.kicker.foot == "left" else -1.0)
        w.walk([spot + side, self.start_place(spot)], 1.5, 0.0)
        return spot


def dribble_path(line: Floats, seconds: float, radius: float) -> Floats:
    """Ball centres (n, 3) at RATE_HZ along corner points: pushed, slowing, pushed again."""
    marks = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    q = np.linspace(0.0, 1.0, max(2, round(seconds * RATE_HZ)))
    total = marks[-1]
    # Ease out at the end; touches about every 1.3 m.
    even = np.where(q < 0.8, q / 0.9, 1.0 - (1.0 - q) ** 2 / 0.36)
    touches = max(1, round(total / 1.3))
    s = total * even + 0.11 * (1.0 - np.cos(2 * np.pi * touches * even)) * (1 - even)
    s = np.clip(s, 0.0, total)
    # Round the corners a little.
    xy = np.stack([np.interp(s, marks, line[:, i]) for i in range(2)], axis=1)
    return np.concatenate([xy, np.full((len(q), 1), radius)], axis=1)


def stage_play(scene: Scene, body: BallBody, figure: Figure, seed: int) -> Play:
    """Work out a whole set.

    Parameters
    ----------
    body
        The ball in its surroundings (walls, markers).
    """
    rng = np.random.default_rng([seed, 5])
    foot_side = 1.0 if scene.kicker.foot == "right" else -1.0
    walker = Walker(scene.kicker.height_m, 0.0, np.zeros(2), 0.0)
    director = Director(scene, body, walker, rng)
    spot = director.placed()
    walker.begin(director.start_place(spot))
    walker.last_foot = LEFT if foot_side > 0 else RIGHT
    spares = sum(1 for s in scene.shots[:-1] if s.fetch == "next_ball")
    places = [spot]
    for i in range(spares):
        off = np.array([-foot_side * (-1.15 - 0.27 * (i % 3)), -0.35 - 0.26 * (i // 3)])
        places.append(director.kick_spot + off + rng.normal(0, 0.02, 2))
    ball = 0
    for number, shot in enumerate(scene.shots):
        # The planting foot decides which foot starts the run.
        support = LEFT if foot_side > 0 else RIGHT
        walker.last_foot = support if scene.kicker.strides % 2 == 0 else 1 - support
        kick = director.kick(number, ball, spot, shot)
        if number == len(scene.shots) - 1:
            walker.stand(max(1.2, min(kick.run.duration_s, 3.2) - 0.6))
            break
        if shot.fetch == "next_ball":
            ball += 1
            spot = director.come_back(kick, ball, places[ball])
        else:
            spot = director.come_back(kick, ball, None)
    duration = walker.now_s
    return _collect(scene, body, figure, director, places, duration)


def _collect(
    scene: Scene,
    body: BallBody,
    figure: Figure,
    director: Director,
    places: list[Floats],
    duration: float,
) -> Play:
    """Sample the plan into arrays."""
    times = np.arange(0.0, duration + 1.0, 1.0 / FIGURE_HZ)
    crouch = _curve(director.crouches, times)
    lean = _curve(director.leans, times)
    bones = build_skeleton(
        scene.kicker.height_m, FIGURE_HZ, director.walker.sample(times), crouch, lean
    )
    count = int((duration + 1.0) * RATE_HZ)
    clock = np.arange(count) / RATE_HZ
    radius = body.radius_m
    balls = np.zeros((len(places), count, 3))
    turns = np.zeros((len(places), count, 3, 3))
    for i, place in enumerate(places):
        balls[i] = np.append(place, radius)
        turns[i] = Rotation.random(rng=director.rng).as_matrix()
    events: list[tuple[float, int, object]] = []
    events += [(k.contact_s, k.ball, k.run) for k in director.kicks]
    events += [(t, b, run) for b, t, run in director.taps]
    events += [(h.pick_s, h.ball, h) for h in director.holds]
    events += [(d[1], d[0], d) for d in director.dribbles]
    grip = np.zeros(len(times))
    held = np.tile(np.append(places[0], radius), (len(times), 1))
    carry = np.stack([np.interp(clock, times, bones.carry[:, i]) for i in range(3)], axis=1)
    for t, b, what in sorted(events, key=lambda e: e[0]):
        a = round(t * RATE_HZ)
        if isinstance(what, Run):
            n = min(len(what.path_m), count - a)
            # The run turned from rest; the ball carries on from the turn it had.
            spin = what.turns[:n] @ turns[b, a]
            balls[b, a : a + n] = what.path_m[:n]
            turns[b, a : a + n] = spin
            balls[b, a + n :] = what.path_m[n - 1]
            turns[b, a + n :] = spin[n - 1]
        elif isinstance(what, Hold):
            z = min(round(what.put_s * RATE_HZ), count - 1)
            up = np.clip((clock[a:z] - what.pick_s - 0.05) / 0.45, 0.0, 1.0)
            down = np.clip((what.put_s - 0.03 - clock[a:z]) / 0.45, 0.0, 1.0)
            up = up * up * (3 - 2 * up)
            down = down * down * (3 - 2 * down)
            at = what.from_m + up[:, None] * (carry[a:z] - what.from_m)
            at = what.to_m + down[:, None] * (at - what.to_m)
            balls[b, a:z] = at
            balls[b, z:] = what.to_m
            turns[b, a:] = turns[b, a]
            ramp = np.clip((times - what.pick_s + 0.40) / 0.35, 0, 1) * np.clip(
                (what.put_s + 0.30 - times) / 0.28, 0, 1
            )
            ramp = ramp * ramp * (3 - 2 * ramp)
            touching = ramp > 0
            follow = np.stack([np.interp(times, clock, balls[b, :, i]) for i in range(3)], axis=1)
            held[touching] = follow[touching]
            grip = np.maximum(grip, ramp)
        else:
            assert isinstance(what, tuple)
            _, begin, end, line = what
            path = dribble_path(line, end - begin, radius)
            n = min(len(path), count - a)
            balls[b, a : a + n] = path[:n]
            turns[b, a : a + n] = roll_along(path[:n], turns[b, a], radius)
            balls[b, a + n :] = path[n - 1]
            turns[b, a + n :] = turns[b, a + n - 1]
    solids, casters, coats = dress(figure, bones, held, grip, radius)
    return Play(duration, balls, turns, solids, casters, coats, director.kicks, director.active)


def _curve(keys: list[tuple[float, float]], times: Floats) -> Floats:
    """Values over time through keys, level outside them."""
    if not keys:
        return np.zeros_like(times)
    t = np.array([k[0] for k in keys])
    v = np.array([k[1] for k in keys])
    order = np.argsort(t, kind="stable")
    t, v = t[order], v[order]
    keep = np.concatenate([[True], np.diff(t) > 1e-6])
    t, v = t[keep], v[keep]
    curve: Floats = PchipInterpolator(t, v)(np.clip(times, t[0], t[-1]))
    return curve
