"""A stick body that kicks, with known angles and places, seen by a pose model without error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from shoegoal.cues.foot import load_foot
from shoegoal.cues.legs import Side
from shoegoal.cues.pose import JOINTS, Joint, Pose
from shoegoal.cues.space import ShotSpace
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalFrame

F64 = npt.NDArray[np.float64]

CONTACT_S = 7.3
FOOT_M = 0.27
SWING_S = 0.22  # from contact to the farthest back and ahead


@dataclass(frozen=True)
class StickKick:
    """Truth of one kick, units as the cues'; angles in deg, outwards is the kicking side."""

    side: Side = Side.RIGHT
    beside_cm: float = 30.0
    fore_aft_cm: float = -8.0
    plant_turn_deg: float = 10.0
    back_deg: float = 40.0
    ahead_deg: float = 35.0
    contact_turn_deg: float = 70.0
    face_over_ball_deg: float = 5.0

    def mirrored(self) -> StickKick:
        """Return the same kick with the other foot."""
        return replace(self, side=self.side.other)


def space_from(
    azimuth_deg: float, spot_m: tuple[float, float] = (0.0, 9.0), distance_m: float = 5.0
) -> ShotSpace:
    """A 1080p phone 1.3 m high that looks at the ball; azimuth 0 behind, 90 from the left."""
    camera = Camera(1500.0, 959.5, 539.5, 1.3, 10.0)
    way = np.array([0.0, 1.0])  # the sight line; the shot goes the azimuth to its left
    turn = np.radians(azimuth_deg)
    ahead = np.array([-np.sin(turn) * way[1], np.cos(turn) * way[1]])
    ball = distance_m * way
    middle = ball + np.hypot(*spot_m) * ahead
    # In the goal frame the ball lies at spot_m: turn the goal so that it does.
    skew = -np.arctan2(spot_m[0], spot_m[1])
    right = Rotation.from_euler("z", skew).apply([ahead[1], -ahead[0], 0.0])[:2]
    goal = GoalFrame(tuple(middle - 1.5 * right), tuple(middle + 1.5 * right))
    return ShotSpace(camera, goal, spot_m, 0.21)


def poses_of(
    kick: StickKick, space: ShotSpace, rate_hz: float = 30.0, noise_px: float = 0.0
) -> list[Pose]:
    """What a perfect pose model sees of the kick from 0.4 s before contact to 0.4 s after."""
    sinces = np.arange(-0.4, 0.41, 1 / rate_hz).tolist()
    noise = noise_px * np.random.default_rng(5).normal(size=(len(sinces), JOINTS, 2))
    return [
        pose_at(kick, space, since_s, CONTACT_S + since_s, off_px)
        for since_s, off_px in zip(sinces, noise, strict=True)
    ]


def leg_deg(kick: StickKick, since_s: float) -> float:
    """Angle of the kicking leg from the vertical: back, evenly through contact, and down."""
    phase = np.clip(since_s / SWING_S, -1.6, 1.6)
    middle, half = (kick.ahead_deg - kick.back_deg) / 2, (kick.ahead_deg + kick.back_deg) / 2
    return float(middle + half * np.sin(np.pi / 2 * phase))


def body(kick: StickKick, since_s: float) -> F64:
    """Joints in the shot frame, (33, 3) right, ahead, up, m."""
    out = 1.0 if kick.side is Side.RIGHT else -1.0
    joints = np.full((JOINTS, 3), np.nan)
    kicking, planted = kick.side.leg, kick.side.other.leg
    middle = np.array([-out * kick.beside_cm, kick.fore_aft_cm, 0.0]) / 100
    # Away from the kicking foot is outwards for the plant foot.
    turn = np.radians(-out * kick.plant_turn_deg)
    along = np.array([np.sin(turn), np.cos(turn), 0.0])
    shoe = [planted.heel, planted.toe, planted.ankle]
    joints[shoe] = middle + shoe_marks(along, -out)
    joints[planted.hip] = middle + np.array([0.08 * out, -0.05, 0.9])
    joints[planted.knee] = (joints[planted.hip] + joints[planted.ankle]) / 2 + [0, 0.04, 0]
    swing = Rotation.from_euler("x", leg_deg(kick, since_s), degrees=True)
    hip = joints[planted.hip] + [0.2 * out, 0.0, 0.0]
    joints[kicking.hip] = hip
    joints[kicking.knee] = hip + swing.apply([0.0, 0.03, -0.4])
    joints[kicking.ankle] = hip + swing.apply([0.0, 0.0, -0.8])
    turn = np.radians(out * kick.contact_turn_deg)
    along = np.array([np.sin(turn), np.cos(turn), 0.0])
    heel, toe, ankle = shoe_marks(along, out)
    joints[kicking.heel] = joints[kicking.ankle] + heel - ankle
    joints[kicking.toe] = joints[kicking.ankle] + toe - ankle
    chest = (joints[planted.hip] + hip) / 2
    ears = chest + np.array([0.0, 0.1, 0.65])
    ball = np.array([0.0, 0.0, 0.105]) - ears
    pitch = np.arctan2(ball[2], ball[1]) + np.radians(kick.face_over_ball_deg)
    joints[[Joint.LEFT_EAR, Joint.RIGHT_EAR]] = ears + np.array([[-0.07, 0, 0], [0.07, 0, 0]])
    joints[Joint.NOSE] = ears + 0.12 * np.array([0.0, np.cos(pitch), np.sin(pitch)])
    shoulders = np.array([[-0.18, 0, 0.5], [0.18, 0, 0.5]])
    joints[[Joint.LEFT_SHOULDER, Joint.RIGHT_SHOULDER]] = chest + shoulders
    joints[np.isnan(joints[:, 0])] = chest
    return joints


def shoe_marks(along: F64, out: float) -> F64:
    """Heel, toe and ankle (3, 3) as the pose model has them, from the middle of the sole."""
    across = out * np.array([along[1], -along[0], 0.0])
    marks: F64 = load_foot().marks @ np.stack([along, across, [0.0, 0.0, 1.0]])
    return FOOT_M * marks


def pose_at(
    kick: StickKick, space: ShotSpace, since_s: float, time_s: float, off_px: F64 | float = 0.0
) -> Pose:
    """The pose of one moment, seconds since contact."""
    joints = body(kick, since_s)
    points = space.to_px(joints)
    hips = joints[[Joint.LEFT_HIP, Joint.RIGHT_HIP]].mean(axis=0)
    # Axes of a camera that looks straight at the hips: level, then pitched down.
    away = space.turned_world(np.eye(3), tuple(space.to_px([hips])[0]))
    return Pose(time_s, points + off_px, np.ones(JOINTS), np.ones(JOINTS), (joints - hips) @ away.T)
