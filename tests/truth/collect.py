"""The course of a set, sampled: where everybody and every ball is at every moment."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from truth.arrays import Floats
from truth.crossers import crossing_rows
from truth.figure import Figure, dress
from truth.footwork import LEFT, RIGHT, Walker
from truth.friend import BACK, Friend
from truth.motion import RATE_HZ, BallBody, roll_along
from truth.moves import FRIEND, KICKER, Aside, Dribble, Hold, Kick, Tap, Topple
from truth.people import FIGURE_HZ, Person
from truth.plot import Director
from truth.scenes import Scene
from truth.things import Bodies, add_marker, make_figure
from truth.toppling import toppled

WAITING = ("next_ball", "in a row", "tapped along")  # ways that need a ball of their own
Event = Kick | Tap | Hold | Dribble


@dataclass(slots=True)
class Play:
    """The finished course.

    Attributes
    ----------
    balls : (m, n, 3) centres at RATE_HZ. turns : (m, n, 3, 3).
    solids, casters : (k, s, .) of everybody, and of markers that move, at FIGURE_HZ; the kicker's
    first. coats : (s, 5).
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
    asides: list[Aside] = field(default_factory=list)
    topples: list[Topple] = field(default_factory=list)
    taps: list[Tap] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    dribbles: list[Dribble] = field(default_factory=list)


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
    director = Director(scene, body, Person(walker, figure), rng, _friend(scene))
    director.closer_m = scene.shots[0].closer_m
    spot = director.placed()
    walker.begin(director.start_place(spot))
    support = LEFT if foot_side > 0 else RIGHT
    walker.last_foot = support
    places = [spot]
    for shot in scene.shots[:-1]:
        if shot.fetch in WAITING:
            places.append(_waiting_place(director, shot.fetch, len(places) - 1))
    ball = 0
    for number, shot in enumerate(scene.shots):
        first = support if scene.kicker.strides % 2 == 0 else 1 - support
        if shot.fluff:
            walker.last_foot = first
            spot = director.fluff(ball, spot, shot)
        # The planting foot decides which foot starts the run.
        walker.last_foot = first
        kick = director.kick(number, ball, spot, shot)
        if number == len(scene.shots) - 1:
            walker.stand(max(1.2, min(kick.run.duration_s, 3.2) - 0.6))
            break
        director.closer_m = scene.shots[number + 1].closer_m
        if shot.fetch in WAITING:
            ball += 1
            spot = director.come_back(kick, ball, places[ball])
        else:
            spot = director.come_back(kick, ball, None)
    return _collect(director, places, walker.now_s)


