"""People, dogs and strange balls that go right through the picture."""

from __future__ import annotations

import numpy as np

from truth.arrays import Floats
from truth.extras import CrosserPart
from truth.figure import Figure, dress
from truth.footwork import Walker, ahead
from truth.moves import Kick
from truth.people import Person
from truth.shapes import ellipsoid, round_cone

REACH_M = 10.0  # how far to either side the way begins and ends: out of the picture
STRANGE_RADIUS_M = 0.11
BOUNCES_HZ = 1.5
HAND_SHARE = 0.45  # of the height: where a bouncing ball meets the hand
PAINTS = ((0.75, 0.73, 0.7), (0.62, 0.26, 0.08), (0.7, 0.6, 0.1), (0.15, 0.2, 0.5))

Rows = tuple[Floats, Floats, Floats]


def crossing_rows(part: CrosserPart, kicks: list[Kick], figure: Figure, times: Floats) -> Rows:
    """Solids (n, s, 16), casters (n, s, 8) and coats (s, 5) of one that crosses.

    Parameters
    ----------
    kicks
        Of the set, in order: they say when the crossing is.
    times
        (n,) seconds at FIGURE_HZ.
    """
    number, after_s = part.when
    middle_s = after_s + (kicks[number - 1].contact_s if number else 0.0)
    sign = 1.0 if part.from_left else -1.0
    if part.kind == "ball":
        return _ball(_rolls(part, middle_s, sign, times), part)
    if part.kind == "ball bouncer":
        person = _person(part, middle_s, sign, figure, times)
        ball = _ball(_bounces(part, middle_s, sign, times), part)
        solids, casters = (np.concatenate([person[i], ball[i]], axis=1) for i in range(2))
        return solids, casters, np.concatenate([person[2], ball[2]])
    if part.kind == "person":
        return _person(part, middle_s, sign, figure, times)
    x = part.x_m + sign * part.speed_mps * (times - middle_s)
    return _dog(np.clip(x, -REACH_M, REACH_M), -part.y_m, sign, part, times, figure)


def _person(part: CrosserPart, middle_s: float, sign: float, figure: Figure, times: Floats) -> Rows:
    begin_s = middle_s - (REACH_M + sign * part.x_m) / part.speed_mps
    start_x = -sign * REACH_M
    if begin_s < 0.0:
        # On the way already when the film begins.
        start_x -= sign * begin_s * part.speed_mps
        begin_s = 0.0
    heading = sign * np.pi / 2.0
    walker = Walker(part.height_m, begin_s, np.array([start_x, -part.y_m]), heading)
    walker.walk([np.array([sign * REACH_M, -part.y_m])], part.speed_mps, heading)
    bones = Person(walker, figure).skeleton(times)
    away = np.tile(np.array([0.0, 0.0, -50.0]), (len(times), 1))
    return dress(figure, bones, away, np.zeros(len(times)), 0.1)


def _rolls(part: CrosserPart, middle_s: float, sign: float, times: Floats) -> Floats:
    """Centres (n, 3) of a ball that rolls through without slowing much."""
    along = np.clip(part.speed_mps * (times - middle_s), -REACH_M, REACH_M)
    turn = np.deg2rad(part.turn_deg)
    x = part.x_m + sign * along * np.cos(turn)
    y = -part.y_m + sign * along * np.sin(turn)
    return np.stack([x, y, np.full_like(x, STRANGE_RADIUS_M)], axis=1)


def _bounces(part: CrosserPart, middle_s: float, sign: float, times: Floats) -> Floats:
    """Centres (n, 3) of a ball that somebody bounces in front of the walking feet."""
    along = part.speed_mps * (times - middle_s)
    x = np.clip(part.x_m + sign * (along + 0.35), -REACH_M, REACH_M)
    phase = (BOUNCES_HZ * times) % 1.0
    top = HAND_SHARE * part.height_m
    z = STRANGE_RADIUS_M + (top - STRANGE_RADIUS_M) * 4.0 * phase * (1.0 - phase)
    return np.stack([x, np.full_like(x, -part.y_m - 0.2), z], axis=1)


def _ball(centres: Floats, part: CrosserPart) -> Rows:
    axes = np.broadcast_to(np.eye(3), (len(centres), 3, 3))
    solid, caster = ellipsoid(centres, axes, (STRANGE_RADIUS_M,) * 3)
    paint = PAINTS[int(abs(part.y_m) * 1000) % len(PAINTS)]
    return solid[:, None], caster[:, None], np.array([(*paint, 0.2, 0.0)])


def _dog(
    x: Floats, y: float, sign: float, part: CrosserPart, times: Floats, figure: Figure
) -> Rows:
    """A trotting dog: trunk, neck, head, ears, tail, and legs that swing in diagonal pairs."""
    h = part.height_m  # at the shoulder
    way = np.array([*ahead(sign * np.pi / 2.0), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    side = np.cross(up, way)
    phase = 2.0 * np.pi * part.speed_mps / (1.5 * h) * times
    bob = 0.03 * h * np.abs(np.sin(phase))
    base = np.stack([x, np.full_like(x, y), 0.72 * h + bob], axis=1)
    coat = figure.hair
    parts: list[tuple[Floats, Floats]] = []
    rump, chest = base - way * 0.42 * h, base + way * 0.42 * h
    parts.append(round_cone(rump, 0.17 * h, chest, 0.21 * h))
    head = chest + way * 0.32 * h + up * 0.36 * h
    parts.append(round_cone(chest + up * 0.06 * h, 0.13 * h, head, 0.10 * h))
    parts.append(round_cone(head, 0.115 * h, head + way * 0.22 * h - up * 0.04 * h, 0.055 * h))
    axes = np.broadcast_to(np.stack([way, side, up]), (len(x), 3, 3))
    parts += [
        ellipsoid(
            head + side * (s * 0.10 * h) + up * 0.02 * h, axes, (0.05 * h, 0.02 * h, 0.09 * h)
        )
        for s in (-1.0, 1.0)
    ]
    wag = np.sin(2.0 * np.pi * 3.0 * times)[:, None]
    tail = rump - way * 0.38 * h + up * 0.30 * h + side * (0.12 * h * wag)
    parts.append(round_cone(rump + up * 0.08 * h, 0.05 * h, tail, 0.025 * h))
    for fore in (1.0, -1.0):
        for left in (1.0, -1.0):
            swing = np.sin(phase + (0.0 if fore * left > 0 else np.pi))[:, None]
            lift = np.clip(np.cos(phase + (0.0 if fore * left > 0 else np.pi)), 0, 1)[:, None]
            hip = (chest if fore > 0 else rump) + side * (left * 0.11 * h) - up * 0.10 * h
            paw = hip + way * (0.26 * h * swing)
            paw[:, 2] = (0.05 * h + 0.10 * h * lift)[:, 0]
            knee = 0.5 * (hip + paw) + way * (0.05 * h * -fore)
            parts.append(round_cone(hip, 0.085 * h, knee, 0.05 * h))
            parts.append(round_cone(knee, 0.05 * h, paw, 0.042 * h))
    solids = np.stack([p[0] for p in parts], axis=1)
    casters = np.stack([p[1] for p in parts], axis=1)
    coats = np.array([(*coat, 0.0, 4.0)] * len(parts))
    return solids, casters, coats
