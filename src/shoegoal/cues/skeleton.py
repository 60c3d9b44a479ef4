"""A person's joints as they were seen in one picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

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
