"""The pictures round a kick: which ones are looked at, and the joints and shoes found in them.

The pose model knows shoes least of all joints, and not at all which way a blurred one points. A
small network, trained on drawn shoes (`training/shoes`), finds each heel, toe and ankle and says
how sure it is of each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.clip.frame import U8, Frame
from shoegoal.clip.sampling import Sampler
from shoegoal.cues.legs import Side
from shoegoal.cues.pose import OUTSIDE_GREY, Pose, PoseModel, Square
from shoegoal.networks import Network, load_network

F64 = npt.NDArray[np.float64]


NETWORK_NAME = "shoe_ends.onnx"
SIDE_PX = 64  # of a window
WINDOW_LEGS = 0.84  # side of a window over the leg's length, hip to ankle
SIGMA_LOGS = (-5.0, 0.0)  # bounds of the natural logarithms that the network gives
POSE_LEGS = 0.04  # standard deviation of the pose model's heels, toes, ankles (bench/form_foot.py)
LINE_PX, LINE_LEVEL = 3, 255


class ShoeSight:
    """Finds heels, toes and ankles; loads its network on the first call where none is given."""

    def __init__(self, network: Network | None = None) -> None:
        self._network = network

    def look(self, piece: U8, square: Square, pose: Pose) -> Pose:
        """Put heels and toes where they show, in a pose found in a square piece of a picture."""
        return self.placed(pose, shoe_windows(piece, square, pose))

    def placed(self, pose: Pose, windows: U8) -> Pose:
        """Put them where they show in the windows (2, 4, SIDE_PX, SIDE_PX) round shoes."""
        if self._network is None:
            self._network = load_network("cues", NETWORK_NAME)
        leg_px = leg_length_px(pose)
        answers = self._network.run(windows.astype(np.float32))[0].astype(np.float64)
        points, unsure = pose.points_px.copy(), pose.unsure_px.copy()
        for side, answer in zip(Side, answers, strict=True):
            rows = [side.leg.heel, side.leg.toe, side.leg.ankle]
            seen, unsure[rows] = _marks(answer, *_window_of(pose, side, leg_px))
            # The pose model's and the network's, each by how sure it is.
            share = 1 / (1 + (unsure[rows, None] / (POSE_LEGS * leg_px)) ** 2)
            points[rows] = share * seen + (1 - share) * points[rows]
        return replace(pose, points_px=points, unsure_px=unsure)


def shoe_windows(piece: U8, square: Square, pose: Pose) -> U8:
    """Cut windows (2, 4, SIDE_PX, SIDE_PX) round the shoes of a pose out of a square piece."""
    zoom = piece.shape[0] / square.side_px
    shift = np.array([square.left_px, square.top_px])
    leg_px, windows = leg_length_px(pose), []
    for side in Side:
        corner, side_px = _window_of(pose, side, leg_px)
        shank = pose.points_px[[side.leg.knee, side.leg.ankle]]
        windows.append(
            shoe_window(piece, (corner - shift) * zoom, side_px * zoom, (shank - shift) * zoom)
        )
    return np.stack(windows)


def _window_of(pose: Pose, side: Side, leg_px: float) -> tuple[F64, float]:
    """Upper left corner and side of a shoe's window in the picture, px."""
    middle = pose.points_px[list(side.leg.foot)].mean(axis=0)
    return middle - WINDOW_LEGS * leg_px / 2, WINDOW_LEGS * leg_px


def leg_length_px(pose: Pose) -> float:
    """Length of the longer leg in the picture, hip to ankle."""
    legs = [pose.points_px[s.leg.hip] - pose.points_px[s.leg.ankle] for s in Side]
    return max(float(np.max(np.hypot(*np.transpose(legs)))), 1.0)


