"""A baked person and how it is posed: linear blend skinning over a chain of bones."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from truth.arrays import Floats, Whole
from truth.bodies.rig import BONE_ROW, BONES, Cloth

FILE = Path(__file__).with_name("people.npz")


@dataclass(frozen=True, slots=True, eq=False)
class Person:
    """A body at rest, arms a little off its sides, soles on z = 0; axes right, ahead, up; metres.

    Attributes
    ----------
    points_m : (n, 3). faces : (m, 3). cloth : (n,) of `Cloth`.
    heads_m, tails_m : (bones, 3) ends of the bones.
    bones, shares : (n, k) which bones move a vertex, and how much of it.
    eyes_m : (2, 3) middles of the left and right eye.
    """

    name: str
    points_m: Floats
    faces: Whole
    cloth: Whole
    heads_m: Floats
    tails_m: Floats
    bones: Whole
    shares: Floats
    eyes_m: Floats

    @property
    def height_m(self) -> float:
        """From the sole to the top of the hair."""
        return float(self.points_m[:, 2].max())

    def rows(self, stem: str, side: str) -> Whole:
        """Vertices that follow most of all a bone such as "foot" of a side ("l" or "r")."""
        first = np.take_along_axis(self.bones, self.shares.argmax(axis=1)[:, None], axis=1)[:, 0]
        return np.flatnonzero(first == BONE_ROW[f"{stem}_{side}"])

    def shoe(self, side: str) -> Whole:
        """Vertices of a shoe."""
        worn = np.isin(self.cloth, [Cloth.SHOES, Cloth.SOLE])
        on_left = self.points_m[:, 0] < 0
        return np.flatnonzero(worn & (on_left == (side == "l")))


@cache
def people() -> tuple[Person, ...]:
    """Everybody in the baked file; the first half is the develop split's, the other report's."""
    with np.load(FILE) as file:
        data = {k: file[k] for k in file.files}
    shares = data["shares_255"] / data["shares_255"].sum(axis=1, keepdims=True, dtype=float)
    faces, cloth, bones = (data[k].astype(np.int64) for k in ("faces", "cloth", "bones"))
    return tuple(
        Person(
            str(data["names"][i]),
            data["points_tenth_mm"][i] * 1e-4,
            faces,
            cloth,
            data["heads_m"][i].astype(float),
            data["tails_m"][i].astype(float),
            bones,
            shares,
            data["eyes_m"][i].astype(float),
        )
        for i in range(len(data["names"]))
    )


def chain(person: Person, turns: Floats, pelvis_m: Floats) -> Floats:
    """Where the bones begin (bones, 3), once each has been turned.

    Parameters
    ----------
    turns : (bones, 3, 3), each bone's turn from rest, in the frame of the world.
    pelvis_m : (3,) where the first bone begins.
    """
    heads = np.empty_like(person.heads_m)
    for i, bone in enumerate(BONES):
        if bone.parent < 0:
            heads[i] = pelvis_m
        else:
            rest = person.heads_m[i] - person.heads_m[bone.parent]
            heads[i] = heads[bone.parent] + turns[bone.parent] @ rest
    return heads


def skin(person: Person, turns: Floats, heads_m: Floats, rows: Whole | None = None) -> Floats:
    """Posed vertices (n, 3), or those of `rows`: each is carried by its bones and the carried
    points are averaged by share (linear blend skinning; Magnenat-Thalmann and others 1988)."""
    points, bones, shares = person.points_m, person.bones, person.shares
    if rows is not None:
        points, bones, shares = points[rows], bones[rows], shares[rows]
    out = np.zeros_like(points)
    for k in range(bones.shape[1]):
        at = bones[:, k]
        moved = np.einsum("nij,nj->ni", turns[at], points - person.heads_m[at]) + heads_m[at]
        out += shares[:, k : k + 1] * moved
    return out
