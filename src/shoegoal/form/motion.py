"""One kick as it was seen: the poses in order, the moment of contact, and which leg is which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from shoegoal.form.sides import Side
from shoegoal.form.skeleton import Joint, Leg, Pose
from shoegoal.form.smooth import smoothed
from shoegoal.form.space import ShotSpace

F64 = npt.NDArray[np.float64]

# The plant foot stands still from shortly before contact until shortly after.
PLANTED_BEFORE_S, PLANTED_AFTER_S = 0.07, 0.04
SEARCHED_S = 0.35  # so far from contact the foot is looked for at the ball


@dataclass(frozen=True)
class Kick:
    """One kick's poses.

    Attributes
    ----------
    space : the space round it.
    contact_s : time of contact.
    poses : untangled, in order of time; at least three.
    side : of the kicking foot.
    """

    space: ShotSpace
    contact_s: float
    poses: Sequence[Pose]
    side: Side

    @property
    def kicking(self) -> Leg:
        """The leg that kicks."""
        return self.side.leg

    @property
    def planted(self) -> Leg:
        """The leg that stands."""
        return self.side.other.leg

    @property
    def outwards(self) -> float:
        """+1 where the kicking side is the kicker's right, -1 where it is the left."""
        return 1.0 if self.side is Side.RIGHT else -1.0

    @cached_property
    def times_s(self) -> F64:
        """Presentation times of the poses, (T,)."""
        return np.array([pose.time_s for pose in self.poses])

    @cached_property
    def stood(self) -> list[Pose]:
        """Poses round contact, while the plant foot stands; the nearest one where none is."""
        near = [
            pose
            for pose in self.poses
            if -PLANTED_BEFORE_S <= pose.time_s - self.contact_s <= PLANTED_AFTER_S
        ]
        return near or [min(self.poses, key=lambda pose: abs(pose.time_s - self.contact_s))]

    def px(self, joint: Joint, at_s: npt.ArrayLike) -> F64:
        """Smoothed place of a joint in the picture, (M, 2) px, at moments (M,)."""
        places = np.stack([pose.points_px[joint] for pose in self.poses])
        return smoothed(self.times_s, places, at_s, self._trust(joint))

    def world(self, joint: Joint, at_s: npt.ArrayLike) -> F64:
        """Smoothed place of a joint about the hips, (M, 3) right, ahead, up of the shot, m."""
        return smoothed(self.times_s, self._turned[:, joint], at_s, self._trust(joint))

    def moments(self, start_s: float, end_s: float, step_s: float = 0.01) -> F64:
        """Moments from one time to another, as far as there are pictures, both included."""
        start, end = max(start_s, self.times_s[0]), min(end_s, self.times_s[-1])
        if end < start:
            return np.array([])
        return np.linspace(start, end, max(2, int((end - start) / step_s) + 1))

    def foot_at_ball_s(self) -> float:
        """Tell when the kicking foot, heel to toe, was nearest to where the ball lay."""
        moments = self.moments(self.contact_s - SEARCHED_S, self.contact_s + SEARCHED_S)
        heel, toe = (self.px(joint, moments) for joint in (self.kicking.heel, self.kicking.toe))
        centre, _ = self.space.ball_px
        ball = np.array([centre.x_px, centre.y_px])
        along = toe - heel
        length = np.maximum(np.sum(along**2, axis=1), 1e-9)
        share = np.clip(np.sum((ball - heel) * along, axis=1) / length, 0.0, 1.0)
        off = heel + share[:, None] * along - ball
        return float(moments[int(np.argmin(np.hypot(off[:, 0], off[:, 1])))])

    def _trust(self, joint: Joint) -> F64:
        return np.array([pose.visibility[joint] for pose in self.poses])

    @cached_property
    def _turned(self) -> F64:
        """Return the bodies in space, turned into the shot frame, (T, 33, 3)."""
        hips = [Joint.LEFT_HIP, Joint.RIGHT_HIP]
        return np.stack(
            [
                self.space.turned_world(pose.world_m, _pair(pose.points_px[hips].mean(axis=0)))
                for pose in self.poses
            ]
        )


def _pair(point: F64) -> tuple[float, float]:
    return float(point[0]), float(point[1])
