"""How the ball moves: flight with drag, bounces, sliding into rolling, rebounds, rest."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats
from truth.jit import kernel

GRAVITY_MPS2 = 9.80665  # standard gravity, ISO 80000-3
RATE_HZ = 960.0
AIR_KGPM3 = 1.2
SHELL = 2.0 / 3.0  # moment of inertia of a thin spherical shell over m r^2, any mechanics text

# Law 2 (IFAB) for size 5; sizes 4 and 3 as FIFA and youth leagues state them, from memory.
CIRCUMFERENCE_M = {3: 0.595, 4: 0.6475, 5: 0.690}
MASS_KG = {3: 0.320, 4: 0.370, 5: 0.430}


@dataclass(frozen=True, slots=True)
class Going:
    """How a ground treats a ball.

    Attributes
    ----------
    roll_mps2 : constant deceleration of a rolling ball.
    restitution : speed after over speed before a drop.
    slide : friction coefficient before the ball rolls.
    """

    roll_mps2: float
    restitution: float
    slide: float


def roll_deceleration_mps2(roll_m: float, ramp_m: float = 1.0) -> float:
    """Deceleration that lets a ball off the standard ramp roll a given distance.

    Parameters
    ----------
    roll_m
        Distance rolled on the ground, m.
    ramp_m
        Height of release, m.

    Notes
    -----
    FIFA Quality Programme, ball roll: released on a 45 degree ramp from 1 m the ball must run
    4 to 10 m (from memory). Rolling down without slip a shell reaches v^2 = 2 g h / (1 + 2/3);
    stopping in d gives a = v^2 / (2 d) = g h / ((1 + 2/3) d): 0.59 to 1.47 m/s^2.
    """
    return GRAVITY_MPS2 * ramp_m / ((1.0 + SHELL) * roll_m)


# Grass from the FIFA band; the other rolls are common practice, no source.
GOINGS = {
    "grass": Going(roll_deceleration_mps2(6.5), 0.55, 0.5),
    "concrete": Going(0.35, 0.68, 0.45),
    "gravel": Going(1.9, 0.35, 0.55),
    "indoor": Going(0.25, 0.70, 0.40),
}
# Speed after over before, at right angles: common practice, no source.
REBOUNDS = {"brick": 0.58, "plaster": 0.60, "fence": 0.42, "hedge": 0.15, "net": 0.08}


@kernel
def drag_coefficient(speed_mps: float) -> float:
    """Ball drag falls from 0.43 to 0.18 between 12 and 18 m/s (after Asai 2007, from memory)."""
    q = min(1.0, max(0.0, (speed_mps - 12.0) / 6.0))
    return 0.43 - 0.25 * q


@kernel
def run_ball(
    start: Floats,
    velocity: Floats,
    spin: Floats,
    turn: Floats,
    radius: float,
    drag_over_cd: float,
    going: Floats,
    ground_drag: bool,
    walls: Floats,
    posts: Floats,
    trap: Floats,
    steps: int,
    path: Floats,
    turns: Floats,
    speeds: Floats,
) -> tuple[int, int, int, int]:
    """March a ball until it rests.

    Parameters
    ----------
    start, velocity, spin
        (3,) m, m/s, rad/s in the inner frame; turn (3, 3).
    drag_over_cd
        0.5 rho A / m, per metre.
    going
        roll deceleration, restitution, slide friction.
    walls
        (n, 4): axis (0 x, 1 y), place, height, restitution; met from the origin's side.
    posts
        (n, 4): x, y, radius, height of upright cylinders: the two markers, then legs in the way.
    trap
        x, y, radius, from which step: a standing foot that stops the ball (radius 0: none).
    path, turns, speeds
        Filled: (steps, 3), (steps, 3, 3), (steps, 3).

    Returns
    -------
    tuple
        Steps filled, first step that touched a marker (-1 none), step of the trap (-1 none), first
        step that touched legs (-1 none).
    """
    dt = 1.0 / 960.0
    gravity = 9.80665
    p = start.copy()
    v = velocity.copy()
    w = spin.copy()
    q = turn.copy()
    touched = -1
    trapped = -1
    stopped = -1
    on_ground = p[2] <= radius + 1e-6 and v[2] <= 1e-9
    for i in range(steps):
        path[i] = p
        turns[i] = q
        speeds[i] = v
        if on_ground and v[0] * v[0] + v[1] * v[1] < 1e-10 and i > 0:
            return i + 1, touched, trapped, stopped
        if not on_ground:
            speed = math.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
            k = drag_over_cd * drag_coefficient(speed) * speed
            ax = -k * v[0]
            ay = -k * v[1]
            az = -gravity - k * v[2]
            p[0] += v[0] * dt + 0.5 * ax * dt * dt
            p[1] += v[1] * dt + 0.5 * ay * dt * dt
            p[2] += v[2] * dt + 0.5 * az * dt * dt
            v[0] += ax * dt
            v[1] += ay * dt
            v[2] += az * dt
            if p[2] < radius and v[2] < 0.0:
                # Step back to the moment of touch, so that bounce height does not depend on dt.
                back = min(dt, (radius - p[2]) / -v[2])
                hit = -(v[2] + gravity * back)
                p[0] -= v[0] * back
                p[1] -= v[1] * back
                p[2] = radius
                up = hit * going[1]
                sx = v[0] - radius * w[1]
                sy = v[1] + radius * w[0]
                slip = math.sqrt(sx * sx + sy * sy)
                if slip > 1e-9:
                    # Coulomb limit, or just enough to end the slip: J/m = slip k / (1 + k).
                    push = min(going[2] * (hit + up), slip * (2.0 / 3.0) / (1.0 + 2.0 / 3.0))
                    jx = -push * sx / slip
                    jy = -push * sy / slip
                    v[0] += jx
                    v[1] += jy
                    w[0] += jy / (2.0 / 3.0 * radius)
                    w[1] -= jx / (2.0 / 3.0 * radius)
                if up < 0.22:
                    v[2] = 0.0
                    on_ground = True
                else:
                    v[2] = up - gravity * back
                    p[0] += v[0] * back
                    p[1] += v[1] * back
                    p[2] += up * back - 0.5 * gravity * back * back
        else:
            sx = v[0] - radius * w[1]
            sy = v[1] + radius * w[0]
            slip = math.sqrt(sx * sx + sy * sy)
            p[0] += v[0] * dt
            p[1] += v[1] * dt
            # Sliding friction changes the slip at mu g (1 + 1/k).
            change = going[2] * gravity * dt
            if slip > change * 2.5:
                ux = -change * sx / slip
                uy = -change * sy / slip
                v[0] += ux
                v[1] += uy
                w[0] += uy / (2.0 / 3.0 * radius)
                w[1] -= ux / (2.0 / 3.0 * radius)
            else:
                speed = math.sqrt(v[0] ** 2 + v[1] ** 2)
                a = going[0]
                if ground_drag:
                    a += drag_over_cd * drag_coefficient(speed) * speed * speed
                if speed <= a * dt:
                    v[0] = 0.0
                    v[1] = 0.0
                else:
                    # Mid-step position: exact for constant deceleration.
                    p[0] -= 0.5 * a * dt * dt * v[0] / speed
                    p[1] -= 0.5 * a * dt * dt * v[1] / speed
                    keep = 1.0 - a * dt / speed
                    v[0] *= keep
                    v[1] *= keep
                w[0] = -v[1] / radius
                w[1] = v[0] / radius
                w[2] *= 1.0 - 2.0 * dt
        for j in range(walls.shape[0]):
            axis = int(walls[j, 0])
            side = 1.0 if walls[j, 1] > 0.0 else -1.0
            depth = side * p[axis] + radius - side * walls[j, 1]
            if depth > 0.0 and depth < 0.5 and side * v[axis] > 0.0 and p[2] < walls[j, 2]:
                v[axis] = -walls[j, 3] * v[axis]
                p[axis] -= side * depth
                v[1 - axis] *= 0.85
                w[0] *= 0.5
                w[1] *= 0.5
        for j in range(posts.shape[0]):
            ex = p[0] - posts[j, 0]
            ey = p[1] - posts[j, 1]
            d = math.sqrt(ex * ex + ey * ey) + 1e-12
            near = posts[j, 2] + radius
            if d < near and p[2] - radius < posts[j, 3]:
                into = -(v[0] * ex + v[1] * ey) / d
                if into > 0.0:
                    v[0] += 1.30 * into * ex / d
                    v[1] += 1.30 * into * ey / d
                    if j < 2 and touched < 0:
                        touched = i
                    if j >= 2 and stopped < 0:
                        stopped = i
        if trap[2] > 0.0 and i > trap[3]:
            ex = p[0] - trap[0]
            ey = p[1] - trap[1]
            if ex * ex + ey * ey < trap[2] * trap[2] and p[2] < 0.5 + radius:
                if trapped < 0 and v[0] * ex + v[1] * ey < 0.0:
                    trapped = i
                if trapped >= 0:
                    v[0] *= 0.97
                    v[1] *= 0.97
                    if abs(v[0]) + abs(v[1]) < 0.08:
                        v[0] = 0.0
                        v[1] = 0.0
        rate = math.sqrt(w[0] ** 2 + w[1] ** 2 + w[2] ** 2)
        if rate > 1e-6:
            angle = rate * dt
            ux = w[0] / rate
            uy = w[1] / rate
            uz = w[2] / rate
            s = math.sin(angle)
            c = math.cos(angle)
            for col in range(3):
                a0 = q[0, col]
                a1 = q[1, col]
                a2 = q[2, col]
                dot = (ux * a0 + uy * a1 + uz * a2) * (1.0 - c)
                q[0, col] = a0 * c + (uy * a2 - uz * a1) * s + ux * dot
                q[1, col] = a1 * c + (uz * a0 - ux * a2) * s + uy * dot
                q[2, col] = a2 * c + (ux * a1 - uy * a0) * s + uz * dot
    return steps, touched, trapped, stopped


@dataclass(frozen=True, slots=True)
class Run:
    """One free run of the ball at RATE_HZ: path (n, 3) m, turns (n, 3, 3), velocities (n, 3)."""

    path_m: Floats
    turns: Floats
    velocities_mps: Floats
    post_step: int
    trap_step: int
    block_step: int = -1

    @property
    def duration_s(self) -> float:
        """Time from launch to the last sample."""
        return (len(self.path_m) - 1) / RATE_HZ


@dataclass(frozen=True, slots=True)
class BallBody:
    """Size, weight and surroundings of the ball."""

    size: int
    going: Going
    ground_drag: bool
    walls: Floats
    posts: Floats
    girth_m: float | None = None

    @property
    def radius_m(self) -> float:
        """Radius from its circumference, the usual one of its size where it has none of its own."""
        return (self.girth_m or CIRCUMFERENCE_M[self.size]) / (2.0 * math.pi)

    def launch(
        self,
        start_m: Floats,
        velocity_mps: Floats,
        rolling: float,
        trap: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
        longest_s: float = 25.0,
        legs: Floats | None = None,
    ) -> Run:
        """Let the ball run from a kick until it rests.

        Parameters
        ----------
        rolling
            Share of the spin of rolling without slip that it starts with, 0..1.
        trap
            x, y, radius m of a foot that stops it, and the time in s after which it does.
        legs
            (n, 4) x, y, radius, height of whoever stands in the way.
        """
        steps = int(longest_s * RATE_HZ)
        path = np.zeros((steps, 3))
        turns = np.zeros((steps, 3, 3))
        speeds = np.zeros((steps, 3))
        r = self.radius_m
        v = np.asarray(velocity_mps, float)
        spin = np.array([-v[1] / r, v[0] / r, 0.0]) * rolling
        drag = 0.5 * AIR_KGPM3 * math.pi * r * r / MASS_KG[self.size]
        going = np.array([self.going.roll_mps2, self.going.restitution, self.going.slide])
        limits = np.array([trap[0], trap[1], trap[2], trap[3] * RATE_HZ])
        count, post, trapped, blocked = run_ball(
            np.asarray(start_m, float),
            v,
            spin,
            np.eye(3),
            r,
            drag,
            going,
            self.ground_drag,
            self.walls,
            self.posts if legs is None else np.concatenate([self.posts, legs]),
            limits,
            steps,
            path,
            turns,
            speeds,
        )
        return Run(path[:count], turns[:count], speeds[:count], post, trapped, blocked)

    def shoot(
        self,
        at_m: Floats,
        heading: float,
        speed_mps: float,
        loft_deg: float,
        trap: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
        legs: Floats | None = None,
    ) -> Run:
        """Kick the ball from where it lies, (2,), along a heading; see `launch`."""
        loft = math.radians(loft_deg)
        flat = speed_mps * math.cos(loft)
        velocity = np.array(
            [flat * math.sin(heading), flat * math.cos(heading), speed_mps * math.sin(loft)]
        )
        start = np.array([at_m[0], at_m[1], self.radius_m])
        return self.launch(start, velocity, 1.0 if loft_deg <= 0.0 else 0.0, trap, legs=legs)


def roll_along(path_m: Floats, turn: Floats, radius_m: float) -> Floats:
    """Turns (n, 3, 3) of a ball that follows ground positions (n, 3) without slipping."""
    turns = np.zeros((len(path_m), 3, 3))
    q = np.asarray(turn, float).copy()
    turns[0] = q
    moves = np.diff(path_m, axis=0)
    for i, (dx, dy, _) in enumerate(moves):
        length = math.hypot(dx, dy)
        if length > 1e-9:
            a = length / radius_m
            u = np.array([-dy / length, dx / length, 0.0])
            k = np.array([[0.0, -u[2], u[1]], [u[2], 0.0, -u[0]], [-u[1], u[0], 0.0]])
            q = (np.eye(3) + math.sin(a) * k + (1.0 - math.cos(a)) * k @ k) @ q
        turns[i + 1] = q
    return turns
