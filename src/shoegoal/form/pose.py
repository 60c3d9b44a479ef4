"""The pose model behind a small interface: a square piece of a picture in, joints out.

Pose runs on a person-sized piece at native size: on the whole frame small figures are missed.
"""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ShoegoalError
from shoegoal.form.quiet import quiet_standard_error
from shoegoal.form.skeleton import JOINTS, Pose

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import PoseLandmarker, PoseLandmarkerResult

U8 = npt.NDArray[np.uint8]

MODEL_NAME = "pose_full.task"
LEAST_PRESENCE = 0.5  # the model's own default: a person is reported from this score on
OUTSIDE_GREY = 114  # shown where a square reaches beyond the picture; any flat grey does


@dataclass(frozen=True, slots=True)
class Square:
    """A square piece of the displayed picture; it may reach beyond the picture's edge.

    Attributes
    ----------
    left_px, top_px : px of the picture at its upper left corner.
    side_px : its side.
    """

    left_px: int
    top_px: int
    side_px: int

    def cut(self, bgr: U8) -> U8:
        """Cut the square out of a picture (H, W, 3), grey where it reaches beyond the edge."""
        height, width = bgr.shape[:2]
        piece = np.full((self.side_px, self.side_px, 3), OUTSIDE_GREY, np.uint8)
        top, left = max(0, self.top_px), max(0, self.left_px)
        bottom = min(height, self.top_px + self.side_px)
        right = min(width, self.left_px + self.side_px)
        if top < bottom and left < right:
            piece[
                top - self.top_px : bottom - self.top_px, left - self.left_px : right - self.left_px
            ] = bgr[top:bottom, left:right]
        return piece


class PoseModel(Protocol):
    """Finds one person's joints in a piece of a picture."""

    def find(self, bgr: U8, square: Square, time_s: float) -> Pose | None:
        """Look for a person.

        Parameters
        ----------
        bgr : (H, W, 3) uint8, the whole displayed picture.
        square : where the person is.
        time_s : presentation time of the picture.

        Returns
        -------
        The joints in px of the whole picture; None where nobody was found.
        """
        ...


class MediaPipePose:
    """The pose model that comes with the package; made by `open_pose_model`.

    Every picture is looked at by itself: the library's mode for video smooths over time with a
    lag, and would not know a clip's uneven picture times.
    """

    def __init__(self, landmarker: PoseLandmarker) -> None:
        self._landmarker = landmarker
        self.pictures = 0

    def find(self, bgr: U8, square: Square, time_s: float) -> Pose | None:
        """See `PoseModel.find`."""
        from mediapipe import Image, ImageFormat

        rgb = np.ascontiguousarray(square.cut(bgr)[:, :, ::-1])
        self.pictures += 1
        with quiet_standard_error():
            found = self._landmarker.detect(Image(image_format=ImageFormat.SRGB, data=rgb))
        return _pose_of(found, square, time_s)


@contextmanager
def open_pose_model() -> Generator[MediaPipePose, None, None]:
    """Load the pose model; it is let go at the end.

    Raises
    ------
    ShoegoalError
        The model's file is missing or damaged.
    """
    with as_file(files("shoegoal.form") / "models" / MODEL_NAME) as path:
        with quiet_standard_error():
            from mediapipe.tasks.python import BaseOptions
            from mediapipe.tasks.python.vision import (
                PoseLandmarker,
                PoseLandmarkerOptions,
                RunningMode,
            )

            try:
                options = PoseLandmarkerOptions(
                    base_options=BaseOptions(model_asset_buffer=path.read_bytes()),
                    running_mode=RunningMode.IMAGE,
                    min_pose_presence_confidence=LEAST_PRESENCE,
                )
                landmarker = PoseLandmarker.create_from_options(options)
            except (OSError, RuntimeError, ValueError) as error:
                raise ShoegoalError(
                    f"The pose model's file cannot be read ({path}): install shoegoal again."
                ) from error
        try:
            yield MediaPipePose(landmarker)
        finally:
            with quiet_standard_error():
                landmarker.close()


def _pose_of(found: PoseLandmarkerResult, square: Square, time_s: float) -> Pose | None:
    if not found.pose_landmarks:
        return None
    marks, world = found.pose_landmarks[0], found.pose_world_landmarks[0]
    if len(marks) != JOINTS:
        raise ShoegoalError(
            f"The pose model gives {len(marks)} joints, not {JOINTS}: install shoegoal again."
        )
    shares = np.array([(m.x, m.y) for m in marks], dtype=np.float64)
    # The library counts from the piece's edge; here pixel centres are whole numbers.
    points = shares * square.side_px - 0.5 + [square.left_px, square.top_px]
    return Pose(
        time_s,
        points,
        np.array([m.visibility for m in marks], dtype=np.float64),
        np.array([m.presence for m in marks], dtype=np.float64),
        np.array([(w.x, w.y, w.z) for w in world], dtype=np.float64),
    )
