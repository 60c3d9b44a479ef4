"""The evaluation sets by name: which yard, which painter, which scene."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args

import numpy as np

from truth.drafts import Draft
from truth.evaluation import TROUBLES, Painter, Trouble
from truth.scenes import Scene
from truth.yards import Split, Yard, yards

NEEDED_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class EvaluationSet:
    """One set: the same name gives the same scene.

    Attributes
    ----------
    split : which of the yards it lies in; what is tuned may only be tuned on ``develop``.
    """

    split: Split
    trouble: Trouble
    yard: Yard
    painter: Painter

    @property
    def name(self) -> str:
        """Split and trouble."""
        return f"{self.split}: {self.trouble.name}"

    @property
    def file_name(self) -> str:
        """The name without anything that a file system might mind."""
        return self.name.replace(": ", "-").replace(",", "").replace(" ", "_")

    def scene(self) -> Scene:
        """What is filmed."""
        seed = zlib.crc32(self.name.encode())
        draft = Draft(self.yard, np.random.default_rng([self.yard.seed, seed]))
        table: dict[str, Any] = {
            "name": self.name,
            "seed": int(seed % 100_000),
            "nuisance": self.trouble.nuisance,
            "picture": draft.picture(),
            **self.yard.tables,
        }
        for key, value in self.trouble.draw(draft).items():
            old = table.get(key)
            table[key] = old | value if isinstance(old, dict) else value
        count = len(table["shots"])
        table["rule"] = {"makes": max(1, round(NEEDED_SHARE * count)), "shots": count}
        return Scene.model_validate(table)


@cache
def catalogue() -> tuple[EvaluationSet, ...]:
    """All sets, split by split."""
    out = []
    for turn, split in enumerate(get_args(Split)):
        places = yards(split)
        for trouble in TROUBLES:
            # By name, so that a trouble more or less moves no other set to another yard.
            first = zlib.crc32(trouble.name.encode()) % len(places)
            order = places[first:] + places[:first]
            yard = next(y for y in order if trouble.suits(y))
            out.append(EvaluationSet(split, trouble, yard, trouble.painters[turn]))
    return tuple(out)


def chosen(
    only: tuple[str, ...] = (), split: Split | None = None, limit: int | None = None
) -> list[EvaluationSet]:
    """Sets whose names hold any of the words in `only`, of one split, at most `limit` of them."""
    found = [
        s
        for s in catalogue()
        if (split is None or s.split == split) and (not only or any(o in s.name for o in only))
    ]
    return found[:limit]
