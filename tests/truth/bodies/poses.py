"""From feet, hips and looks to the turn of every bone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from truth.arrays import Floats
from truth.bodies.person import Person, chain
from truth.bodies.rig import BONE_ROW, BONES

SIDES = ("l", "r")
# A leg is never quite straight.
STRETCH = 0.995


@dataclass(frozen=True, slots=True, eq=False)
class Posture:
    """What a body is asked to do at one moment; angles in radians, headings 0 ahead, + to the left.

    Attributes
    ----------
    pelvis_m : (3,). heading : of the hips. lean : of the trunk, forwards. tilt : to the right.
    twist : of the shoulders against the hips, to the left.
    ankles_m : by side, (3,). foot_headings, foot_pitches : by side; pitch toe down.
    nod : of the head, down. look : heading of the head.
    swings : by side, of the upper arm, forwards. bends : by side, of the elbow.
    """

    pelvis_m: Floats
    heading: float
    lean: float
    tilt: float
    twist: float
    ankles_m: dict[str, Floats]
    foot_headings: dict[str, float]
    foot_pitches: dict[str, float]
    nod: float
    look: float
    swings: dict[str, float]
    spreads: dict[str, float]
    bends: dict[str, float]


def about(axis: int, angle: float) -> Floats:
    """Turn (3, 3) about the x, y or z axis, right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    out = np.eye(3)
    out[i, i] = out[j, j] = c
    out[i, j], out[j, i] = -s, s
    return out


def unit(v: Floats) -> Floats:
    """Of length one."""
    return v / max(float(np.linalg.norm(v)), 1e-12)


def shortest_turn(a: Floats, b: Floats) -> Floats:
    """Smallest turn (3, 3) that brings one unit vector onto another (Rodrigues)."""
    v = np.cross(a, b)
    c = float(a @ b)
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    turn: Floats = np.eye(3) + k + k @ k / max(1.0 + c, 1e-9)
    return turn


def knee_of(hip: Floats, ankle: Floats, thigh_m: float, shank_m: float, way: Floats) -> Floats:
    """Knee (3,) of a leg, bent towards `way`: two circles' meeting (law of cosines)."""
    span = ankle - hip
    far = float(np.linalg.norm(span))
    along = unit(span)
    reach = min(far, STRETCH * (thigh_m + shank_m))
    a = (thigh_m**2 - shank_m**2 + reach**2) / (2.0 * reach)
    out = way - (way @ along) * along
    knee: Floats = hip + a * along + math.sqrt(max(thigh_m**2 - a**2, 0.0)) * unit(out)
    return knee


def hinged(rest_way: Floats, way: Floats, rest_hinge: Floats, hinge: Floats) -> Floats:
    """Turn (3, 3) that brings a bone and its hinge from rest to where they are wanted."""

    def frame(along: Floats, across: Floats) -> Floats:
        u = unit(along)
        h = unit(across - (across @ u) * u)
        return np.stack([u, h, np.cross(u, h)], axis=1)

    turn: Floats = frame(way, hinge) @ frame(rest_way, rest_hinge).T
    return turn


def turns_of(person: Person, posture: Posture) -> tuple[Floats, Floats]:
    """Turn of every bone (bones, 3, 3) and where it begins (bones, 3).

    An ankle that is out of reach is put as far towards its place as the leg goes.
    """
    heads, tails = person.heads_m, person.tails_m
    p = posture
    turns = np.tile(np.eye(3), (len(BONES), 1, 1))

    def put(name: str, turn: Floats) -> None:
        turns[BONE_ROW[name]] = turn

    level = about(2, p.heading)
    put("pelvis", level @ about(1, 0.4 * p.tilt) @ about(0, -0.35 * p.lean))
    for share, name in ((0.35, "spine_01"), (0.7, "spine_02"), (1.0, "spine_03")):
        trunk = about(2, p.heading + share * p.twist)
        put(
            name,
            trunk
            @ about(1, (0.4 + 0.6 * share) * p.tilt)
            @ about(0, -p.lean * (0.35 + 0.65 * share)),
        )
    upper = turns[BONE_ROW["spine_03"]]
    head = about(2, p.look) @ about(0, -p.nod)
    put("neck_01", _between(upper, head))
    put("head", head)
    for side, sign in (("l", -1.0), ("r", 1.0)):
        put(f"clavicle_{side}", upper)
        trunk = about(2, p.heading + p.twist)
        swing, spread, bend = p.swings[side], p.spreads[side], p.bends[side]

        def arm(angle: float, spread: float = spread, sign: float = sign) -> Floats:
            return np.array(
                [
                    sign * math.sin(spread),
                    math.sin(angle) * math.cos(spread),
                    -math.cos(angle) * math.cos(spread),
                ]
            )

        for name, way in (
            ("upperarm", arm(swing)),
            ("lowerarm", arm(swing + bend, 0.6 * spread)),
            ("hand", arm(swing + bend, 0.6 * spread)),
        ):
            i = BONE_ROW[f"{name}_{side}"]
            rest = unit(tails[i] - heads[i])
            put(f"{name}_{side}", trunk @ shortest_turn(rest, way))
    begin = chain(person, turns, p.pelvis_m)
    right = np.array([1.0, 0.0, 0.0])
    for side in SIDES:
        thigh, calf, foot = (BONE_ROW[f"{n}_{side}"] for n in ("thigh", "calf", "foot"))
        hip = begin[thigh]
        thigh_m = float(np.linalg.norm(heads[calf] - heads[thigh]))
        shank_m = float(np.linalg.norm(heads[foot] - heads[calf]))
        span = p.ankles_m[side] - hip
        reach = STRETCH * (thigh_m + shank_m)
        ankle = hip + unit(span) * min(float(np.linalg.norm(span)), reach)
        toe_way = about(2, p.foot_headings[side])[:, 1]
        way = unit(0.55 * level[:, 1] + 0.45 * toe_way + [0.0, 0.0, 0.15])
        knee = knee_of(hip, ankle, thigh_m, shank_m, way)
        bent = np.cross(knee - hip, ankle - knee)
        # A leg bends backwards at the knee: its hinge points to the right.
        hinge = -unit(bent) if np.linalg.norm(bent) > 1e-9 else level[:, 0]
        put(f"thigh_{side}", hinged(heads[calf] - heads[thigh], knee - hip, right, hinge))
        put(f"calf_{side}", hinged(heads[foot] - heads[calf], ankle - knee, right, hinge))
        sole = about(2, p.foot_headings[side]) @ about(0, -p.foot_pitches[side])
        put(f"foot_{side}", sole)
        # On the ground the toes stay flat while the heel is up.
        flat = about(2, p.foot_headings[side])
        low = p.foot_pitches[side] > 0 and p.ankles_m[side][2] < heads[foot, 2] * 2.2
        put(f"ball_{side}", flat if low else sole)
    return turns, chain(person, turns, p.pelvis_m)


def _between(a: Floats, b: Floats) -> Floats:
    """Halfway from one turn to another."""
    u, _, v = np.linalg.svd(a + b)
    half: Floats = u @ v
    return half