def shoe_window(piece: U8, corner_px: F64, side_px: float, shank_px: F64) -> U8:
    """Cut a window round a shoe: (4, SIDE_PX, SIDE_PX) blue, green, red, and the shank's line.

    Parameters
    ----------
    piece : (H, W, 3) blue-green-red.
    corner_px, side_px : upper left corner and side of the window, px of the piece.
    shank_px : (2, 2) knee and ankle in it: the line tells which of two feet is meant.
    """
    zoom = SIDE_PX / side_px
    move = np.array([[zoom, 0.0, -corner_px[0] * zoom], [0.0, zoom, -corner_px[1] * zoom]])
    bgr = piece
    if zoom < 0.5:  # averaged first, since a sparse grid would miss what lies between its points
        by = int(1 / zoom)
        left, top = (max(0, int(v) - by) for v in corner_px)
        right, bottom = (int(v + side_px) + by + 1 for v in corner_px)
        part = piece[top:bottom, left:right]
        height, width = part.shape[0] // by, part.shape[1] // by
        if height and width:
            bgr = np.asarray(
                cv2.resize(part[: height * by, : width * by], (width, height),
                           interpolation=cv2.INTER_AREA), np.uint8
            )  # fmt: skip
            move = np.array(
                [
                    [zoom * by, 0.0, (left + (by - 1) / 2 - corner_px[0]) * zoom],
                    [0.0, zoom * by, (top + (by - 1) / 2 - corner_px[1]) * zoom],
                ]
            )
    cut = cv2.warpAffine(
        bgr, move, (SIDE_PX, SIDE_PX), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
        borderValue=(OUTSIDE_GREY,) * 3,
    )  # fmt: skip
    line = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    knee, ankle = np.clip((shank_px - corner_px) * zoom, -500, 500).round().astype(int).tolist()
    cv2.line(line, knee, ankle, LINE_LEVEL, LINE_PX)
    return np.asarray(np.concatenate([cut.transpose(2, 0, 1), line[None]]), np.uint8)


def _marks(answer: F64, corner_px: F64, side_px: float) -> tuple[F64, F64]:
    """Heel, toe and ankle (3, 2) px as the network has them, and how unsure it is of each (3,)."""
    places: F64 = corner_px + (answer[:6].reshape(3, 2) + 0.5) * side_px
    unsure: F64 = np.exp(np.clip(answer[6:], *SIGMA_LOGS)) * side_px
    return places, unsure


BEFORE_S, AFTER_S = 0.42, 0.41  # backswing to follow-through; common practice, no source
# Of an ordinary clip every picture of the swing is looked at; of faster clips, fewer away from
# contact. More would cost more than half of a bare decode (bench form-cost).
NEAR_S = 0.07
NEAR_HZ, SWING_HZ = 62.0, 31.0


@dataclass(frozen=True, slots=True, eq=False)
class KickWindow:
    """What the pictures round one kick gave.

    Attributes
    ----------
    poses : in order of time.
    contact : the picture nearest to contact.
    looked_at : pictures that the pose model ran on.
    decoded : pictures decoded for them, those on the way included.
    """

    poses: tuple[Pose, ...]
    contact: Frame
    looked_at: int
    decoded: int


def window_times(
    times_s: Sequence[float], contact_s: float, before_s: float = BEFORE_S
) -> list[float]:
    """Choose pictures round a kick.

    Parameters
    ----------
    times_s : presentation times of the clip's pictures, rising.
    contact_s : time of contact.
    before_s : so long before it the first is chosen.

    Returns
    -------
    Chosen times, rising; pictures of fast clips are passed over.
    """
    chosen: list[float] = []
    for time_s in times_s:
        off = time_s - contact_s
        if not -before_s <= off <= AFTER_S:
            continue
        gap_s = 1 / (NEAR_HZ if abs(off) <= NEAR_S else SWING_HZ)
        if not chosen or time_s - chosen[-1] >= 0.9 * gap_s:
            chosen.append(time_s)
    return chosen


def find_poses(
    sampler: Sampler,
    model: PoseModel,
    square: Square,
    contact_s: float,
    sight: ShoeSight | None = None,
    before_s: float = BEFORE_S,
) -> KickWindow | None:
    """Read the pictures round a kick and find the kicker's joints in them.

    Parameters
    ----------
    sampler : of the clip.
    model : the pose model.
    square : of the picture, round the kicker.
    contact_s : presentation time of contact.
    sight : sees the shoes' ends better, in the pictures round contact.
    before_s : so long before contact it begins.

    Returns
    -------
    None where the clip has no picture there.
    """
    wanted = window_times(sampler.times_s, contact_s, before_s)
    if not wanted:
        return None
    decoded, due, poses = sampler.decoded, set(wanted), []
    contact: Frame | None = None
    for frame in sampler.between(wanted[0], wanted[-1]):
        if frame.time_s not in due:
            continue
        if contact is None or abs(frame.time_s - contact_s) < abs(contact.time_s - contact_s):
            contact = frame
        piece = square.cut(frame)
        pose = model.find(piece, square, frame.time_s)
        if pose is not None:
            poses.append(sight.look(piece, square, pose) if sight else pose)
    if contact is None:
        return None
    return KickWindow(tuple(poses), contact, len(wanted), sampler.decoded - decoded)
