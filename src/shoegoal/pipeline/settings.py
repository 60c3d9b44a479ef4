"""The settings of one count, and which of them can be reused for the next clip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import DEFAULT_CONFIDENCE
from shoegoal.scene.ball_size import BallSize
from shoegoal.types import ImagePoint

if TYPE_CHECKING:
    from shoegoal.analysis.model import Analysis
    from shoegoal.pictures.stills import StillPicture
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
    confidence : least probability for a verdict without a review; above 0.5 and up to 1.
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


def calibration_of(analysis: Analysis, still: StillPicture) -> Calibration:
    """Take markers, camera and a small picture of the place from a count.

    Parameters
    ----------
    analysis : the counted clip.
    still : a picture of the place, at any size; best with nobody in it.
    """
    import cv2  # here, so that a command's help need not load it
    import numpy as np

    from shoegoal.scene.calibration import Calibration, thumbnail_of

    clip, scene = analysis.clip, analysis.goal_scene
    # The small picture's shape follows from the clip's own size, whatever the still's.
    rows, columns = thumbnail_of(np.zeros((clip.height_px, clip.width_px), np.uint8)).shape
    grey = cv2.cvtColor(still.bgr, cv2.COLOR_BGR2GRAY)
    small = cv2.resize(grey, (columns, rows), interpolation=cv2.INTER_AREA)
    return Calibration(
        image_size_px=(clip.width_px, clip.height_px),
        left_px=ImagePoint(scene.left_px.x_px, scene.left_px.y_px),
        right_px=ImagePoint(scene.right_px.x_px, scene.right_px.y_px),
        camera=scene.camera,
        thumbnail=np.asarray(small, dtype=np.uint8),
        note=f"{clip.name}, markers {scene.markers_source.value}",
    )
