"""What a ball met and where it lay: every contact and every rest of a set, from its course."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats
from truth.motion import RATE_HZ, Run
from truth.moves import FRIEND, Dribble, Hold, Kick, Tap

JOLT_MPS = 0.15  # in one step: rolling and drag take less than a tenth of that
LANDS_MPS = 0.1  # downwards, before a bounce that is told
STILL_M = 1e-5  # in one step: 1 cm/s
LEAST_REST_S = 0.25
NEAR_MARKER_M = 0.05
AT_THE_LINE_M = 0.5  # the gap to a marker is measured so near to the goal line


@dataclass(frozen=True, slots=True)
class Contact:
    """A ball meets somebody or something.

    `kind` is kick, fluff, "kicked back", "rolled back", "thrown back", "picked up", "put down",
    "let go", "dribbled", stopped, bounce, wall, marker, legs, or another tap's own word; `who` is
    kicker, friend or nobody (""). `place_m` is the ball's centre then, goal frame. `end_s`: of one
    that lasts.
    """

    kind: str
    time_s: float
    ball: int
    who: str
    place_m: tuple[float, float, float]
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Rest:
    """A ball lies at a place (centre, goal frame) between two times."""

    ball: int
    from_s: float
    to_s: float
    place_m: tuple[float, float, float]


def contacts_of(
    kicks: Sequence[Kick],
    taps: Sequence[Tap],
    holds: Sequence[Hold],
    dribbles: Sequence[Dribble],
    posts: Floats,
    radius_m: float,
) -> list[Contact]:
    """All contacts of a set, in order of time.

    Parameters
    ----------
    posts
        (n, 4): x, y, radius, height of the markers.
    """
    begins = sorted(
        [(k.contact_s, k.ball) for k in kicks]
        + [(t.time_s, t.ball) for t in taps]
        + [(h.pick_s, h.ball) for h in holds]
        + [(d.begin_s, d.ball) for d in dribbles]
    )

    def until(ball: int, after_s: float) -> float:
        return next((s for s, b in begins if b == ball and s > after_s + 1e-6), float("inf"))

    out = []
    for kick in kicks:
        at = _goal(kick.run.path_m[0])
        out.append(Contact("kick", kick.contact_s, kick.ball, "kicker", at))
    for tap in taps:
        who = "friend" if tap.who == FRIEND else "kicker"
        out.append(Contact(tap.kind, tap.time_s, tap.ball, who, _goal(tap.run.path_m[0])))
    for run, begin_s, ball in [(k.run, k.contact_s, k.ball) for k in kicks] + [
        (t.run, t.time_s, t.ball) for t in taps
    ]:
        end_s = until(ball, begin_s)
        out += met_on_the_way(run, begin_s, end_s, ball, posts, radius_m)
    for hold in holds:
        who = "friend" if hold.who == FRIEND else "kicker"
        out.append(
            Contact("picked up", hold.pick_s, hold.ball, who, _goal(hold.from_m), hold.put_s)
        )
        sent_on = any(t.ball == hold.ball and abs(t.time_s - hold.put_s) < 0.05 for t in taps)
        if not sent_on:
            out.append(Contact("put down", hold.put_s, hold.ball, who, _goal(hold.to_m)))
    for led in dribbles:
        at = (float(led.line_m[0, 0]), -float(led.line_m[0, 1]), radius_m)
        out.append(Contact("dribbled", led.begin_s, led.ball, "kicker", at, led.end_s))
    return sorted(out, key=lambda c: c.time_s)


def met_on_the_way(
    run: Run, begin_s: float, until_s: float, ball: int, posts: Floats, radius_m: float
) -> Iterator[Contact]:
    """Bounces, walls, markers, legs and stopping feet of one free run, from its speeds alone.

    Parameters
    ----------
    posts
        (n, 4): x, y, radius, height of the markers.
    """
    count = min(len(run.path_m), int(min(1e6, (until_s - begin_s) * RATE_HZ)))
    path, speeds = run.path_m[:count], run.velocities_mps[:count]
    if count < 3:
        return
    jolt = np.linalg.norm(np.diff(speeds[:, :2], axis=0), axis=1)
    lands = (speeds[:-1, 2] < -LANDS_MPS) & (speeds[1:, 2] >= -1e-9)
    told = -RATE_HZ
    for i in np.flatnonzero(lands | (jolt > JOLT_MPS)):
        if i == 0 or i - told < 0.02 * RATE_HZ:
            continue
        if run.trap_step >= 0 and i >= run.trap_step:
            break
        kind = "bounce"
        if not lands[i]:
            gaps = np.linalg.norm(path[i, :2] - posts[:, :2], axis=1) - posts[:, 2] - radius_m
            at_legs = run.block_step >= 0 and abs(i - run.block_step) <= 2
            at_marker = len(gaps) and gaps.min() < NEAR_MARKER_M
            kind = "legs" if at_legs else "marker" if at_marker else "wall"
        told = int(i)
        yield Contact(kind, begin_s + i / RATE_HZ, ball, "", _goal(path[i]))
    if 0 <= run.trap_step < count:
        at = begin_s + run.trap_step / RATE_HZ
        yield Contact("stopped", at, ball, "kicker", _goal(path[run.trap_step]))


def rests_of(balls: Floats) -> list[Rest]:
    """Where balls lie, from their centres (m, n, 3) at RATE_HZ."""
    found = []
    for ball, path in enumerate(balls):
        still = np.linalg.norm(np.diff(path, axis=0), axis=1) < STILL_M
        edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if (b - a) / RATE_HZ >= LEAST_REST_S:
                found.append(Rest(ball, a / RATE_HZ, b / RATE_HZ, _goal(path[a])))
    return sorted(found, key=lambda r: r.from_s)


def marker_gap_m(run: Run, posts: Floats, radius_m: float) -> float | None:
    """Least gap between a ball and the markers' bodies near the goal line, on its first way there.

    None for a ball that never comes near the line. A ball over the markers passes their cylinders.
    """
    y = run.path_m[:, 1]
    over = np.flatnonzero(y >= radius_m)
    path = run.path_m[: over[0] + 1] if len(over) else run.path_m
    near = path[np.abs(path[:, 1]) <= AT_THE_LINE_M, :2]
    if not len(near):
        return None
    apart = np.linalg.norm(near[:, None] - posts[None, :, :2], axis=2) - posts[:, 2] - radius_m
    return max(0.0, float(apart.min()))


def _goal(point: Floats) -> tuple[float, float, float]:
    return float(point[0]), -float(point[1]), float(point[2])
