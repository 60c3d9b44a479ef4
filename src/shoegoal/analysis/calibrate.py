"""A counted clip's set-up, to be used again for later clips of the same place."""

from __future__ import annotations

import cv2
import numpy as np

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.stills import StillPicture
from shoegoal.scene.calibration import Calibration, thumbnail_of
from shoegoal.types import ImagePoint


def calibration_of(analysis: Analysis, still: StillPicture) -> Calibration:
    """Take markers, camera and a small picture of the place from a count.

    Parameters
    ----------
    analysis : the counted clip.
    still : a picture of the place, at any size; best with nobody in it.
    """
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
