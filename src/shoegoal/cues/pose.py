"""A person's joints in one picture, and the pose model that finds them there.

Pose runs on a person-sized piece at native size: on the whole frame small figures are missed.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import IntEnum
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Protocol

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8, Frame, planes_to_bgr
from shoegoal.errors import ShoegoalError

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import PoseLandmarker, PoseLandmarkerResult

F64 = npt.NDArray[np.float64]


JOINTS = 33


class Joint(IntEnum):
    """Rows of a pose: the 33 landmarks of the BlazePose topology, those used here by name.

    Left and right are the person's own.
    """

    NOSE = 0
    LEFT_EYE = 2
    RIGHT_EYE = 5
    LEFT_EAR = 7
    RIGHT_EAR = 8
    LEFT_SHOULDER = 11
    RIGHT_SHOULDER = 12
    LEFT_ELBOW = 13
    RIGHT_ELBOW = 14
    LEFT_WRIST = 15
    RIGHT_WRIST = 16
    LEFT_HIP = 23
    RIGHT_HIP = 24
    LEFT_KNEE = 25
    RIGHT_KNEE = 26
    LEFT_ANKLE = 27
    RIGHT_ANKLE = 28
    LEFT_HEEL = 29
    RIGHT_HEEL = 30
    LEFT_TOE = 31
    RIGHT_TOE = 32


@dataclass(frozen=True, slots=True)
class Leg:
    """The rows of one leg, from the hip down."""

    hip: Joint
    knee: Joint
    ankle: Joint
    heel: Joint
    toe: Joint

    @property
    def rows(self) -> tuple[Joint, ...]:
        """All five, from the hip down."""
        return self.hip, self.knee, self.ankle, self.heel, self.toe

    @property
    def ends(self) -> tuple[Joint, ...]:
        """Heel and toe."""
        return self.heel, self.toe

    @property
    def foot(self) -> tuple[Joint, ...]:
        """Ankle, heel and toe."""
        return self.ankle, self.heel, self.toe


LEFT_LEG = Leg(Joint.LEFT_HIP, Joint.LEFT_KNEE, Joint.LEFT_ANKLE, Joint.LEFT_HEEL, Joint.LEFT_TOE)
RIGHT_LEG = Leg(
    Joint.RIGHT_HIP, Joint.RIGHT_KNEE, Joint.RIGHT_ANKLE, Joint.RIGHT_HEEL, Joint.RIGHT_TOE
)

# Drawn as lines between joints.
BONES: tuple[tuple[Joint, Joint], ...] = (
    (Joint.LEFT_SHOULDER, Joint.RIGHT_SHOULDER),
    (Joint.LEFT_SHOULDER, Joint.LEFT_ELBOW),
    (Joint.LEFT_ELBOW, Joint.LEFT_WRIST),
    (Joint.RIGHT_SHOULDER, Joint.RIGHT_ELBOW),
    (Joint.RIGHT_ELBOW, Joint.RIGHT_WRIST),
    (Joint.LEFT_SHOULDER, Joint.LEFT_HIP),
    (Joint.RIGHT_SHOULDER, Joint.RIGHT_HIP),
    (Joint.LEFT_HIP, Joint.RIGHT_HIP),
    *(
        pair
        for leg in (LEFT_LEG, RIGHT_LEG)
        for pair in (
            (leg.hip, leg.knee),
            (leg.knee, leg.ankle),
            (leg.ankle, leg.heel),
            (leg.heel, leg.toe),
            (leg.ankle, leg.toe),
        )
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """One person in one picture.

    Attributes
    ----------
    time_s : presentation time of the picture.
    points_px : (33, 2) px of the displayed picture; joints outside the picture are guesses.
    visibility : (33,) 0..1, how likely a joint is in the picture and not hidden.
    presence : (33,) 0..1, how likely it is in the picture.
    world_m : (33, 3) metres about the middle of the hips, axes of the camera (x right, y down,
        z away): the network's own guess at the body in space.
    unsure_px : (33,) how unsure the shoes' network was of a heel or toe, px along one axis, as it
        says itself; NaN for all else.
    """

    time_s: float
    points_px: F64
    visibility: F64
    presence: F64
    world_m: F64
    unsure_px: F64 = field(default_factory=lambda: np.full(JOINTS, np.nan))

    def __post_init__(self) -> None:
        shapes = (self.points_px.shape, self.visibility.shape, self.world_m.shape)
        if shapes != ((JOINTS, 2), (JOINTS,), (JOINTS, 3)):
            raise ValueError(f"a pose has {JOINTS} joints, not {shapes}")


@contextmanager
def quiet_standard_error() -> Generator[None, None, None]:
    """Send what is written to file descriptor 2 nowhere, and put it back whatever happens.

    The pose library writes there from C++, past Python's `sys.stderr` and whatever the level of
    its log. The descriptor is the whole process's: other threads' lines are lost meanwhile.
    """
    try:
        kept = os.dup(2)
    except OSError:  # standard error is closed: nothing can come out of it
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


MODEL_NAME = "pose_full.task"
LEAST_PRESENCE = 0.5  # the model's own default: a person is reported from this score on
FAR_APART_MS = 1_000_000  # between two pictures, as the library is made to believe
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

    def cut(self, frame: Frame) -> U8:
        """Cut the square out of a picture, (side, side, 3) blue-green-red, grey beyond its edge.

        Only what lies in the square is turned into colour, which saves most of the work.
        """
        height, width = frame.luma.shape
        piece = np.full((self.side_px, self.side_px, 3), OUTSIDE_GREY, np.uint8)
        top, left = max(0, self.top_px), max(0, self.left_px)
        bottom = min(height, self.top_px + self.side_px)
        right = min(width, self.left_px + self.side_px)
        if top >= bottom or left >= right:
            return piece
        even_top, even_left = top // 2 * 2, left // 2 * 2  # a chroma sample covers two by two px
        luma = frame.luma[even_top:bottom, even_left:right]
        chroma = (slice(even_top // 2, (bottom + 1) // 2), slice(even_left // 2, (right + 1) // 2))
        # An odd last row or column has a chroma sample that reaches beyond it.
        pad = ((0, luma.shape[0] % 2), (0, luma.shape[1] % 2))
        bgr = planes_to_bgr(
            np.pad(luma, pad, mode="edge"),
            np.ascontiguousarray(frame.chroma_u[chroma]),
            np.ascontiguousarray(frame.chroma_v[chroma]),
            full_range=frame.full_range,
            matrix=frame.matrix,
        )
        piece[
            top - self.top_px : bottom - self.top_px, left - self.left_px : right - self.left_px
        ] = bgr[top - even_top : bottom - even_top, left - even_left : right - even_left]
        return piece


class PoseModel(Protocol):
    """Finds one person's joints in a piece of a picture."""

    def find(self, piece: U8, square: Square, time_s: float) -> Pose | None:
        """Look for a person.

        Pictures of one person come in order of time and with the same square; another square is
        another person.

        Parameters
        ----------
        piece : (S, S, 3) uint8 blue-green-red, what the square shows, at any size.
        square : where in the displayed picture the piece lies.
        time_s : presentation time of the picture.

        Returns
        -------
        The joints in px of the whole picture; None where nobody was found.
        """
        ...


