"""What is true of a kick's form, measured on the posed body, never on what it was asked to be.

Shot frame: origin on the ground under the resting ball, `right`, `ahead` towards the middle of the
goal, `up`; metres. "Outwards" is away from the body's middle on the kicking foot's side.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from truth.arrays import Floats, Whole
from truth.bodies.kick import Kicking
from truth.bodies.person import Person, skin
from truth.bodies.rig import BONE_ROW, Cloth

SWING_S = (-0.45, 0.40)
THROUGH_S = (0.03, 0.45)
STEP_S = 0.01
TOE_SHARE = 0.86  # of the shoe's length, from where on it is the toe that touches

# Joints that are where a bone begins.
BEGIN = {
    "shoulder": "upperarm",
    "elbow": "lowerarm",
    "wrist": "hand",
    "hip": "thigh",
    "knee": "calf",
    "ankle": "foot",
}


@cache
def marks_of(person: Person) -> dict[str, Whole]:
    """Vertices whose middle is a mark of the body: heels, toes, ears, nose; judged at rest."""
    out = {}
    points = person.points_m
    for side in "lr":
        shoe = person.shoe(side)
        spots = points[shoe]
        low = spots[:, 2] < 0.55 * spots[:, 2].max()
        back, front = spots[low][:, 1].min(), spots[low][:, 1].max()
        length = front - back
        out[f"heel_{side}"] = shoe[low & (spots[:, 1] < back + 0.04 * length)]
        out[f"toe_{side}"] = shoe[low & (spots[:, 1] > front - 0.04 * length)]
    face = person.cloth == Cloth.SKIN
    eyes = person.eyes_m.mean(axis=0)
    height = points[:, 2].max()
    level = face & (np.abs(points[:, 2] - eyes[2]) < 0.028 * height)
    middle = (
        face
        & (np.abs(points[:, 0]) < 0.008 * height)
        & (np.abs(points[:, 2] - eyes[2]) < 0.04 * height)
    )
    front = np.flatnonzero(middle)
    out["nose"] = front[np.argsort(points[front, 1])[-3:]]
    behind = np.flatnonzero(level & (points[:, 1] < eyes[1] - 0.02 * height))
    for side, sign in (("l", -1.0), ("r", 1.0)):
        out[f"ear_{side}"] = behind[np.argsort(sign * points[behind, 0])[-8:]]
    return out


def joints_at(kick: Kicking, t_s: float) -> dict[str, Floats]:
    """Joints and marks (3,) of the posed body in the world, seconds from contact."""
    turns, begin = kick.pose(t_s)
    out = {
        f"{joint}_{side}": begin[BONE_ROW[f"{bone}_{side}"]]
        for joint, bone in BEGIN.items()
        for side in "lr"
    }
    marks = marks_of(kick.person)
    rows = np.concatenate(list(marks.values()))
    spots = skin(kick.person, turns, begin, rows)
    at = 0
    for name, own in marks.items():
        out[name] = spots[at : at + len(own)].mean(axis=0)
        at += len(own)
    head = BONE_ROW["head"]
    for side, eye in zip("lr", kick.person.eyes_m, strict=True):
        out[f"eye_{side}"] = turns[head] @ (eye - kick.person.heads_m[head]) + begin[head]
    return out


@dataclass(frozen=True, slots=True)
class ShotFrame:
    """World points as right, ahead, up from the ball; `target_m` (2,) is the goal's middle."""

    spot_m: Floats
    target_m: Floats

    def of(self, points_m: Floats) -> Floats:
        """World points (..., 3), in the shot frame."""
        ahead = (self.target_m - self.spot_m) / np.linalg.norm(self.target_m - self.spot_m)
        axes = np.array([[ahead[1], -ahead[0], 0.0], [*ahead, 0.0], [0.0, 0.0, 1.0]])
        moved: Floats = (points_m - [*self.spot_m, 0.0]) @ axes.T
        return moved


