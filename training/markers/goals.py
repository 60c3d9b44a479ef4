"""Learns what makes two standing things a goal: `python -m training.markers.goals`.

From pictures of development yards, as they are and laid out otherwise (`bench/looks.py`): the
likelihood of the right pair among all pairs and none. The asked steps and the kick spot are varied
as pupils vary them, as drawn goals are paced exactly. Two halves of the yards judge each other;
what is kept is learnt on all.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench"))

from markers import Search, bank_of, searches_of, truth_feet
from shoegoal.scene.markers import (
    FEATURES,
    MarkersNotFoundError,
    Pair,
    confidence,
    described_pairs,
    feet_px,
    things_and_shots,
)
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

PACED_SIGMA, SPOT_SIGMA_DEG = 0.1, 5.0  # of goals that pupils lay out; no source, our estimates
VARIED = 2  # further readings of each search, with steps and spot off by these
# Weights are drawn towards these, ever so slightly.
PRIOR = np.array([1, 1, 1, 1, 1, 1, -0.3, -0.3, -1, -1, -1, 0.5, -0.3, -0.5, -3.0])
PULL = 0.02
LEVELS = (0.8, 0.85, 0.9, 0.95, 0.98)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """All pairs of one search: their features, which are right, and whether it is a varied one."""

    name: str
    layout: str
    features: F64
    right: Bools
    pairs: list[Pair]
    varied: bool


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Learn what makes two standing things a goal.")
    parser.add_argument("--evidence", type=Path, required=True)
    parser.add_argument("--yards", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    files = sorted(options.evidence.glob("*.json.gz"))
    with ProcessPoolExecutor(options.jobs) as pool:
        bank = bank_of(files, options.yards, pool)
        found = pool.map(choices_of, files, repeat(options.yards), repeat(bank))
        choices = [choice for some in found for choice in some]
    names = sorted({choice.name for choice in choices})
    judged = []
    for half in (0, 1):
        part = {name for k, name in enumerate(names) if k % 2 == half}
        learnt = learn([c for c in choices if c.name not in part])
        judged += [(c, *chosen(c, learnt)) for c in choices if c.name in part and not c.varied]
    for level in LEVELS:
        print(f"believed from {level:g}: {tally(judged, level)}")
    learnt = learn(choices)
    weights = dict(zip(FEATURES, (round(float(v), 3) for v in learnt), strict=False))
    kept = {
        "learnt_on": f"{len(names)} development yards, {len(choices)} searches",
        "bias": round(float(learnt[-1]), 3),
        "weights": weights,
    }
    options.out.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


def choices_of(path: Path, yards: Path, bank: object) -> list[Choice]:
    """All choices that a set's pictures give."""
    return [c for search in searches_of(path, yards, bank) for c in _choices(search)]


def _choices(search: Search) -> list[Choice]:
    out = []
    rng = np.random.default_rng([len(search.name), sum(map(ord, search.name))])
    back_m = search.truth["goal"]["back_m"]
    camera = search.ground.fit.camera
    try:
        things, seen = things_and_shots(*search.asked())
    except MarkersNotFoundError:
        return []
    for number in range(1 + VARIED):
        width_steps, readings = search.width_steps, seen
        if number:
            width_steps *= float(np.exp(rng.normal(0, PACED_SIGMA)))
            aside_m = back_m * float(np.tan(np.radians(rng.normal(0, SPOT_SIGMA_DEG))))
            readings = [
                replace(
                    s, spot_m=s.spot_m + aside_m * s.right, starts_m=s.starts_m + aside_m * s.right
                )
                for s in seen
            ]
        pairs, features, right = [], [], []
        for shots in readings:
            for pair, told in described_pairs(things, shots, width_steps, search.back_steps):
                left, other = (ImagePoint(*foot) for foot in feet_px(camera, pair))
                pairs.append(pair)
                features.append(told)
                right.append(truth_feet(search.truth, left, other)[1])
        table = np.array(features).reshape(-1, len(FEATURES))
        is_right = np.array(right, dtype=bool)
        out.append(Choice(search.name, search.layout, table, is_right, pairs, number > 0))
    return out


def learn(choices: list[Choice]) -> F64:
    """Weights and bias by maximum likelihood."""
    begin = np.append(PRIOR, -3.0)
    found = minimize(_cost, begin, args=(choices,), jac=True, method="L-BFGS-B")
    return np.asarray(found.x, np.float64)


def _cost(weights: F64, choices: list[Choice]) -> tuple[float, F64]:
    """Minus the log likelihood, and its slope."""
    cost, slope = 0.0, np.zeros_like(weights)
    for choice in choices:
        scores = np.append(choice.features @ weights[:-1] + weights[-1], 0.0)
        odds = np.exp(scores - scores.max())
        chance = odds / odds.sum()
        right = np.append(choice.right, not choice.right.any())
        among = float(chance[right].sum())
        cost -= float(np.log(among)) / (1 + VARIED)
        off = (chance - np.where(right, chance / among, 0.0))[:-1] / (1 + VARIED)
        slope[:-1] += off @ choice.features
        slope[-1] += off.sum()
    away = weights[:-1] - PRIOR
    slope[:-1] += 2 * PULL * away
    return cost + PULL * float(away @ away), slope


def chosen(choice: Choice, weights: F64) -> tuple[float, bool]:
    """How sure the best pair is, and whether it is right."""
    scores = choice.features @ weights[:-1] + weights[-1]
    order = np.argsort(-scores)
    pairs = [replace(choice.pairs[k], score=float(scores[k])) for k in order]
    return (confidence(pairs), bool(choice.right[order[0]])) if pairs else (0.0, False)


def tally(judged: list[tuple[Choice, float, bool]], level: float) -> str:
    """Found and wrong of all, by layout."""
    told = []
    for layout in dict.fromkeys(c.layout for c, _, _ in judged):
        here = [(sure >= level, right) for c, sure, right in judged if c.layout == layout]
        found, wrong = sum(s and r for s, r in here), sum(s and not r for s, r in here)
        told.append(f"{layout} {found} found, {wrong} wrong of {len(here)}")
    return "; ".join(told)


if __name__ == "__main__":
    main()
