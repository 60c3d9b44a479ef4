"""The cue of contact: the side of the foot or its toe."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from shoegoal.cues.foot import load_foot
from shoegoal.cues.motion import Kick
from shoegoal.cues.reading import Measurement
from shoegoal.cues.standing import unsure_of

F64 = npt.NDArray[np.float64]

# All turns and pitches that are tried, deg: outwards from the shot, and toe down.
TURNS, PITCHES = np.arange(-45.0, 106.0, 3.0), np.arange(-40.0, 41.0, 8.0)
USUAL_PITCH = 15.0  # standard deviation of the foot's pitch at contact; common practice
FOOT_UP_M = 0.09  # a foot that meets a ball on the ground near its middle; no source
ROUND_S = (-0.015, 0.045)  # of contact; the foot hardly turns while it drives the ball
NEAR_S = 0.06  # pictures so near to contact tell how well the foot shows


def heel_to_toe_px(kick: Kick) -> F64:
    """Way (2,) from heel to toe of the kicking foot in the picture, at contact."""
    moments = kick.contact_s + np.linspace(*ROUND_S, 5)
    way: F64 = np.mean(
        kick.px(kick.kicking.toe, moments) - kick.px(kick.kicking.heel, moments), axis=0
    )
    return way


def unsure_at_contact(kick: Kick, leg_px: float) -> float:
    """How unsure the shoes' network was of the kicking foot's ends at contact, over the usual."""
    ends = (kick.kicking.heel, kick.kicking.toe)
    near = [p for p in kick.poses if abs(p.time_s - kick.contact_s) <= NEAR_S]
    return float(np.median([unsure_of(p, ends, leg_px) for p in near])) if near else 1.0


def contact_cue(kick: Kick) -> list[Measurement]:
    """Measure how far the kicking foot is turned out at contact: ``contact_turn``, deg.

    Every turn is weighed by how well a shoe of the plant foot's length, turned so and pitched in
    any usual way, agrees with the way from heel to toe in the picture; the mean and the spread of
    all turns is told (method ``shoe``).
    """
    if kick.plant is None or kick.standing is None:
        return []
    foot, seen = load_foot(), heel_to_toe_px(kick)
    turn, pitch = (np.radians(a) for a in np.meshgrid(TURNS, PITCHES, indexing="ij"))
    forward, outward, upward = (foot.marks[1] - foot.marks[0]) * kick.plant.length_m
    level = forward * np.cos(pitch) + upward * np.sin(pitch)
    rise = upward * np.cos(pitch) - forward * np.sin(pitch)
    right = kick.outwards * (level * np.sin(turn) + outward * np.cos(turn))
    ahead = level * np.cos(turn) - outward * np.sin(turn)
    half = np.stack([right, ahead, rise], axis=-1).reshape(-1, 3) / 2
    middle = np.array([0.0, -kick.space.ball_diameter_m / 2, FOOT_UP_M])
    shown = kick.space.to_px(middle + half) - kick.space.to_px(middle - half)
    noise = foot.strike_noise * unsure_at_contact(kick, kick.standing.leg_px) ** foot.grows
    off = (seen - shown) / (noise * kick.standing.leg_px)
    likely = -0.5 * np.sum(off**2, axis=1).reshape(turn.shape)
    likely -= 0.5 * (np.degrees(pitch) / USUAL_PITCH) ** 2
    share = np.exp(likely - likely.max()).sum(axis=1)
    if not np.isfinite(share).all():
        return []
    share /= share.sum()
    mean = float(share @ TURNS)
    sigma = float(np.sqrt(share @ (TURNS - mean) ** 2))
    return [Measurement("contact_turn", "shoe", mean, sigma)]