class MediaPipePose:
    """The pose model that comes with the package; made by `open_pose_model`.

    It looks where the person was in the picture before, which saves looking for one. Its own
    smoothing over time lags behind a kick and knows nothing of uneven picture times, so the
    pictures are said to lie far apart, which leaves none.
    """

    def __init__(self, landmarker: PoseLandmarker) -> None:
        self._landmarker = landmarker
        self._square: Square | None = None
        self._tick_ms = 0
        self.pictures = 0

    def find(self, piece: U8, square: Square, time_s: float) -> Pose | None:
        """See `PoseModel.find`."""
        if self._square is not None and square != self._square:
            self._look(np.full((64, 64, 3), OUTSIDE_GREY, np.uint8))  # forget the last person
        self._square = square
        self.pictures += 1
        return _pose_of(self._look(piece), square, time_s)

    def _look(self, piece: U8) -> PoseLandmarkerResult:
        from mediapipe import Image, ImageFormat

        rgb = np.asarray(cv2.cvtColor(piece, cv2.COLOR_BGR2RGB), np.uint8)
        image = Image(image_format=ImageFormat.SRGB, data=rgb)
        self._tick_ms += FAR_APART_MS
        with quiet_standard_error():
            return self._landmarker.detect_for_video(image, self._tick_ms)


@contextmanager
def open_pose_model() -> Generator[MediaPipePose, None, None]:
    """Load the pose model; it is let go at the end.

    Raises
    ------
    ShoegoalError
        The model's file is missing or damaged.
    """
    with as_file(files("shoegoal.cues") / "models" / MODEL_NAME) as path:
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
                    running_mode=RunningMode.VIDEO,
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
