"""The evaluation sets by name: which yard, which painter, which scene."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args

import numpy as np

from truth.drafts import Draft
from truth.evaluation import TROUBLES, Painter, Trouble
from truth.kinds import variants
from truth.scenes import Scene
from truth.variety import any_kind, varied
from truth.yards import Split, Yard, fresh_yards, yards

NEEDED_SHARE = 0.5
VARIED, DRAWN = "varied", "drawn"


@dataclass(frozen=True, slots=True)
class EvaluationSet:
    """One set: the same name gives the same scene.

    Attributes
    ----------
    split : which of the yards it lies in; what is tuned may only be tuned on ``develop``.
    group : "" for the troubles, or "kinds", "varied" or "drawn".
    """

    split: Split
    trouble: Trouble
    yard: Yard
    painter: Painter
    group: str = ""

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
        table.setdefault("rule", {"makes": max(1, round(NEEDED_SHARE * count)), "shots": count})
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
        free = fresh_yards(split)
        for trouble in variants():
            first = zlib.crc32(trouble.name.encode()) % len(free)
            yard = next(y for y in free[first:] + free[:first] if trouble.suits(y))
            free.remove(yard)
            out.append(EvaluationSet(split, trouble, yard, trouble.painters[turn], "kinds"))
    return tuple(out)


@cache
def varied_sets() -> tuple[EvaluationSet, ...]:
    """Plain sets in as many yards as anybody wants, split by split."""
    return tuple(
        EvaluationSet(split, trouble, yard, painter, VARIED)
        for split in get_args(Split)
        for trouble, yard, painter in varied(split)
    )


def drawn_sets(split: Split, first: int, count: int) -> list[EvaluationSet]:
    """Sets for evidence without pixels: the kinds in turn and plain ones, each in its own yard.

    Parameters
    ----------
    first
        Number of the first; the same number gives the same set.
    """
    return [
        EvaluationSet(split, trouble, yard, painter, DRAWN)
        for trouble, yard, painter in any_kind(split, first, count)
    ]


def chosen(
    only: tuple[str, ...] = (), split: Split | None = None, limit: int | None = None
) -> list[EvaluationSet]:
    """Sets of one split, at most `limit` of them.

    Parameters
    ----------
    only
        Words: the name holds one of them, or one is the group ("kinds", "varied"). The varied sets
        are there for those that ask for them, and of the drawn ones those that are named
        ("drawn 000068").
    """
    asked = any(VARIED in o for o in only)
    numbers = sorted({int(n) for o in only for n in re.findall(rf"{DRAWN} (\d+)", o)})
    named = [s for side in get_args(Split) for n in numbers for s in drawn_sets(side, n, 1)]
    found = [
        s
        for s in (*catalogue(), *(varied_sets() if asked else ()), *named)
        if (split is None or s.split == split)
        and (not only or any(o in s.name or o == s.group for o in only))
    ]
    return found[:limit]
