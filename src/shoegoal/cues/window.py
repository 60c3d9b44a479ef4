"""Which pictures round a kick are looked at, and the second, short reading of only these."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shoegoal.clip.frame import Frame
from shoegoal.clip.sampling import Sampler
from shoegoal.cues.pose import PoseModel, Square
from shoegoal.cues.shoes import ShoeSight
from shoegoal.cues.skeleton import Pose
from shoegoal.cues.standing import AFTER_S as STANDS_AFTER_S
from shoegoal.cues.standing import BEFORE_S as STANDS_BEFORE_S

BEFORE_S, AFTER_S = 0.4, 0.34  # backswing to follow-through; common practice, no source
# Of an ordinary clip every picture of the swing is looked at; at its two ends, and of faster clips,
# fewer. More would cost more than half of a bare decode (bench form-cost).
NEAR_S, SWING_S = 0.07, 0.3
NEAR_HZ, SWING_HZ, FAR_HZ = 62.0, 31.0, 16.0


@dataclass(frozen=True, slots=True, eq=False)
class SeenWindow:
    """What one window gave.

    Attributes
    ----------
    poses : in order of time.
    contact : the picture nearest to contact.
    looked_at : pictures that pose ran on.
    decoded : pictures decoded for them, those on the way included.
    """

    poses: tuple[Pose, ...]
    contact: Frame
    looked_at: int
    decoded: int


def window_times(times_s: Sequence[float], contact_s: float) -> list[float]:
    """Choose pictures round a kick.

    Parameters
    ----------
    times_s : presentation times of the clip's pictures, rising.
    contact_s : time of contact.

    Returns
    -------
    Chosen times, rising; pictures of fast clips are passed over.
    """
    chosen: list[float] = []
    for time_s in times_s:
        off = time_s - contact_s
        if not -BEFORE_S <= off <= AFTER_S:
            continue
        gap_s = 1 / _rate_hz(abs(off))
        if not chosen or time_s - chosen[-1] >= 0.9 * gap_s:
            chosen.append(time_s)
    return chosen


def _rate_hz(off_s: float) -> float:
    if off_s <= NEAR_S:
        return NEAR_HZ
    return SWING_HZ if off_s <= SWING_S else FAR_HZ


def look_round(
    sampler: Sampler,
    model: PoseModel,
    square: Square,
    contact_s: float,
    sight: ShoeSight | None = None,
) -> SeenWindow | None:
    """Read the pictures round a kick and find the kicker's joints in them.

    Parameters
    ----------
    sampler : of the clip.
    model : the pose model.
    square : of the picture, round the kicker.
    contact_s : presentation time of contact.
    sight : sees the shoes' ends better, in the pictures round contact.

    Returns
    -------
    None where the clip has no picture there.
    """
    wanted = window_times(sampler.times_s, contact_s)
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
        if (
            pose is not None
            and sight
            and -STANDS_BEFORE_S <= frame.time_s - contact_s <= STANDS_AFTER_S
        ):
            pose = sight.look(piece, square, pose)
        if pose is not None:
            poses.append(pose)
    if contact is None:
        return None
    return SeenWindow(tuple(poses), contact, len(wanted), sampler.decoded - decoded)
