"""Invented yards: ground, walls, light, markers, ball and people, drawn by number.

Two splits share no yard: what is tuned may be tuned on `develop`, what is told of a count is
measured on `report`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from truth.motion import CIRCUMFERENCE_M, GOINGS

Split = Literal["develop", "report"]
YARDS_A_SPLIT = 20
FRESH_A_SPLIT = 72  # for the sets by kind, beyond those
FIRST_SEED = {"develop": 7000, "report": 9000}
DRAWN_FIRST_SEED = {"develop": 1_000_000, "report": 2_000_000}  # for evidence without pixels
MANY_FIRST_SEED = {"develop": 20_000, "report": 40_000}

# Number after number takes the next of each; the lengths differ, so that all pairs come up.
GROUNDS = ("grass", "concrete", "grass", "gravel", "indoor", "grass", "concrete")
BACKS = ("fence", "brick", "open", "hedge", "net", "plaster")
LIGHTS = ("clear", "overcast", "low sun", "haze")
BALLS = ("white", "orange", "yellow", "classic", "dark")
MARKERS = (("cone", "cone"), ("shoe", "shoe"), ("bottle", "cone"), ("bag", "bag"), ("shoe", "bag"))


# Log of a goal's width over what its steps measure: most are paced with care, some are not. Common
# practice, no source.
PACED_SIGMA, CARELESS_SIGMA, CARELESS_SHARE = 0.06, 0.2, 0.08
# Circumferences of balls: size 5 by Law 2, the others common practice, from memory; and wear.
GIRTHS_M = {3: (0.58, 0.61), 4: (0.635, 0.66), 5: (0.68, 0.70)}
WORN_SIGMA = 0.006


@dataclass(frozen=True, slots=True)
class Yard:
    """One yard and who plays there; tables as `scenes.Scene` takes them."""

    seed: int
    ground: str
    back: str
    light_name: str
    tables: dict[str, Any]

    @property
    def back_m(self) -> float:
        """Distance from the goal line to the kick line."""
        goal = self.tables["goal"]
        return float(goal["back_steps"] * goal["step_m"])

    @property
    def half_m(self) -> float:
        """Half the goal's width."""
        goal = self.tables["goal"]
        return float(goal["width_steps"] * goal["step_m"] * goal.get("paced", 1.0) / 2.0)

    @property
    def behind_m(self) -> float:
        """Room from the goal line to the nearest wall behind it."""
        return min((-w["y_m"] for w in self.tables["walls"]), default=100.0)

    @property
    def ball_radius_m(self) -> float:
        """Of the ball that is played with."""
        ball = self.tables["ball"]
        return float(ball.get("girth_m", CIRCUMFERENCE_M[ball["size"]]) / (2.0 * np.pi))

    @property
    def roll_mps2(self) -> float:
        """What the ground takes from a rolling ball."""
        return GOINGS[self.ground].roll_mps2


def yards(split: Split) -> list[Yard]:
    """The yards of a split for the troubles, in order."""
    return [_numbered(split, i) for i in range(YARDS_A_SPLIT)]


def fresh_yards(split: Split) -> list[Yard]:
    """The yards of a split for the sets by kind, in order."""
    return [_numbered(split, YARDS_A_SPLIT + i) for i in range(FRESH_A_SPLIT)]


def many_yards(split: Split, count: int) -> list[Yard]:
    """Further yards of a split, as many as are wanted, every part drawn by itself."""
    return [_shuffled(MANY_FIRST_SEED[split] + i, int(split == "report")) for i in range(count)]


def drawn_yard(split: Split, number: int) -> Yard:
    """One of the yards of a split in which evidence is drawn without pixels."""
    return _shuffled(DRAWN_FIRST_SEED[split] + number, int(split == "report"))


