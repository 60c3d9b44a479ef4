"""The eight cues of a kick, each measured by every method that can see it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.cues.bands import Measurement
from shoegoal.cues.foot import FootFit, load_foot
from shoegoal.cues.kick import Kick
from shoegoal.cues.legs import unsure_of
from shoegoal.cues.pose import Joint

F64 = npt.NDArray[np.float64]


MOST_OFF_CM = 70.0  # a foot that far from the ball is another person's, or not on the ground
MOST_TURN_DEG = 90.0  # nobody stands on a foot that points back
PLANT_CUES, SWING_CUES = (
    ("plant_beside", "plant_fore_aft", "plant_to_target"),
    ("backswing", "swing_evenness"),
)
PLANT_HIDDEN = "the plant foot was hidden"


def measure_kick(kick: Kick) -> tuple[Measurement, ...]:
    """Measure every cue by every method."""
    return (
        *plant_cues(kick),
        *swing_cues(kick),
        *contact_cue(kick),
        *follow_through_cue(kick),
        *eyes_cue(kick),
    )


def plant_cues(kick: Kick) -> list[Measurement]:
    """Measure where the plant foot stands and points, over the ground.

    Returns
    -------
    ``plant_beside``, ``plant_fore_aft`` (cm) and ``plant_to_target`` (deg), by the method ``foot``.
    """
    measured = _on_ground(kick, kick.plant)
    if measured is None:
        return _missing("foot", PLANT_CUES, PLANT_HIDDEN)
    (beside, ahead, turn), own = measured
    if beside < 0 or np.hypot(beside, ahead) > MOST_OFF_CM:
        return _missing("foot", PLANT_CUES, "the plant foot was found where nobody plants it")
    # What the scene leaves open: the same foot on grounds that are one standard deviation off.
    others = [_on_ground(kick, kick.plant_fit(space)) for space in kick.space.neighbours]
    shifts = [other[0] - measured[0] for other in others if other is not None]
    across, along, turned = np.sqrt(own**2 + np.sum(np.square(shifts), axis=0))
    found = [
        Measurement("plant_beside", "foot", beside, across),
        Measurement("plant_fore_aft", "foot", ahead, along),
    ]
    if abs(turn) <= MOST_TURN_DEG:
        found.append(Measurement("plant_to_target", "foot", turn, turned))
    else:
        found += _missing("foot", PLANT_CUES[2:], "the plant foot seems to point back")
    return found


def _missing(method: str, cues: Sequence[str], why: str) -> list[Measurement]:
    return [Measurement(cue, method, float("nan"), why_not=why) for cue in cues]


def _on_ground(kick: Kick, fit: FootFit | None) -> tuple[F64, F64] | None:
    """Values and standard deviations of the three cues, (3,) each."""
    if fit is None:
        return None
    out, scales = kick.outwards, np.array([100.0, 100.0, np.degrees(1.0)])
    value = np.array([-out * fit.right_m, fit.ahead_m, -out * fit.turn_rad]) * scales
    return value, np.array(fit.sigmas) * scales


# The swing lies within these of contact; common practice, no source. Earlier the kicking leg still
# trails from its last step, and the two legs are hard to tell apart.
BACK_S, THROUGH_S = 0.35, 0.4
LEAST_BACK_S = 0.2  # seen less long than this before contact, the backswing may be missed
# A leg comes through the ball at several hundred degrees a second; slower is slow motion, of which
# the window holds only a part of the swing. Common practice, no source.
LEAST_DEG_PER_S = 140.0
QUICK_S = 0.12  # so near to contact
TRAILING_SIGMA = 4.0  # %, of a swing whose beginning was not seen (bench form, develop bodies)


@dataclass(frozen=True, slots=True, eq=False)
class Swing:
    """Angles of the kicking leg over time, from the vertical, positive ahead.

    Attributes
    ----------
    times_s : (M,) moments.
    leg_deg : (M,) of the line from hip to ankle.
    thigh_deg, shank_deg : (M,) of its two parts; their difference is the bend of the knee.
    """

    times_s: F64
    leg_deg: F64
    thigh_deg: F64
    shank_deg: F64


def swing_cues(kick: Kick) -> list[Measurement]:
    """Measure ``backswing`` (deg) and ``swing_evenness`` (%).

    By the method ``plane`` the joints are put on the upright plane along the shot, by the method
    ``body`` the network's own body in space is taken. Where the leg is farthest back or ahead at
    the window's edge it may have gone on, and nothing is said; but a leg that still trails from its
    last step there comes through all the same, and how evenly is seen, if less surely.
    """
    across = swing_of(kick) if kick.space.is_across else None
    is_slow = across is not None and not _is_quick(across, kick.contact_s)
    found = []
    for method, swing in (("plane", across), ("body", swing_of(kick, _in_body))):
        if method == "plane" and not kick.space.is_across:
            continue
        if is_slow:
            found += _missing(
                method, SWING_CUES, "the clip runs too slowly to show the whole swing"
            )
            continue
        if swing is None:
            found += _missing(method, SWING_CUES, "too little of the swing was seen")
            continue
        before = swing.times_s <= kick.contact_s
        back = int(np.argmin(np.where(before, swing.leg_deg, np.inf)))
        if back > 0:
            found.append(Measurement("backswing", method, -float(swing.leg_deg[back])))
        else:
            cues = SWING_CUES if method == "body" else SWING_CUES[:1]
            found += _missing(method, cues, "the leg was farthest back before it was looked at")
            if method == "body":
                continue
        through = back + int(np.argmax(swing.leg_deg[back:]))
        if through < len(swing.times_s) - 1:
            hit = int(np.searchsorted(swing.times_s, kick.contact_s))
            evenness = _evenness(np.append(swing.leg_deg[back:hit], swing.leg_deg[through]))
            sigma = 0.0 if back > 0 else TRAILING_SIGMA
            found.append(Measurement("swing_evenness", method, evenness, sigma))
        else:
            why = "the leg was still swinging forward when it was last looked at"
            found += _missing(method, SWING_CUES[1:], why)
    return found


def swing_of(kick: Kick, place: Callable[[Kick, Joint, F64], F64] | None = None) -> Swing | None:
    """Angles of the kicking leg over the swing; None where too little of it was seen."""
    moments = kick.moments(kick.contact_s - BACK_S, kick.contact_s + THROUGH_S)
    if not len(moments) or kick.contact_s - moments[0] < LEAST_BACK_S:
        return None
    if moments[-1] < kick.contact_s:
        return None
    leg = kick.kicking
    hip, knee, ankle = (
        (place or _on_plane)(kick, j, moments) for j in (leg.hip, leg.knee, leg.ankle)
    )
    swing = Swing(
        moments, _from_vertical(hip, ankle), _from_vertical(hip, knee), _from_vertical(knee, ankle)
    )
    return swing if np.isfinite(swing.leg_deg).all() else None


def _is_quick(swing: Swing, contact_s: float) -> bool:
    """Whether the leg comes through the ball as quickly as legs do."""
    near = np.abs(swing.times_s - contact_s) < QUICK_S
    speed = np.gradient(swing.leg_deg, swing.times_s)[near]
    return bool(len(speed) and speed.max() >= LEAST_DEG_PER_S)


def _evenness(through_deg: F64) -> float:
    """Forward share, %, of all turning from the farthest back to the farthest forward.

    Legs hitch on their way to the ball; after it, from contact to the farthest forward, only the
    net way counts, since there the pose model now and then loses the kicking leg.
    """
    steps = np.diff(through_deg)
    whole = float(np.abs(steps).sum())
    return 100 * float(steps.clip(0).sum()) / whole if whole > 0 else float("nan")


def _on_plane(kick: Kick, joint: Joint, moments: F64) -> F64:
    """(M, 2) ahead, up."""
    return kick.space.along_shot(kick.px(joint, moments))


def _in_body(kick: Kick, joint: Joint, moments: F64) -> F64:
    return kick.world(joint, moments)[:, 1:]


def _from_vertical(upper: F64, lower: F64) -> F64:
    """Angle, deg, of the line from an upper to a lower joint, (M, 2) ahead and up; ahead is +."""
    ahead, down = (lower - upper)[:, 0], (upper - lower)[:, 1]
    angle: F64 = np.degrees(np.arctan2(ahead, down))
    return angle


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
    all turns are given (method ``shoe``).
    """
    if kick.plant is None or kick.standing is None:
        return _missing("shoe", ["contact_turn"], PLANT_HIDDEN)
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
        return _missing("shoe", ["contact_turn"], "the kicking foot was not seen well enough")
    share /= share.sum()
    mean = float(share @ TURNS)
    sigma = float(np.sqrt(share @ (TURNS - mean) ** 2))
    return [Measurement("contact_turn", "shoe", mean, sigma)]


