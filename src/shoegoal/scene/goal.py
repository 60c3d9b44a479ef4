"""The goal on the ground: its frame, its line in the picture, its size in steps.

Goal frame: origin midway between the markers' inner bases, x along the goal line to the kicker's
right, y from the goal back towards the kicker, z up; metres. (Seen from the kicker, x goes right,
y comes back and z goes up, so the frame is left-handed.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.camera import Camera
from shoegoal.types import Estimate, ImagePoint

F64 = npt.NDArray[np.float64]

MIN_WIDTH_M = 0.3  # narrower than a size 5 ball and a shoe
MAX_WIDTH_M = 30.0
MAX_RANGE_M = 200.0  # a marker this far off is on the horizon, not on the ground

# A goal paced out by a child is off by about this share. Common practice, no source.
PACING_REL = 0.15
# Width and distance are paced with the same legs. Log of their ratio is off by the spread of steps
# (5% each, so 3% over four and 2% over ten), by where the foot comes down (10 cm in 2.4 m) and by
# longer steps the one way than the other (5%): 0.08 in all. Some do not care, or cheat: one in ten
# is off by a third. No source; our estimates.
PACED_SIGMA, CARELESS_SIGMA, CARELESS_SHARE = 0.08, 0.35, 0.1


class GoalNotPlausibleError(ClipNotJudgeableError):
    """The two marker bases cannot be a goal on the ground."""


@dataclass(frozen=True, slots=True)
class GoalFrame:
    """Two marker bases on the ground and the frame they span.

    Attributes
    ----------
    left_m, right_m : ground XY (camera ground frame) of the inner bases, as the kicker sees them.
    """

    left_m: tuple[float, float]
    right_m: tuple[float, float]

    @property
    def width_m(self) -> float:
        """Distance between the inner bases."""
        return float(np.hypot(*np.subtract(self.right_m, self.left_m)))

    @property
    def origin_m(self) -> tuple[float, float]:
        """Midpoint of the goal line, ground XY."""
        middle = np.add(self.left_m, self.right_m) / 2
        return float(middle[0]), float(middle[1])

    def to_goal(self, ground_m: npt.ArrayLike) -> F64:
        """Turn ground points into goal-frame points.

        Parameters
        ----------
        ground_m : (N, 2) XY or (N, 3) XYZ in the camera ground frame.

        Returns
        -------
        Array of the same shape in the goal frame.
        """
        points = np.array(ground_m, dtype=np.float64, ndmin=2)
        points[:, :2] = (points[:, :2] - self.origin_m) @ self._axes().T
        return points

    def from_goal(self, goal_m: npt.ArrayLike) -> F64:
        """Turn goal-frame points (N, 2) or (N, 3) into camera ground points of that shape."""
        points = np.array(goal_m, dtype=np.float64, ndmin=2)
        points[:, :2] = points[:, :2] @ self._axes() + self.origin_m
        return points

    def to_px(self, camera: Camera, goal_m: npt.ArrayLike) -> F64:
        """Image (N, 2) px of goal-frame points (N, 3); NaN behind the camera."""
        points = np.array(goal_m, dtype=np.float64, ndmin=2)
        return camera.project(self.from_goal(points))

    def line_px(self, camera: Camera) -> tuple[ImagePoint, ImagePoint]:
        """Return the goal line's ends in the picture, left and right as the kicker sees them."""
        ends = camera.project([[*self.left_m, 0.0], [*self.right_m, 0.0]])
        left, right = (ImagePoint(float(x), float(y)) for x, y in ends)
        return left, right

    def swapped(self) -> GoalFrame:
        """Return the same goal kicked at from the other side."""
        return GoalFrame(self.right_m, self.left_m)

    def _axes(self) -> F64:
        """Return rows x and y of the goal frame in ground XY."""
        along = np.subtract(self.right_m, self.left_m) / self.width_m
        return np.array([along, [along[1], -along[0]]])


