"""Draws the parts of an evaluation set that change from set to set: shots, camera, picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from truth.arrays import Floats
from truth.scenes import CameraPart
from truth.stage import aim_lens
from truth.things import MARKER_SIZE_M
from truth.yards import Yard

CLEAR_M = 0.14  # a plain make or miss stays this far off the line between the two
SHOT_MPS = (5.6, 7.6)
LEVEL_PX = (1280, 720)
Table = dict[str, Any]


@dataclass(slots=True)
class Draft:
    """A set in the making.

    Attributes
    ----------
    rng : of this set alone.
    """

    yard: Yard
    rng: np.random.Generator

    def between(self, low: float, high: float) -> float:
        """An even draw, to the millimetre."""
        return round(float(self.rng.uniform(low, high)), 3)

    def side(self) -> int:
        """Left (-1) or right (1)."""
        return int(self.rng.choice([-1, 1]))

    def shots(self, count: int = 5, fetch: tuple[str, ...] = (), **more: Any) -> list[Table]:
        """Plain makes and misses, about three to two; `more` goes into every shot."""
        ways = fetch or self.ways()
        misses = {int(i) for i in self.rng.permutation(count)[: max(1, round(0.4 * count))]}
        out = []
        for i in range(count):
            inside = self.yard.half_m - self.yard.ball_radius_m
            if i in misses:
                side = self.side()
                # Past the whole of the marker: balls that hit one have sets of their own.
                kind = self.yard.tables["goal"]["left" if side < 0 else "right"]
                body = 2.0 * (MARKER_SIZE_M[kind][0] + self.yard.ball_radius_m)
                aim = side * (inside + body + self.between(0.06, 0.55))
            else:
                aim = self.between(-inside + CLEAR_M, inside - CLEAR_M)
            out.append(
                {
                    "aim_x_m": round(aim, 3),
                    "speed_mps": self.speed(),
                    "fetch": ways[i % len(ways)],
                    "through_goal": bool(self.rng.random() < 0.3),
                    "idle_s": self.between(0.3, 0.7),
                    **more,
                }
            )
        return out

    def ways(self) -> tuple[str, ...]:
        """How the next ball comes where the set does not say.

        Mostly quick ways: every second of a set has to be drawn and counted.
        """
        rolls_far = self.yard.ground in ("concrete", "indoor")
        fetch = "carry" if rolls_far else str(self.rng.choice(["carry", "kick_back", "dribble"]))
        pick = self.rng.random()
        if pick < 0.65:
            return ("in a row", fetch, "in a row", "in a row")
        if pick < 0.85 or rolls_far:
            return (fetch, "next_ball", "next_ball", "in a row")
        return ("carry", "carry", fetch, "carry")

    def speed(self) -> float:
        """Fast enough for the goal; on open ground slow enough not to run away."""
        yard = self.yard
        least = math.sqrt(2.0 * yard.roll_mps2 * (yard.back_m + 1.2))
        if yard.back == "open":
            return round(least * self.between(1.05, 1.2), 2)
        return round(max(least * 1.05, self.between(*SHOT_MPS)), 2)

    def behind(
        self,
        height_m: float | None = None,
        back_m: float | None = None,
        size_px: tuple[int, int] = LEVEL_PX,
    ) -> Table:
        """A camera behind the kicker and a little to one side."""
        x = self.side() * self.between(0.6, 1.5)
        back = self.yard.back_m + (self.between(2.4, 3.8) if back_m is None else back_m)
        height = self.between(1.0, 1.55) if height_m is None else height_m
        return self._camera(np.array([x, back, height]), 0.1 * x, size_px)

    def straight_behind(self) -> Table:
        """A camera in line with goal and kick spot, so that the kicker stands before the ball."""
        x, height = self.between(-0.12, 0.12), self.between(1.05, 1.35)
        back = self.yard.back_m + self.between(2.8, 4.0)
        return self._camera(np.array([x, back, height]), x)

    def oblique(self) -> Table:
        """A camera behind and well to one side."""
        x = self.side() * (self.yard.half_m + self.between(1.2, 2.2))
        back, height = self.yard.back_m + self.between(2.0, 3.2), self.between(1.1, 1.6)
        return self._camera(np.array([x, back, height]))

    def from_the_side(self) -> Table:
        """A camera beside the goal line."""
        x = self.side() * (self.yard.half_m + max(3.2, 0.62 * self.yard.back_m))
        return self._camera(np.array([x, self.between(0.6, 1.8), self.between(1.0, 1.5)]))

    def facing(self) -> Table:
        """A camera behind the goal that looks at the kicker."""
        x = self.side() * self.between(0.7, 1.3)
        return self._camera(np.array([x, -self.between(3.4, 4.6), self.between(1.3, 1.7)]))

    def _camera(
        self, place: Floats, aim_x_m: float = 0.0, size_px: tuple[int, int] = LEVEL_PX
    ) -> Table:
        """A camera that has goal and kick spot in view, as far off as that takes."""
        roll, hfov = self.between(-2.0, 2.0), self.between(62, 72)
        middle = np.array([0.0, 0.5 * self.yard.back_m, place[2]])
        out = (place - middle) / np.linalg.norm(place - middle)
        for step in range(40):
            for share in (0.38, 0.5, 0.62, 0.74):
                there = place + out * (0.2 * step)
                aim = np.array([aim_x_m, share * self.yard.back_m, 0.3])
                table = {
                    "position_m": [round(float(v), 3) for v in there],
                    "aim_m": [round(float(v), 3) for v in aim],
                    "roll_deg": roll,
                    "hfov_deg": hfov,
                }
                if self._in_view(table, size_px):
                    return table
        raise ValueError("no place shows goal and kick spot")

    def _in_view(self, camera: Table, size_px: tuple[int, int]) -> bool:
        """Whether both markers, some ground beside them, and the ball at its spot are in view."""
        side = self.yard.half_m + 0.55
        points = np.array(
            [[-side, 0.0, 0.0], [side, 0.0, 0.0], [0.0, -self.yard.back_m - 0.25, 0.0]]
        )
        lens = aim_lens(CameraPart.model_validate(camera), *size_px)
        u, v = (lens.project(points) / np.array(size_px)).T
        room = 0.035
        return bool((u > room).all() and (u < 1 - room).all() and (v < 1 - room).all())

    def picture(self, **more: Any) -> Table:
        """A phone's ordinary picture; `more` replaces parts of it."""
        return {
            "crf": int(self.rng.integers(23, 28)),
            "shutter_s": 1.0 / float(self.rng.choice([100, 120, 200])),
            "noise": self.between(0.6, 1.4),
            "warmth": self.between(-0.05, 0.05),
            **more,
        }

    def friend(self) -> Table:
        """Somebody who waits beside the goal and a little behind it."""
        x = self.side() * (self.yard.half_m + self.between(0.7, 1.0))
        return {
            "height_m": self.between(1.25, 1.75),
            "place_m": [round(x, 3), -0.55],
            "outfit": int(self.rng.integers(6)),
            "skin": int(self.rng.integers(5)),
        }
