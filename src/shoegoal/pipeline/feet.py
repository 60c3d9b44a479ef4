"""Which foot is at the ball: the pose model, run only where the ball's path bends."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8
from shoegoal.cues.pose import LEFT_LEG, OUTSIDE_GREY, RIGHT_LEG, Leg, Pose, PoseModel, Square
from shoegoal.pictures.stills import PictureKeeper, StillPicture
from shoegoal.shots.touches import FootSeen

# A person of 1.9 m is nine balls tall, and a foot is put out to the side.
ABOVE_DIAMETERS, BELOW_DIAMETERS = 9.5, 1.3
ONE_SQUARE_DIAMETERS = 16.0  # one square serves for all of a set if it need not be larger than this
NEAR_IN_TIME_S = 0.06
TRY_S = (0.0, -0.067, 0.067)  # neighbours of a picture in which nobody is found
LEAST_VISIBLE = 0.3  # of an ankle or toe

F64 = npt.NDArray[np.float64]


class FeetFinder:
    """Find the foot nearest to a ball at a time, in the pictures that were kept.

    Parameters
    ----------
    pictures : kept during the count.
    model : that finds the joints.
    balls_px : (x, y, diameter) of the ball wherever feet will be asked for.
    """

    def __init__(
        self,
        pictures: PictureKeeper,
        model: PoseModel,
        balls_px: Sequence[tuple[float, float, float]],
    ) -> None:
        self._pictures = pictures
        self._model = model
        self._square = _one_square(balls_px)

    def nearest(
        self, time_s: float, ball_px: tuple[float, float], diameter_px: float
    ) -> FootSeen | None:
        """Find the foot nearest to the ball; None where nobody is seen."""
        square = self._square or _square_round([(*ball_px, diameter_px)])
        for off_s in TRY_S:
            still = self._pictures.near(time_s + off_s, NEAR_IN_TIME_S)
            if still is None:
                continue
            pose = self._model.find(cut_square(still, square), square, still.time_s)
            found = None if pose is None else nearest_foot(pose, ball_px, diameter_px)
            if found is not None:
                return found
        return None


def nearest_foot(pose: Pose, ball_px: tuple[float, float], diameter_px: float) -> FootSeen | None:
    """Return the foot whose ankle, heel and toe come nearest to a ball's middle."""
    found = [
        FootSeen(name, _apart(pose, leg, np.array(ball_px)) / diameter_px)
        for name, leg in (("left", LEFT_LEG), ("right", RIGHT_LEG))
        if pose.visibility[list(leg.foot)].max() >= LEAST_VISIBLE
    ]
    return min(found, key=lambda foot: foot.apart, default=None)


def _apart(pose: Pose, leg: Leg, ball: F64) -> float:
    ankle, heel, toe = (pose.points_px[joint] for joint in leg.foot)
    return min(_from_line(ball, a, b) for a, b in ((ankle, heel), (heel, toe), (ankle, toe)))


def _from_line(point: F64, a: F64, b: F64) -> float:
    """Distance of a point from the stretch between two others."""
    along = b - a
    share = np.clip((point - a) @ along / max(1e-9, float(along @ along)), 0.0, 1.0)
    return float(np.linalg.norm(point - a - share * along))


def cut_square(still: StillPicture, square: Square) -> U8:
    """Cut a square of the displayed picture out of a still, grey beyond its edge."""
    left, top, side = (
        round(v * still.scale) for v in (square.left_px, square.top_px, square.side_px)
    )
    height, width = still.bgr.shape[:2]
    piece = np.full((side, side, 3), OUTSIDE_GREY, np.uint8)
    x0, y0, x1, y1 = max(0, left), max(0, top), min(width, left + side), min(height, top + side)
    if x0 < x1 and y0 < y1:
        piece[y0 - top : y1 - top, x0 - left : x1 - left] = still.bgr[y0:y1, x0:x1]
    return piece


def _one_square(balls_px: Sequence[tuple[float, float, float]]) -> Square | None:
    """One square for all of a set, as long as it is not too wide for a small person in it."""
    if not balls_px:
        return None
    square = _square_round(balls_px)
    size = float(np.median([d for _, _, d in balls_px]))
    return square if square.side_px <= ONE_SQUARE_DIAMETERS * size else None


def _square_round(balls_px: Sequence[tuple[float, float, float]]) -> Square:
    rows = np.array(balls_px)
    size = float(rows[:, 2].max())
    x0, x1 = rows[:, 0].min(), rows[:, 0].max()
    top = rows[:, 1].min() - ABOVE_DIAMETERS * size
    bottom = rows[:, 1].max() + BELOW_DIAMETERS * size
    side = max(bottom - top, x1 - x0 + 6 * size)
    return Square(round((x0 + x1 - side) / 2), round(bottom - side), round(side))