FROM_S, UNTIL_S = 0.03, 0.45  # after contact; later the foot comes down or walks on; no source
LEAST_SEEN_S = 0.2  # seen less long than this after contact, its highest place may be missed


def follow_through_cue(kick: Kick) -> list[Measurement]:
    """Measure ``follow_through``: the ankle's highest place, % of the plant hip's height.

    By the method ``picture``, heights are taken as they show; by the method ``plane``, on upright
    planes along the shot, through the ball and through the plant foot; by the method ``body``, from
    the network's own body in space.
    """
    moments = kick.moments(kick.contact_s + FROM_S, kick.contact_s + UNTIL_S)
    seen_long = len(moments) and moments[-1] - kick.contact_s >= LEAST_SEEN_S
    foot, ankle, hip = kick.kicking.ankle, kick.planted.ankle, kick.planted.hip
    beside_m = 0.0 if kick.plant is None else kick.plant.right_m
    cue, found = "follow_through", []
    for method in ("picture", *(["plane"] if kick.space.is_across else []), "body"):
        if not seen_long:
            found += _missing(method, [cue], "too little was seen after the ball had left")
            continue
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
            found += _missing(method, [cue], "the plant leg was not seen well enough")
            continue
        highest = int(np.argmax(over / whole))
        if highest < len(moments) - 1:  # at the window's edge the foot may have gone on rising
            value = 100 * float(over[highest] / whole[highest])
            found.append(Measurement(cue, method, value))
        else:
            found += _missing(method, [cue], "the foot was still rising when it was last looked at")
    return found


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
    else:
        found += _missing("body", ["eyes_on_ball"], PLANT_HIDDEN)
    return found


def _middle(place: Callable[[Joint, float], F64], joints: tuple[Joint, ...], at_s: float) -> F64:
    middle: F64 = np.mean([place(joint, at_s) for joint in joints], axis=0)
    return middle


def _pitch_over(face: F64, ball: F64) -> float:
    """Pitch of one direction (ahead, up) over another, deg, -180 to 180."""
    pitches = [np.degrees(np.arctan2(way[1], way[0])) for way in (face, ball)]
    return float((pitches[0] - pitches[1] + 180) % 360 - 180)
