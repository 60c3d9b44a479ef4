"""How big the ball is: the ruler that all metres come from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class BallSize(StrEnum):
    """Size class printed on the ball."""

    THREE = "3"
    FOUR = "4"
    FIVE = "5"
    UNKNOWN = "unknown"


# Circumference, metres. Size 5: IFAB Laws of the Game, Law 2. Sizes 3 and 4: common practice, from
# memory. Unknown: anything from the smallest 3 to the largest 5.
CIRCUMFERENCE_M: dict[BallSize, tuple[float, float]] = {
    BallSize.THREE: (0.58, 0.61),
    BallSize.FOUR: (0.635, 0.66),
    BallSize.FIVE: (0.68, 0.70),
    BallSize.UNKNOWN: (0.58, 0.70),
}

# Home balls are worn, soft or out of round: circumference off by about this share besides.
# Common practice, no source.
WEAR_REL = 0.01


@dataclass(frozen=True, slots=True)
class BallRuler:
    """A ball's diameter as known before anything is measured.

    Attributes
    ----------
    diameter_m : most likely diameter.
    sigma_rel : standard deviation as a share of the diameter.
    """

    diameter_m: float
    sigma_rel: float


def ball_ruler(size: BallSize) -> BallRuler:
    """Return the prior of the diameter: even over the class's range, plus wear.

    Parameters
    ----------
    size : size class.
    """
    low, high = CIRCUMFERENCE_M[size]
    middle = (low + high) / 2
    spread = (high - low) / math.sqrt(12.0) / middle  # standard deviation of an even spread
    return BallRuler(middle / math.pi, math.hypot(spread, WEAR_REL))
