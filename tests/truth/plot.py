"""The plan of a set: who goes where and when, and what is done with the balls."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from truth.aiming import sought
from truth.arrays import Floats
from truth.footwork import LEFT, RIGHT, Walker, ahead, leftward
from truth.friend import Friend
from truth.motion import RATE_HZ, BallBody
from truth.moves import FRIEND, KICKER, Aside, Dribble, Hold, Kick, Tap, Topple
from truth.people import Person
from truth.scenes import Scene, ShotPart

RECEIVE_M = 0.26  # a receiver stands this far behind the place where the ball is stopped
FLUFF_MPS = 1.15


@dataclass(slots=True)
class Director:
    """Plans a set shot by shot."""

    scene: Scene
    body: BallBody
    kicker: Person
    rng: np.random.Generator
    friend: Friend | None = None
    kicks: list[Kick] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    dribbles: list[Dribble] = field(default_factory=list)
    taps: list[Tap] = field(default_factory=list)
    topples: list[Topple] = field(default_factory=list)
    asides: list[Aside] = field(default_factory=list)
    active: list[tuple[float, int]] = field(default_factory=list)
    closer_m: float = 0.0

    @property
    def walker(self) -> Walker:
        """The kicker's feet."""
        return self.kicker.walker

    @property
    def kick_spot(self) -> Floats:
        """Centre of the kick line."""
        return np.array([0.0, -self.scene.back_m])

    def start_place(self, ball: Floats) -> Floats:
        """Where the run-up begins: behind the ball, to the side of the standing foot."""
        if self.scene.kicker.straight:
            return ball - ahead(0.0) * 0.42 * self.scene.kicker.strides * self.walker.height_m
        side = 1.0 if self.scene.kicker.foot == "right" else -1.0
        back = 0.42 * self.scene.kicker.strides * self.scene.kicker.height_m
        out = leftward(0.0) * side
        start: Floats = ball - ahead(0.0) * back * 0.88 + out * (back * 0.47)
        return start

    def placed(self) -> Floats:
        """A spot near the middle of the kick line: nobody sets a ball down to the millimetre."""
        return self.kick_spot + ahead(0.0) * self.closer_m + self.rng.normal(0.0, 0.04, 2)

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

    def kick(self, number: int, ball: int, at: Floats, shot: ShotPart) -> Kick:
        """Run up and strike; the ball runs until it rests or is stopped."""
        w = self.walker
        w.stand(shot.idle_s)
        legs = None
        if shot.blocked and self.friend is not None:
            legs = self.friend.stand_in_the_way(at, shot.aim_x_m, w.now_s)
            w.stand(max(0.0, self.friend.walker.now_s - w.now_s))
        strike = self._strike(at, shot, legs)
        made = Kick(ball, strike.time_s, strike.run, shot, np.append(at, self.body.radius_m))
        self.kicks.append(made)
        self.active.append((strike.time_s - 1.5 if number else 0.0, ball))
        if legs is not None and self.friend is not None:
            self.friend.go_home(strike.time_s + 1.0)
        if self.scene.goal.topples and made.run.post_step >= 0:
            hit = made.run.path_m[made.run.post_step, :2]
            marker = int(hit[0] > 0.0)
            way = made.run.velocities_mps[max(0, made.run.post_step - 1), :2]
            when = strike.time_s + made.run.post_step / RATE_HZ
            self.topples.append(Topple(marker, when, way, None))
        return made

    def fluff(self, ball: int, at: Floats, meant: ShotPart) -> Floats:
        """Mis-hit the ball so that it barely moves; returns where it is kicked from after that."""
        self.walker.stand(0.4)
        aim = float(at[0]) + self.scene.back_m * math.tan(float(self.rng.uniform(-0.5, 0.5)))
        speed = FLUFF_MPS
        if meant.fluff_m is not None:
            speed = math.sqrt(2.0 * self.body.going.roll_mps2 * meant.fluff_m)
        shot = ShotPart(aim_x_m=aim, speed_mps=speed)
        strike = self._strike(at, shot, None)
        self.asides.append(Aside("fluff", strike.time_s, may_ask=True))
        self.taps.append(Tap(ball, strike.time_s, strike.run, "fluff"))
        tried = Kick(ball, strike.time_s, strike.run, shot, np.append(at, self.body.radius_m))
        if not meant.stays:
            return self._carried(tried, ball, None)
        lies: Floats = strike.run.path_m[-1, :2].copy()
        self.walker.walk([self.start_place(lies)], 1.5, 0.0)
        self.walker.stand(max(0.0, strike.time_s + strike.run.duration_s - self.walker.now_s))
        return lies

    def _strike(self, at: Floats, shot: ShotPart, legs: Floats | None) -> Tap:
        """Run up to a ball and send it as the shot says."""
        k = self.scene.kicker
        shot = sought(self.body, self.scene, at, shot)
        aim = np.array([shot.aim_x_m, 0.0]) - at
        heading = math.atan2(float(aim[0]), float(aim[1]))
        kicking = RIGHT if k.foot == "right" else LEFT
        contact = self.walker.run_up(
            at, heading, kicking, shot.loft_deg < 8.0, self.body.radius_m, k.strides
        )
        contact = round(contact * RATE_HZ) / RATE_HZ
        self.kicker.leans += [
            (contact - 0.5, 0.0),
            (contact - 0.14, -0.10),
            (contact, 0.14),
            (contact + 0.2, 0.05),
            (contact + 0.6, 0.0),
        ]
        # The kicker's feet stop a ball that comes straight back.
        foot = (float(self.walker.spot[0]), float(self.walker.spot[1]), 0.34, 1.0)
        run = self.body.shoot(at, heading, shot.speed_mps, shot.loft_deg, foot, legs)
        return Tap(0, contact, run)

    def come_back(self, kick: Kick, ball: int, spare: Floats | None) -> Floats:
        """Get a ball and set it on the kick line; returns its spot (2,)."""
        if self.topples and self.topples[-1].up_s is None:
            self._stand_up()
        fetch = kick.shot.fetch
        kick = self._played_on(kick)
        if fetch == "in a row" and spare is not None:
            home = self.start_place(spare)
            self.walker.walk(
                [*self.way_round(self.walker.spot, home, False), home],
                self.scene.kicker.walk_mps,
                0.0,
            )
            return spare
        if fetch == "tapped along" and spare is not None:
            return self._tapped_along(ball, spare)
        rest = kick.run.path_m[-1, :2]
        if (
            fetch in ("rolled", "kicked", "thrown")
            and self.friend is not None
            and self.friend.can_reach(rest)
            and kick.run.trap_step < 0
        ):
            return self._received(kick, ball)
        return self._carried(kick, ball, spare)

    def _played_on(self, kick: Kick) -> Kick:
        """Have a ball that has come to rest tapped near the goal, where the shot says so."""
        how = kick.shot.then
        by_friend = how == "tapped by the friend" and self.friend is not None
        person = self.friend.person if by_friend and self.friend is not None else self.kicker
        rest = kick.run.path_m[-1, :2].copy()
        half = self.scene.width_m / 2.0
        inside = half - self.body.radius_m - 0.2
        between = self.rng.uniform
        if how is None:
            return kick
        if how == "tapped on":
            x = float(np.clip(rest[0] + between(-0.25, 0.25), -inside, inside))
            to = np.array([x, between(0.4, 1.0)])
        else:
            side = -1.0 if rest[1] > 0.0 else 1.0
            to = np.array([between(-inside, inside), side * between(0.5, 1.2)])
        if not self.room_behind(rest, to):
            return kick
        rest_s = kick.contact_s + kick.run.duration_s
        w = person.walker
        w.stand(max(0.25, min(rest_s, kick.contact_s + 1.3) - w.now_s))
        tap = self._tap(person, kick.ball, rest, to, rest_s, how)
        if by_friend and self.friend is not None:
            self.friend.go_home(w.now_s)
        return Kick(kick.ball, tap.time_s, tap.run, kick.shot, tap.run.path_m[0])

    def _tap(
        self, person: Person, ball: int, at: Floats, to: Floats, ready_s: float, kind: str
    ) -> Tap:
        """Go behind a ball that lies at `at` and tap it so that it stops at `to`.

        Parameters
        ----------
        ready_s
            When the ball lies.
        """
        w = person.walker
        gap = float(np.linalg.norm(to - at))
        heading = math.atan2(float(to[0] - at[0]), float(to[1] - at[1]))
        behind = at - ahead(heading) * 0.30 * w.height_m
        out = leftward(heading) * (0.4 if float(leftward(heading) @ (w.spot - at)) > 0 else -0.4)
        corners = self.way_round(w.spot, behind, False)
        # Round the ball, where the way would lead through it.
        if float(ahead(heading) @ (w.spot - at)) > -0.1:
            corners = [*corners, at + out]
        w.walk([*corners, behind], self.scene.kicker.walk_mps, heading)
        w.stand(max(0.1, ready_s + 0.1 - w.now_s))
        kicker = person is self.kicker
        foot = RIGHT if self.scene.kicker.foot == "right" or not kicker else LEFT
        touch = w.run_up(at, heading, foot, True, self.body.radius_m, 1)
        touch = round(touch * RATE_HZ) / RATE_HZ
        flat = ahead(heading) * math.sqrt(2.0 * self.body.going.roll_mps2 * gap)
        start = np.append(at, self.body.radius_m)
        run = self.body.launch(start, np.array([flat[0], flat[1], 0.0]), 1.0)
        tap = Tap(ball, touch, run, kind, KICKER if kicker else FRIEND)
        self.taps.append(tap)
        self.asides.append(Aside(kind, touch))
        return tap

    def _tapped_along(self, ball: int, spare: Floats) -> Floats:
        """Tap a waiting ball along the kick line to the spot; returns where it stops."""
        w = self.walker
        tap = self._tap(self.kicker, ball, spare, self.placed(), w.now_s, "tapped along")
        lies: Floats = tap.run.path_m[-1, :2].copy()
        w.walk([self.start_place(lies)], 1.5, 0.0, backward=True)
        w.stand(max(0.0, tap.time_s + tap.run.duration_s - w.now_s))
        return lies

    def _tapped_back(self, ball: int, at: Floats, spot: Floats, ready_s: float) -> Floats:
        """Tap a ball back to the kick line in two goes; returns where it stops."""
        w = self.walker
        share = float(self.rng.uniform(0.35, 0.65))
        for to in (at + share * (spot - at), spot):
            tap = self._tap(self.kicker, ball, at, to, ready_s, "tapped back")
            at, ready_s = tap.run.path_m[-1, :2].copy(), tap.time_s + tap.run.duration_s
        aside = at + np.array([0.6, 0.3])
        w.walk([aside, self.start_place(at)], self.scene.kicker.walk_mps, 0.0)
        w.stand(max(0.0, ready_s - w.now_s))
        return at

    def _stand_up(self) -> None:
        """Walk to a marker that was knocked over and set it up again where it stood."""
        last = self.topples[-1]
        side = 1.0 if last.marker else -1.0
        at = np.array([side * (self.scene.width_m / 2.0 + 0.1), 0.0])
        stop = at - ahead(0.0) * 0.32 * self.scene.kicker.height_m
        self.walker.walk([stop], self.scene.kicker.walk_mps, 0.0)
        self.walker.stand(max(0.0, last.time_s + 1.0 - self.walker.now_s))
        self.topples[-1] = Topple(last.marker, last.time_s, last.way, self.kicker.bend())

    def _received(self, kick: Kick, ball: int) -> Floats:
        """Have the friend send the ball back and stop it on the kick line; returns its spot."""
        w = self.walker
        assert self.friend is not None
        spot = self.placed()
        w.walk([spot - ahead(0.0) * RECEIVE_M], self.scene.kicker.walk_mps, 0.0)
        hold, tap = self.friend.send_back(kick, ball, spot, self.body, w.now_s)
        self.holds.append(hold)
        self.taps.append(tap)
        self.asides.append(Aside(f"{kick.shot.fetch} back", tap.time_s))
        end = tap.run.path_m[-1, :2].copy()
        w.stand(max(0.0, tap.time_s + tap.run.duration_s + 0.1 - w.now_s))
        if float(np.linalg.norm(end - spot)) > 0.3:
            sent = Kick(ball, tap.time_s, tap.run, kick.shot, tap.run.path_m[0])
            return self._carried(sent, ball, None, by_hand=True)
        w.walk([self.start_place(end)], 1.5, 0.0, backward=True)
        return end

    def _carried(
        self, kick: Kick, ball: int, spare: Floats | None, by_hand: bool = False
    ) -> Floats:
        """Fetch a ball, by hand or by foot; returns the spot where it is set down."""
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
        stopped = kick.run.trap_step >= 0 and spare is None
        fetch = "carry" if stopped or by_hand else kick.shot.fetch
        if spare is None:
            w.stand(max(0.25, min(rest_s, kick.contact_s + 1.3) - w.now_s))
        if fetch == "tapped back" and self.room_behind(target, spot):
            return self._tapped_back(ball, target, spot, rest_s)
        if fetch in ("dribble", "kick_back") and self.room_behind(target, spot):
            return self._by_foot(kick, ball, target, spot, corners, rest_s, fetch, pace)
        heading = math.atan2(float(toward[0]), float(toward[1]))
        w.walk([*corners, target - toward * 0.30 * h], pace, heading)
        if spare is None:
            w.stand(max(0.0, rest_s + 0.1 - w.now_s))
        pick = self.kicker.bend()
        back = self.way_round(w.spot, spot, through)
        side = 1.0 if w.spot[0] > spot[0] else -1.0
        beside = [spot + np.array([0.45 * side, 0.05])] if w.spot[1] > spot[1] else []
        w.walk([*back, *beside, spot - ahead(0.0) * 0.30 * h], pace, 0.0)
        put = self.kicker.bend()
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
            self.taps.append(Tap(ball, touch, run, "kicked back"))
            self.asides.append(Aside("kicked back", touch))
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
        self.dribbles.append(Dribble(ball, begin, end, line))
        self.asides.append(Aside("dribbled back", begin))
        side = np.array([0.55, 0.0]) * (1.0 if self.scene.kicker.foot == "left" else -1.0)
        w.walk([spot + side, self.start_place(spot)], 1.5, 0.0)
        return spot
