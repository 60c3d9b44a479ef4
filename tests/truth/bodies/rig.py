"""The bones of the body and what covers it: names that the baked file is written in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Cloth(IntEnum):
    """What a vertex is covered with."""

    SKIN = 0
    SHIRT = 1
    SHORTS = 2
    SOCKS = 3
    SHOES = 4
    SOLE = 5
    HAIR = 6
    EYE = 7
    IRIS = 8
    LIPS = 9
    LACES = 10


@dataclass(frozen=True, slots=True)
class Bone:
    """A bone, its parent's row (-1 for none), and the joints at its two ends."""

    name: str
    parent: int
    head: str
    tail: str


def _bones() -> tuple[Bone, ...]:
    rows = [
        ("pelvis", "", "joint-pelvis", "joint-spine-4"),
        ("spine_01", "pelvis", "joint-spine-4", "joint-spine-3"),
        ("spine_02", "spine_01", "joint-spine-3", "joint-spine-2"),
        ("spine_03", "spine_02", "joint-spine-2", "joint-neck"),
        ("neck_01", "spine_03", "joint-neck", "joint-head"),
        ("head", "neck_01", "joint-head", "joint-head-2"),
    ]
    for s in "lr":
        rows += [
            (f"clavicle_{s}", "spine_03", f"joint-{s}-clavicle", f"joint-{s}-shoulder"),
            (f"upperarm_{s}", f"clavicle_{s}", f"joint-{s}-shoulder", f"joint-{s}-elbow"),
            (f"lowerarm_{s}", f"upperarm_{s}", f"joint-{s}-elbow", f"joint-{s}-hand"),
            (f"hand_{s}", f"lowerarm_{s}", f"joint-{s}-hand", f"joint-{s}-finger-3-1"),
            (f"thigh_{s}", "pelvis", f"joint-{s}-upper-leg", f"joint-{s}-knee"),
            (f"calf_{s}", f"thigh_{s}", f"joint-{s}-knee", f"joint-{s}-ankle"),
            (f"foot_{s}", f"calf_{s}", f"joint-{s}-ankle", f"joint-{s}-foot-1"),
            (f"ball_{s}", f"foot_{s}", f"joint-{s}-foot-1", f"joint-{s}-foot-2"),
        ]
    names = [r[0] for r in rows]
    return tuple(Bone(n, names.index(p) if p else -1, h, t) for n, p, h, t in rows)


BONES = _bones()
BONE_ROW = {b.name: i for i, b in enumerate(BONES)}