def goal_from_markers(
    camera: Camera,
    left_px: ImagePoint,
    right_px: ImagePoint,
    kick_spot_m: tuple[float, float] | None = None,
) -> GoalFrame:
    """Put the goal on the ground from the markers' inner bases.

    Parameters
    ----------
    camera : the camera over its ground.
    left_px, right_px : inner bases as the kicker sees them; they may lie outside the picture.
    kick_spot_m : ground XY of a ball before a kick. When given, it decides which side is the
        kicker's, and the two markers change places if they were named from the other side.

    Raises
    ------
    GoalNotPlausibleError
        Same point twice, a base above the horizon, or a width that no home goal has.
    """
    pixels = np.array([[left_px.x_px, left_px.y_px], [right_px.x_px, right_px.y_px]])
    if not np.all(np.isfinite(pixels)):
        raise GoalNotPlausibleError("A marker's place is not a number; give both as x,y in pixels.")
    ground = camera.ground_points(pixels)
    for name, spot, (x_px, y_px) in zip(("left", "right"), ground, pixels, strict=True):
        if not np.all(np.isfinite(spot)) or np.hypot(*spot) > MAX_RANGE_M:
            raise GoalNotPlausibleError(
                f"The {name} marker at {x_px:.0f},{y_px:.0f} lies on or above the horizon, not on "
                "the ground; give the point where the marker touches the ground."
            )
    goal = GoalFrame(_pair(ground[0]), _pair(ground[1]))
    if goal.width_m < MIN_WIDTH_M:
        raise GoalNotPlausibleError(
            f"The two markers are only {100 * goal.width_m:.0f} cm apart; "
            "give two different markers, each at the foot of its inner side."
        )
    if goal.width_m > MAX_WIDTH_M:
        raise GoalNotPlausibleError(
            f"The goal would be {goal.width_m:.0f} m wide, which no home goal is; "
            "check both marker places and the ball size."
        )
    if kick_spot_m is not None and goal.to_goal([kick_spot_m])[0, 1] < 0:
        goal = goal.swapped()
    return goal


@dataclass(frozen=True, slots=True)
class StepReport:
    """The goal measured in the student's own steps.

    Attributes
    ----------
    step_from_width_m : step length if the width was paced as the stage asks.
    step_from_distance_m : step length if the kick distance was.
    width_steps : goal width in steps of `step_from_distance_m`.
    width_steps_low, width_steps_high : its 95% interval.
    disagrees : the interval lies wholly outside what honest pacing can give.
    sentence : the same in words.
    """

    step_from_width_m: Estimate
    step_from_distance_m: Estimate
    width_steps: Estimate
    width_steps_low: float
    width_steps_high: float
    disagrees: bool
    sentence: str


def report_steps(
    width_m: F64, distance_m: F64, asked_width_steps: float, asked_back_steps: float
) -> StepReport:
    """Compare the measured goal with the stage, in steps.

    Parameters
    ----------
    width_m, distance_m : (S,) joint draws of goal width and kick distance. They must come from a
        fit that did not use the stage's ratio, or the comparison would partly be with itself.
    asked_width_steps, asked_back_steps : what the stage asks.
    """
    steps = width_m / distance_m * asked_back_steps
    low, high = (float(q) for q in np.quantile(steps, [0.025, 0.975]))
    width_steps = summarise(steps)
    off = high < asked_width_steps * (1 - PACING_REL) or low > asked_width_steps * (1 + PACING_REL)
    sentence = (
        f"goal looks {width_steps.value:.1f} of your steps wide ({low:.1f} to {high:.1f}), "
        f"the stage asks {asked_width_steps:g}"
    )
    return StepReport(
        step_from_width_m=summarise(width_m / asked_width_steps),
        step_from_distance_m=summarise(distance_m / asked_back_steps),
        width_steps=width_steps,
        width_steps_low=low,
        width_steps_high=high,
        disagrees=bool(off),
        sentence=sentence,
    )


def paced_log_density(log_ratio: F64, measured_sigma: float = 0.0) -> F64:
    """Log density of how far a goal's shape is from the stage's, over that of the stage's own.

    Parameters
    ----------
    log_ratio : log of width over distance against the stage's.
    measured_sigma : how well it is measured.
    """
    careful_sigma, careless_sigma = np.hypot([PACED_SIGMA, CARELESS_SIGMA], measured_sigma)
    wide = CARELESS_SHARE * careful_sigma / careless_sigma
    careful = (1 - CARELESS_SHARE) * np.exp(-0.5 * (log_ratio / careful_sigma) ** 2)
    careless = wide * np.exp(-0.5 * (log_ratio / careless_sigma) ** 2)
    density: F64 = np.log(careful + careless) - np.log(1 - CARELESS_SHARE + wide)
    return density


def summarise(draws: F64) -> Estimate:
    """Return the median of (S,) draws and half the width of their middle 68%."""
    low, middle, high = np.quantile(draws, [0.1587, 0.5, 0.8413])
    return Estimate(float(middle), float(high - low) / 2)


def _pair(point: F64) -> tuple[float, float]:
    return float(point[0]), float(point[1])
