"""Plain sets in many yards: the same few things happen, and all that a phone films changes.

Ground, walls, light, people, ball and markers come with the yard; view, lens, picture size, frame
rate, file format and compression are drawn here, as often as phones have them (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from truth.drafts import Draft, Table
from truth.evaluation import Painter, Trouble
from truth.kinds import KINDS, VIEWS, seen_so
from truth.yards import Split, Yard, drawn_yard, many_yards

SETS_A_SPLIT = {"develop": 400, "report": 600}
TRACED_SHARE = 0.12
SHOTS = (6, 7, 8, 9)
SIZES = ((1280, 720, 0.6), (1920, 1080, 0.25), (960, 540, 0.05), (720, 1280, 0.1))
RATES = ((30.0, 0.6), (24.0, 0.08), (25.0, 0.1), (50.0, 0.06), (60.0, 0.12), (120.0, 0.03),
         (240.0, 0.01))  # fmt: skip
FAST_HZ = 100.0  # films at such rates are short
WAYS = ("in a row", "next_ball", "carry", "kick_back", "dribble", "tapped along")
WAY_SHARES = (0.72, 0.1, 0.06, 0.04, 0.04, 0.04)
ROLLS_FAR = ("concrete", "indoor")


def varied(split: Split) -> list[tuple[Trouble, Yard, Painter]]:
    """The sets of a split, each in a yard of its own."""
    out = []
    for number, yard in enumerate(many_yards(split, SETS_A_SPLIT[split])):
        out.append((Trouble(f"varied {number:03}", "none", draw), yard, _painter(yard)))
    return out


def any_kind(split: Split, first: int, count: int) -> list[tuple[Trouble, Yard, Painter]]:
    """Every kind and plain sets in turn, each in the next yard if it suits, else a plain one."""
    out: list[tuple[Trouble, Yard, Painter]] = []
    for number in range(first, first + count):
        yard, turn = drawn_yard(split, number), number % (2 * len(KINDS))
        name, nuisance = f"drawn {number:06}", "none"
        how: Callable[[Draft], Table] = draw
        if turn < len(KINDS) and KINDS[turn].suits(yard):
            kind, view = KINDS[turn], VIEWS[number // len(KINDS) % len(VIEWS)]
            nuisance, how = kind.name, seen_so(kind, view)
        out.append((Trouble(name, nuisance, how), yard, _painter(yard)))
    return out


def _painter(yard: Yard) -> Painter:
    """Most are painted quickly, some with light that bounces."""
    return "traced" if np.random.default_rng([yard.seed, 53]).random() < TRACED_SHARE else "plain"


def draw(d: Draft) -> Table:
    """Ordinary shots, most of them plain, filmed in some way or other."""
    rate = pick(d, RATES)
    width, height = _size(d, rate)
    count = int(d.rng.choice(SHOTS)) if rate < FAST_HZ else 3
    ways = [str(w) for w in d.rng.choice(WAYS, count, p=WAY_SHARES)]
    if d.yard.ground in ROLLS_FAR:
        ways = ["in a row" if w in ("kick_back", "dribble") else w for w in ways]
    shots = d.shots(count, fetch=tuple(ways))
    walled = d.yard.back != "open" and d.yard.ground not in ROLLS_FAR
    for shot in shots[1:]:
        chance = d.rng.random()
        if chance < 0.08 and walled:
            shot |= {"loft_deg": d.between(9, 22), "speed_mps": d.between(7.0, 9.0)}
        elif chance < 0.16 and d.yard.ground not in ROLLS_FAR:
            shot |= {"stops_m": -d.between(0.5, 3.0)}
    return {
        "shots": shots,
        "camera": _camera(d, (width, height)),
        "picture": _picture(d, rate, width, height),
        "light": d.yard.tables["light"] | {"sky": d.between(0.75, 1.25)},
        "kicker": {
            "height_m": d.between(1.15, 1.8),
            "outfit": int(d.rng.integers(6)),
            "skin": int(d.rng.integers(5)),
            "strides": int(d.rng.integers(2, 5)),
        },
        **({"friend": d.friend()} if d.rng.random() < 0.2 else {}),
    }


def pick(d: Draft, table: tuple[tuple[Any, ...], ...]) -> Any:
    """One entry of a table whose rows end in their shares."""
    shares = np.array([row[-1] for row in table])
    row = table[int(d.rng.choice(len(table), p=shares / shares.sum()))]
    return row[0] if len(row) == 2 else row[:-1]


def _size(d: Draft, rate: float) -> tuple[int, int]:
    width, height = pick(d, SIZES)
    if d.yard.ground == "indoor" and height > width:
        return height, width  # no room to stand so far back
    return (1280, 720) if rate >= FAST_HZ else (width, height)


def _camera(d: Draft, size_px: tuple[int, int]) -> Table:
    if size_px[1] > size_px[0]:
        return d.behind(back_m=d.between(3.6, 4.8), size_px=size_px)
    turn = d.rng.random()
    height = d.between(0.7, 1.9)
    if turn < 0.25:
        return d.oblique()
    return d.straight_behind() if turn < 0.35 else d.behind(height)


def _picture(d: Draft, rate: float, width: int, height: int) -> Table:
    hevc = d.rng.random() < 0.3
    table = d.picture(
        width_px=width,
        height_px=height,
        rotation_deg=90 if height > width else int(d.rng.choice([0, 0, 0, 180])),
        fps=rate,
        variable_rate=bool(d.rng.random() < 0.15),
        codec="libx265" if hevc else "libx264",
        crf=int(d.rng.integers(22, 33)),
        preset="ultrafast" if hevc else "veryfast",
        bits=10 if hevc and d.rng.random() < 0.5 else 8,
        noise=d.between(0.5, 2.2),
        exposure_ev=d.between(-0.35, 0.35),
        vignette=d.between(0.0, 0.4),
        warmth=d.between(-0.08, 0.08),
    )
    table["shutter_s"] = min(table["shutter_s"], 1.0 / rate)
    return table
