"""One kick: its poses in order, the moment of contact, which leg is which, joints at any moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from shoegoal.cues.foot import FootFit, fit_foot
from shoegoal.cues.legs import Side, Standing, trust_in_feet, unsure_of
from shoegoal.cues.pose import Joint, Leg, Pose
from shoegoal.cues.smooth import smoothed
from shoegoal.cues.space import ShotSpace

F64 = npt.NDArray[np.float64]
ANKLE_UP_M = 0.09  # of a foot on the ground; common practice, no source
SCALE_ROUNDS = 3


@dataclass(frozen=True)
class Kick:
    """One kick's poses.

    Attributes
    ----------
    space : the space round it.
    contact_s : time of contact.
    poses : untangled, in order of time; at least three.
    side : of the kicking foot.
    standing : the plant foot in the picture; None where it is hidden.
    """

    space: ShotSpace
    contact_s: float
    poses: Sequence[Pose]
    side: Side
    standing: Standing | None

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

    def plant_fit(self, space: ShotSpace | None = None) -> FootFit | None:
        """Fit the plant foot on the ground, of this space or of another one round the same kick."""
        if self.standing is None:
            return None
        return fit_foot(space or self.space, self.standing, -self.outwards)

    @cached_property
    def plant(self) -> FootFit | None:
        """The plant foot on the ground; None where it does not show there."""
        return self.plant_fit()

    def px(self, joint: Joint, at_s: npt.ArrayLike) -> F64:
        """Smoothed place of a joint in the picture, (M, 2) px, at moments (M,)."""
        places = np.stack([pose.points_px[joint] for pose in self.poses])
        return smoothed(self.times_s, places, at_s, self._trust(joint))

    def shows(self, joints: Sequence[Joint], at_s: npt.ArrayLike) -> bool:
        """Whether joints are in the picture at all of these moments; outside they are guesses."""
        return all(bool(self.space.shows(self.px(joint, at_s)).all()) for joint in joints)

    def world(self, joint: Joint, at_s: npt.ArrayLike) -> F64:
        """Smoothed place of a joint about the hips, (M, 3) right, ahead, up of the shot, m."""
        return smoothed(self.times_s, self._turned[:, joint], at_s, self._trust(joint))

    def in_space(self, joint: Joint, at_s: npt.ArrayLike) -> F64:
        """Place of a joint about the ball, (M, 3) right, ahead, up of the shot, m, at moments (M,).

        Each lies on its pixel's sight line, as far from the camera as the network's own body has
        it, which stands on the plant foot. NaN where the plant foot does not show.
        """
        way = self.world(joint, at_s) - self.world(self.planted.ankle, at_s)
        place = self._ankle_m + self._body_scale * way
        return self.space.nearest_on_sight(self.px(joint, at_s), place)

    @cached_property
    def _ankle_m(self) -> F64:
        """Place (3,) of the plant ankle."""
        if self.plant is None:
            return np.full(3, np.nan)
        return np.array([self.plant.right_m, self.plant.ahead_m, ANKLE_UP_M])

    @cached_property
    def _body_scale(self) -> float:
        """How much larger the kicker is than the network's own body, by the plant leg's length."""
        moments = self.contact_s + np.linspace(-0.1, 0.1, 5)
        way = self.world(self.planted.hip, moments) - self.world(self.planted.ankle, moments)
        hip_px, scale = self.px(self.planted.hip, moments), 1.0
        for _ in range(SCALE_ROUNDS):
            seen = self.space.nearest_on_sight(hip_px, self._ankle_m + scale * way) - self._ankle_m
            scale = float(np.median(np.linalg.norm(seen, axis=1) / np.linalg.norm(way, axis=1)))
        return scale

    def moments(self, start_s: float, end_s: float, step_s: float = 0.01) -> F64:
        """Moments from one time to another, as far as there are pictures, both included."""
        start, end = max(start_s, self.times_s[0]), min(end_s, self.times_s[-1])
        if end < start:
            return np.array([])
        return np.linspace(start, end, max(2, int((end - start) / step_s) + 1))

    def foot_off_ball(self) -> float:
        """Distance of the kicking foot, heel to toe, from the ball at contact, in its diameters."""
        leg, at = self.kicking, self.contact_s
        heel, toe = (self.px(joint, at)[0] for joint in (leg.heel, leg.toe))
        centre, diameter_px = self.space.ball_px
        ball = np.array([centre.x_px, centre.y_px])
        along = toe - heel
        share = np.clip((ball - heel) @ along / max(1e-9, float(along @ along)), 0.0, 1.0)
        return float(np.hypot(*(heel + share * along - ball))) / diameter_px

    def _trust(self, joint: Joint) -> F64:
        seen = np.array([pose.visibility[joint] for pose in self.poses])
        for leg in (self.kicking, self.planted):
            if joint in leg.rows[1:]:
                seen = seen * self._apart
        return seen / self._variances.get(joint, 1.0)

    @cached_property
    def _apart(self) -> F64:
        """What the pictures' feet are worth; where both show at one place, one was not found."""
        if self.standing is None:
            return np.ones(len(self.poses))
        return trust_in_feet(self.poses, self.standing.leg_px)

    @cached_property
    def _variances(self) -> dict[Joint, F64]:
        """Of each foot's marks in the pictures, (T,), as the shoes' network has them."""
        if self.standing is None:
            return {}
        leg_px = self.standing.leg_px
        return {
            joint: np.square([unsure_of(pose, joints, leg_px) for pose in self.poses])
            for leg in (self.kicking, self.planted)
            for joint, joints in (
                (leg.heel, leg.ends),
                (leg.toe, leg.ends),
                (leg.ankle, (leg.ankle,)),
            )
        }

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