def _waiting_place(director: Director, fetch: str, number: int) -> Floats:
    """Where a further ball waits: on the kick line, or beside it and a little back."""
    # On the kicking foot's side: the run-up comes from the other.
    side = 1.0 if director.scene.kicker.foot == "right" else -1.0
    off = np.array([side * (1.15 + 0.27 * (number % 3)), -0.35 - 0.26 * (number // 3)])
    if fetch == "in a row":
        off = np.array([side * 0.42 * (number + 1), 0.0])
    if fetch == "tapped along":
        off = np.array([side * (0.95 + 0.3 * number), 0.0])
    place: Floats = director.kick_spot + off + director.rng.normal(0, 0.02, 2)
    return place


def _friend(scene: Scene) -> Friend | None:
    part = scene.friend
    if part is None:
        return None
    home = np.array([part.place_m[0], -part.place_m[1]])
    rng = np.random.default_rng([scene.seed, 21])
    figure = make_figure(part.height_m, part.outfit, part.skin, rng)
    return Friend(Person(Walker(part.height_m, 0.0, home, BACK), figure), home, scene)


@dataclass(slots=True)
class _Hands:
    """Both hands of one person over time: how firmly they hold, (n,), and what, (n, 3)."""

    grip: Floats
    held: Floats


def _collect(director: Director, places: list[Floats], duration_s: float) -> Play:
    """Sample the plan into arrays."""
    scene, radius = director.scene, director.body.radius_m
    times = np.arange(0.0, duration_s + 1.0, 1.0 / FIGURE_HZ)
    people = [director.kicker]
    if director.friend is not None:
        people.append(director.friend.person)
    bones = [p.skeleton(times) for p in people]
    count = int((duration_s + 1.0) * RATE_HZ)
    clock = np.arange(count) / RATE_HZ
    balls = np.zeros((len(places), count, 3))
    turns = np.zeros((len(places), count, 3, 3))
    for i, place in enumerate(places):
        balls[i] = np.append(place, radius)
        turns[i] = Rotation.random(rng=director.rng).as_matrix()
    hands = [
        _Hands(np.zeros(len(times)), np.tile(np.append(places[0], radius), (len(times), 1)))
        for _ in people
    ]
    carries = [
        np.stack([np.interp(clock, times, b.carry[:, i]) for i in range(3)], axis=1) for b in bones
    ]
    events: list[Event] = [*director.kicks, *director.taps, *director.holds, *director.dribbles]
    for event in sorted(events, key=_begin_s):
        a = round(_begin_s(event) * RATE_HZ)
        b = event.ball
        if a >= count:
            continue
        if isinstance(event, Hold):
            who = FRIEND if event.who == FRIEND else KICKER
            z = min(round(event.put_s * RATE_HZ), count - 1)
            balls[b, a:z] = _in_hand(event, clock[a:z], carries[who][a:z])
            balls[b, z:] = event.to_m
            turns[b, a:] = turns[b, a]
            _grasp(hands[who], event, times)
            continue
        if isinstance(event, Dribble):
            path = dribble_path(event.line_m, event.end_s - event.begin_s, radius)
            spin = roll_along(path, turns[b, a], radius)
        else:
            path = event.run.path_m
            # The run turned from rest; the ball carries on from the turn it had.
            spin = event.run.turns @ turns[b, a]
        n = min(len(path), count - a)
        balls[b, a : a + n], turns[b, a : a + n] = path[:n], spin[:n]
        balls[b, a + n :], turns[b, a + n :] = path[n - 1], spin[n - 1]
    rows = []
    for person, skeleton, hand in zip(people, bones, hands, strict=True):
        touching = hand.grip > 0
        for hold in director.holds:
            if people[hold.who] is not person:
                continue
            near = touching & (times > hold.pick_s - 0.5) & (times < hold.put_s + 0.5)
            path = balls[hold.ball]
            follow = np.stack([np.interp(times, clock, path[:, i]) for i in range(3)], axis=1)
            hand.held[near] = follow[near]
        rows.append(dress(person.figure, skeleton, hand.held, hand.grip, radius))
    for i, part in enumerate(scene.crossers):
        figure = make_figure(part.height_m, None, None, np.random.default_rng([scene.seed, 31, i]))
        rows.append(crossing_rows(part, director.kicks, figure, times))
    rows += _fallen_markers(scene, director.topples, times)
    return Play(
        duration_s,
        balls,
        turns,
        np.concatenate([r[0] for r in rows], axis=1),
        np.concatenate([r[1] for r in rows], axis=1),
        np.concatenate([r[2] for r in rows], axis=0),
        director.kicks,
        director.active,
        sorted(director.asides, key=lambda a: a.time_s),
        director.topples,
        director.taps,
        director.holds,
        director.dribbles,
    )


def _begin_s(event: Event) -> float:
    match event:
        case Kick():
            return event.contact_s
        case Tap():
            return event.time_s
        case Hold():
            return event.pick_s
        case Dribble():
            return event.begin_s


def _in_hand(hold: Hold, clock: Floats, carry: Floats) -> Floats:
    """Centres (n, 3) of a ball that is lifted, carried and put down or let go."""
    up = np.clip((clock - hold.pick_s - 0.05) / 0.45, 0.0, 1.0)
    down = np.clip((hold.put_s - 0.03 - clock) / 0.45, 0.0, 1.0)
    up = up * up * (3 - 2 * up)
    down = down * down * (3 - 2 * down)
    at = hold.from_m + up[:, None] * (carry - hold.from_m)
    centres: Floats = hold.to_m + down[:, None] * (at - hold.to_m)
    return centres


def _grasp(hands: _Hands, hold: Hold, times: Floats) -> None:
    """Close the hands round a ball while it is held."""
    ramp = np.clip((times - hold.pick_s + 0.40) / 0.35, 0, 1) * np.clip(
        (hold.put_s + 0.30 - times) / 0.28, 0, 1
    )
    hands.grip = np.maximum(hands.grip, ramp * ramp * (3 - 2 * ramp))


def _fallen_markers(
    scene: Scene, falls: list[Topple], times: Floats
) -> list[tuple[Floats, Floats, Floats]]:
    """Rows of the markers that are knocked over; the still scene leaves these out."""
    rng = np.random.default_rng([scene.seed, 1])
    out = []
    for number, (kind, sign) in enumerate(((scene.goal.left, -1.0), (scene.goal.right, 1.0))):
        bodies = Bodies([], [], [], [])
        post = add_marker(bodies, kind, sign * scene.width_m / 2.0, rng)
        own = [f for f in falls if f.marker == number]
        if own:
            solids, casters, coats, _ = bodies.arrays()
            moving, shade = toppled(solids, casters, post[:2], own, times)
            out.append((moving, shade, coats))
    return out


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
