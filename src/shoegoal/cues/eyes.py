"""The cue of the eyes: whether the head is bent to the ball at contact."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from shoegoal.cues.motion import Kick
from shoegoal.cues.reading import Measurement
from shoegoal.cues.skeleton import Joint

F64 = npt.NDArray[np.float64]

ANKLE_UP_M = 0.09  # common practice, no source


def eyes_cue(kick: Kick) -> list[Measurement]:
    """Measure ``eyes_on_ball``: pitch of the face above the line to the ball at contact, deg.

    By the method ``plane``, the head is put on the upright plane along the shot midway between ball
    and plant foot, over which it is held; by the method ``body``, the network's own body in space
    is taken, with the ball where it lies beside its plant foot.
    """
    ball_up_m = kick.space.ball_diameter_m / 2
    at = kick.contact_s
    found = []
    foot = kick.plant
    right_m = 0.0 if foot is None else foot.right_m / 2
    ears, nose = (
        kick.space.along_shot(_middle(kick.px, joints, at), right_m)[0]
        for joints in ((Joint.LEFT_EAR, Joint.RIGHT_EAR), (Joint.NOSE,))
    )
    if kick.space.is_across and np.isfinite([*ears, *nose]).all():
        ball = np.array([0.0, ball_up_m]) - ears
        found.append(Measurement("eyes_on_ball", "plane", _pitch_over(nose - ears, ball)))
    if foot is not None:
        ankle = kick.world(kick.planted.ankle, at)[0]
        ears, nose = (
            _middle(kick.world, joints, at)[0]
            for joints in ((Joint.LEFT_EAR, Joint.RIGHT_EAR), (Joint.NOSE,))
        )
        from_ankle = np.array([-foot.right_m, -foot.ahead_m, ball_up_m - ANKLE_UP_M])
        ball = ankle + from_ankle - ears
        face = nose - ears
        flat = [np.array([np.hypot(*way[:2]), way[2]]) for way in (face, ball)]
        found.append(Measurement("eyes_on_ball", "body", _pitch_over(*flat)))
    return found


def _middle(place: Callable[[Joint, float], F64], joints: tuple[Joint, ...], at_s: float) -> F64:
    middle: F64 = np.mean([place(joint, at_s) for joint in joints], axis=0)
    return middle


def _pitch_over(face: F64, ball: F64) -> float:
    """Pitch of one direction (ahead, up) over another, deg, -180 to 180."""
    pitches = [np.degrees(np.arctan2(way[1], way[0])) for way in (face, ball)]
    return float((pitches[0] - pitches[1] + 180) % 360 - 180)