def answers(kick: Kicking, target_m: Floats) -> dict[str, float]:
    """The true value of each cue.

    `plant_beside`, `plant_fore_aft` cm; `plant_to_target`, `backswing`, `contact_turn`,
    `eyes_on_ball` deg; `swing_evenness`, `follow_through` %.
    """
    frame = ShotFrame(kick.spot_m, target_m)
    k, p = kick.kicks, kick.plants
    outwards = 1.0 if k == "r" else -1.0
    now = {name: frame.of(at) for name, at in joints_at(kick, 0.0).items()}
    middle = (now[f"heel_{p}"] + now[f"toe_{p}"]) / 2
    planted = now[f"toe_{p}"] - now[f"heel_{p}"]
    kicking = now[f"toe_{k}"] - now[f"heel_{k}"]

    times = np.arange(SWING_S[0], SWING_S[1] + 1e-9, STEP_S)
    legs = np.array([_leg_angle(frame, kick, t) for t in times])
    before = np.where(times <= 0, legs, np.inf)
    back = int(before.argmin())
    through = legs[back:]
    steps = np.diff(through[: int(through.argmax()) + 1])

    heights = []
    for t in np.arange(THROUGH_S[0], THROUGH_S[1] + 1e-9, STEP_S):
        begin = kick.pose(t)[1][:, 2]
        base = begin[BONE_ROW[f"foot_{p}"]]
        whole = begin[BONE_ROW[f"thigh_{p}"]] - base
        heights.append((begin[BONE_ROW[f"foot_{k}"]] - base) / whole)

    ears = (now["ear_l"] + now["ear_r"]) / 2
    face, ball = now["nose"] - ears, np.array([0.0, 0.0, kick.radius_m]) - ears
    return {
        "plant_beside": -100.0 * outwards * float(middle[0]),
        "plant_fore_aft": 100.0 * float(middle[1]),
        "plant_to_target": _turn_deg(planted, -outwards),
        "backswing": -float(before.min()),
        "swing_evenness": 100.0 * float(steps.clip(0).sum() / max(np.abs(steps).sum(), 1e-9)),
        "contact_turn": _turn_deg(kicking, outwards),
        "follow_through": 100.0 * max(heights),
        "eyes_on_ball": _rise_deg(face) - _rise_deg(ball),
    }


def touch(kick: Kicking) -> tuple[str, float]:
    """Which part of the shoe is nearest to the ball at contact, and the gap between them, m.

    "toe" is the foremost part of the shoe, "inside" and "outside" its flanks.
    """
    side = kick.kicks
    shoe = kick.person.shoe(side)
    spots = skin(kick.person, *kick.pose(0.0), shoe)
    far = np.linalg.norm(spots - [*kick.spot_m, kick.radius_m], axis=1)
    near = kick.person.points_m[shoe[int(far.argmin())]]
    rest = kick.person.points_m[shoe]
    share = (near[1] - rest[:, 1].min()) / np.ptp(rest[:, 1])
    inner = (near[0] - rest[:, 0].mean()) * (1.0 if side == "l" else -1.0) > 0
    part = "toe" if share > TOE_SHARE else "inside" if inner else "outside"
    return part, float(far.min()) - kick.radius_m


def _leg_angle(frame: ShotFrame, kick: Kicking, t_s: float) -> float:
    """Line from hip to ankle of the kicking leg from the vertical, deg, ahead positive."""
    begin = kick.pose(t_s)[1]
    hip, ankle = (begin[BONE_ROW[f"{n}_{kick.kicks}"]] for n in ("thigh", "foot"))
    line = frame.of(np.stack([hip, ankle]))
    way = line[1] - line[0]
    return float(np.degrees(np.arctan2(way[1], -way[2])))


def _turn_deg(way: Floats, outwards: float) -> float:
    """Turn of a direction from ahead, deg, -90 to 270."""
    turn = float(np.degrees(np.arctan2(outwards * way[0], way[1])))
    return turn if turn >= -90 else turn + 360


def _rise_deg(way: Floats) -> float:
    return float(np.degrees(np.arctan2(way[2], np.hypot(way[0], way[1]))))