def _shuffled(seed: int, turn: int) -> Yard:
    """A yard whose ground, walls, light, ball and markers are drawn, not counted through.

    Its goal is paced as unevenly as people pace, and its ball as worn as balls are.
    """
    i = int(np.random.default_rng([seed, 47]).integers(2**20))
    yard, rng = _drawn(seed, i, turn), np.random.default_rng([seed, 59])
    careless = rng.random() < CARELESS_SHARE
    spread = CARELESS_SIGMA if careless else PACED_SIGMA
    paced = float(np.exp(np.clip(rng.normal(), -2.0, 2.0) * spread))
    size = yard.tables["ball"]["size"]
    girth_m = rng.uniform(*GIRTHS_M[size]) * (1.0 + WORN_SIGMA * rng.normal())
    yard.tables["goal"]["paced"] = round(paced, 3)
    yard.tables["ball"]["girth_m"] = round(float(girth_m), 4)
    return yard


def _numbered(split: Split, i: int) -> Yard:
    return _drawn(FIRST_SEED[split] + i, i, int(split == "report"))


def _drawn(seed: int, i: int, turn: int) -> Yard:
    """Yard `i` of a split; `turn` sets the two splits' combinations apart."""
    rng = np.random.default_rng([seed, 43])

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 3)

    ground = GROUNDS[(i + 3 * turn) % len(GROUNDS)]
    back = BACKS[(i + turn) % len(BACKS)]
    if ground in ("concrete", "indoor") and back in ("open", "hedge"):
        back = "net" if ground == "indoor" else "fence"  # where nothing stops it, a ball rolls on
    if ground == "indoor" and back in ("fence", "brick"):
        back = "plaster"
    gap = between(0.9, 2.2)
    walls: list[dict[str, Any]] = []
    if back != "open":
        walls.append({"kind": back, "y_m": -gap, "height_m": between(1.7, 2.8)})
    if back in ("open", "net"):
        # Something far off, so that the view does not end in nothing.
        walls.append({"kind": "hedge", "y_m": -between(14.0, 22.0), "height_m": between(2.0, 3.0)})
    light_name = "haze" if ground == "indoor" else LIGHTS[(i + 2 * turn) % len(LIGHTS)]
    design = BALLS[(i + 2 * turn) % len(BALLS)]
    left, right = MARKERS[(i + turn) % len(MARKERS)]
    tables: dict[str, Any] = {
        "ground": ground,
        "walls": walls,
        "props": int(rng.integers(0, 3)) if back in ("fence", "brick", "plaster") else 0,
        "light": _light(light_name, between),
        "goal": {
            "width_steps": 3 + (i + turn) % 4,
            "back_steps": (10, 10, 12)[i % 3],
            "step_m": between(0.45, 0.62),
            "left": left,
            "right": right,
        },
        "ball": {"size": (5, 4, 4, 3)[(i + turn) % 4], "design": design},
        "kicker": {
            "height_m": between(1.2, 1.75),
            "foot": "left" if (i + turn) % 3 == 2 else "right",
            "walk_mps": between(2.6, 3.2),
            "strides": 2 + i % 2,
            "outfit": (i + 3 * turn) % 6,
            "skin": (i + turn) % 5,
        },
    }
    return Yard(seed, ground, back, light_name, tables)


def _light(name: str, between: Any) -> dict[str, float]:
    bearing = between(0, 360)
    if name == "clear":
        return {"sun_bearing_deg": bearing, "sun_height_deg": between(35, 62), "sun": 2.8}
    if name == "low sun":
        # From the side, so that shadows cross the picture.
        side = between(50, 130) + (180 if bearing > 180 else 0)
        return {
            "sun_bearing_deg": side,
            "sun_height_deg": between(12, 20),
            "sun": 2.6,
            "sky": 0.8,
        }
    sun, haze = (0.35, 8.0) if name == "overcast" else (1.1, 4.0)
    return {
        "sun_bearing_deg": bearing,
        "sun_height_deg": between(40, 60),
        "sun": sun,
        "haze_deg": haze,
        "sky": 1.15,
        "cloud": 0.85,
    }
