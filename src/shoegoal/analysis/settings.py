"""What one count is asked to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import DEFAULT_CONFIDENCE
from shoegoal.scene.ball_size import BallSize
from shoegoal.types import ImagePoint

if TYPE_CHECKING:
    from shoegoal.scene.calibration import Calibration
    from shoegoal.scene.lens import Lens


@dataclass(frozen=True, slots=True)
class CountSettings:
    """Everything besides the clip itself.

    Attributes
    ----------
    stage : what has to be reached, and the goal it is kicked at.
    left_px, right_px : inner bases of the markers as the kicker sees them, px of the displayed
        picture, possibly outside it; both or neither. None to have them found.
    ball : size class of the ball.
    lens : calibrated lens, or None.
    confidence : probability past which a verdict is told; above 0.5 and up to 1.
    calibration : markers and camera saved from an earlier clip of the same set-up, or None.
    """

    stage: Stage
    left_px: ImagePoint | None = None
    right_px: ImagePoint | None = None
    ball: BallSize = BallSize.UNKNOWN
    lens: Lens | None = None
    confidence: float = DEFAULT_CONFIDENCE
    calibration: Calibration | None = None

    def __post_init__(self) -> None:
        if (self.left_px is None) != (self.right_px is None):
            raise ValueError("give both markers or neither")
        if not 0.5 < self.confidence <= 1.0:
            raise ValueError(f"confidence is {self.confidence}; it must lie above 0.5 and up to 1")
