"""A baked person and how it is posed: linear blend skinning over a chain of bones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from truth.arrays import Floats, Whole
from truth.bodies.rig import BONE_ROW, BONES, Cloth

FILE = Path(__file__).with_name("people.npz")
SHOE = (Cloth.SHOES, Cloth.SOLE, Cloth.LACES)
# So many bodies, the first of the file, are looked at while the tool is developed. The network that
# sees shoes knows the legs of all of them; each of so many others, which do the measuring on these
# bodies, knows all but every fourth.
DEVELOP, GROUPS = 16, 4
FINER = 2  # a baked shoe's triangles are halved so often, so that soles and laces can be drawn


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
        worn = np.isin(self.cloth, SHOE)
        on_left = self.points_m[:, 0] < 0
        return np.flatnonzero(worn & (on_left == (side == "l")))


def people(split: str) -> tuple[Person, ...]:
    """The bodies of a split, "develop" or "report"; they share none."""
    everybody = _baked()
    return everybody[:DEVELOP] if split == "develop" else everybody[DEVELOP:]


@cache
def _baked() -> tuple[Person, ...]:
    with np.load(FILE) as file:
        data = {k: file[k] for k in file.files}
    shares = data["shares_255"] / data["shares_255"].sum(axis=1, keepdims=True, dtype=float)
    faces, cloth, bones = (data[k].astype(np.int64) for k in ("faces", "cloth", "bones"))
    baked = [
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
    ]
    return tuple(_laced(person) for person in baked)


def _laced(person: Person) -> Person:
    """Shoes of finer triangles, with an even sole and laces over the instep."""
    for _ in range(FINER):
        person = _finer_shoes(person)
    cloth = person.cloth.copy()
    for side in "lr":
        shoe = person.shoe(side)
        spots = person.points_m[shoe]
        share = (spots - spots.min(axis=0)) / np.ptp(spots, axis=0)
        across, along, up = share.T
        sole = up < 0.2
        laced = (along > 0.42) & (along < 0.78) & (np.abs(across - 0.5) < 0.24) & (up > 0.4)
        rung = (along * 14).astype(int) % 2 == 0
        kinds = np.full(len(shoe), Cloth.SHOES)
        kinds[laced & rung] = Cloth.LACES
        kinds[sole] = Cloth.SOLE
        cloth[shoe] = kinds
    return replace(person, cloth=cloth)


def _finer_shoes(person: Person) -> Person:
    """Each triangle of the shoes as four."""
    worn = np.isin(person.cloth, SHOE)[person.faces].all(axis=1)
    old = person.faces[worn]
    edges = np.sort(old[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    ends, at = np.unique(edges, axis=0, return_inverse=True)
    middle = at.reshape(-1, 3) + len(person.points_m)
    a, b, c = old.T
    ab, bc, ca = middle.T
    new = np.concatenate(
        [np.stack(f, axis=1) for f in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
    )
    carried = np.zeros((len(ends), len(BONES)))
    rows = np.arange(len(ends))[:, None]
    for end in ends.T:
        np.add.at(carried, (rows, person.bones[end]), person.shares[end] / 2)
    first = np.argsort(-carried, axis=1)[:, : person.bones.shape[1]]
    share = np.take_along_axis(carried, first, axis=1)
    return replace(
        person,
        points_m=np.concatenate([person.points_m, person.points_m[ends].mean(axis=1)]),
        faces=np.concatenate([person.faces[~worn], new]),
        cloth=np.concatenate([person.cloth, person.cloth[ends[:, 0]]]),
        bones=np.concatenate([person.bones, first]),
        shares=np.concatenate([person.shares, share / share.sum(axis=1, keepdims=True)]),
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
