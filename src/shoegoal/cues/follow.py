"""The cue of the follow-through: how high the foot goes after the ball."""

from __future__ import annotations

import numpy as np

from shoegoal.cues.motion import Kick
from shoegoal.cues.reading import Measurement

FROM_S, UNTIL_S = 0.03, 0.45  # after contact; later the foot comes down or walks on; no source
LEAST_SEEN_S = 0.2  # seen less long than this after contact, its highest place may be missed


def follow_through_cue(kick: Kick) -> list[Measurement]:
    """Measure ``follow_through``: the ankle's highest place, % of the plant hip's height.

    By the method ``picture``, heights are taken as they show; by the method ``plane``, on upright
    planes along the shot, through the ball and through the plant foot; by the method ``body``, from
    the network's own body in space.
    """
    moments = kick.moments(kick.contact_s + FROM_S, kick.contact_s + UNTIL_S)
    if not len(moments) or moments[-1] - kick.contact_s < LEAST_SEEN_S:
        return []
    foot, ankle, hip = kick.kicking.ankle, kick.planted.ankle, kick.planted.hip
    beside_m = 0.0 if kick.plant is None else kick.plant.right_m
    found = []
    for method in ("picture", *(["plane"] if kick.space.is_across else []), "body"):
        heights = []
        for joint in (foot, ankle, hip):
            if method == "body":
                heights.append(kick.world(joint, moments)[:, 2])
            elif method == "plane":
                right_m = 0.0 if joint is foot else beside_m
                heights.append(kick.space.along_shot(kick.px(joint, moments), right_m)[:, 1])
            else:
                heights.append(-kick.px(joint, moments)[:, 1])
        over, whole = heights[0] - heights[1], heights[2] - heights[1]
        if not (np.isfinite([over, whole]).all() and (whole > 0).all()):
            continue
        highest = int(np.argmax(over / whole))
        if highest < len(moments) - 1:  # at the window's edge the foot may have gone on rising
            value = 100 * float(over[highest] / whole[highest])
            found.append(Measurement("follow_through", method, value))
    return found
