"""The learnt numbers of the story: what they were learnt on stands in their file.

``python -m training story`` learns them from development yards by maximum likelihood.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """Everything learnt.

    Attributes
    ----------
    ball : log odds that a segment is a ball's, by `shoegoal.shots.segments.ball_features`.
    link : the odds of what may lie between two segments; see `shoegoal.shots.story`.
    shot : log odds that a run is a shot, by `shoegoal.shots.events.shot_features`.
    unseen : the same for a ball that left its place and was not seen again.
    """

    ball: F64
    link: F64
    shot: F64
    unseen: F64

    def as_json(self) -> dict[str, Any]:
        """Plain lists."""
        return {
            name: [round(float(v), 4) for v in getattr(self, name)]
            for name in ("ball", "link", "shot", "unseen")
        }


@cache
def shipped_weights() -> Weights:
    """Return the weights that come with the package."""
    text = (files("shoegoal.shots") / "weights.json").read_text(encoding="utf-8")
    table = json.loads(text)["weights"]
    return Weights(**{name: np.array(values) for name, values in table.items()})
