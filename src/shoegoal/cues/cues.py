"""The eight cues of a kick, each measured by every method that can see it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from shoegoal.cues.bands import Measurement
from shoegoal.cues.foot import FootFit, load_foot
from shoegoal.cues.kick import ANKLE_UP_M, Kick
from shoegoal.cues.legs import unsure_of
from shoegoal.cues.pose import Joint
from shoegoal.cues.smooth import REACH_S
from shoegoal.cues.space import View

F64 = npt.NDArray[np.float64]


MOST_OFF_CM = 70.0  # a foot that far from the ball is another person's, or not on the ground
MOST_TURN_DEG = 90.0  # nobody stands on a foot that points back
PLANT_CUES = ("plant_beside", "plant_fore_aft", "plant_to_target")
SWING_CUES = ("backswing", "swing_evenness", "follow_through")
PLANT_HIDDEN = "the plant foot was hidden"
LEFT_PICTURE = "the leg was partly outside the picture"
HEAD_OUTSIDE = "the head was outside the picture"
TOO_SLOW = "the clip runs too slowly to show the whole swing"


def measure_kick(kick: Kick) -> tuple[Measurement, ...]:
    """Measure every cue by every method."""
    if is_quick(kick):
        swing = [*swing_cues(kick), *follow_through_cue(kick)]
    else:
        swing = [
            missing for way in ways_of(kick) for missing in _missing(way, SWING_CUES, TOO_SLOW)
        ]
    return (
        *plant_cues(kick),
        *_with_means(swing),
        *contact_cue(kick),
        *_with_means(eyes_cue(kick)),
    )


def _missing(method: str, cues: Sequence[str], why: str) -> list[Measurement]:
    return [Measurement(cue, method, float("nan"), why_not=why) for cue in cues]


def _with_means(found: list[Measurement]) -> list[Measurement]:
    """Add the mean of each cue's methods, its spread by how much they differ (method ``mean``)."""
    means = []
    for cue in dict.fromkeys(m.cue for m in found):
        own = [m for m in found if m.cue == cue]
        values = [m.value for m in own if np.isfinite(m.value)]
        if len(values) > 1:
            spread = np.hypot(
                np.std(values), np.mean([m.sigma for m in own if np.isfinite(m.value)])
            )
            means.append(Measurement(cue, "mean", float(np.mean(values)), float(spread)))
        else:
            means += _missing("mean", [cue], next((m.why_not for m in own if m.why_not), ""))
    return [*found, *means]


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


def _on_ground(kick: Kick, fit: FootFit | None) -> tuple[F64, F64] | None:
    """Values and standard deviations of the three cues, (3,) each."""
    if fit is None:
        return None
    out, scales = kick.outwards, np.array([100.0, 100.0, np.degrees(1.0)])
    value = np.array([-out * fit.right_m, fit.ahead_m, -out * fit.turn_rad]) * scales
    return value, np.array(fit.sigmas) * scales


# The swing lies within these of contact; common practice, no source. Earlier the kicking leg still
# trails from its last step, and it is hard to say which leg is which.
BACK_S, THROUGH_S = 0.4, 0.4
LEAST_BACK_S = 0.2  # seen less long than this before contact, the backswing may be missed
TRAILING_SIGMA = 4.0  # %, of a swing whose beginning was not seen (bench form, develop bodies)
# A leg comes through the ball at several hundred degrees a second; slower is slow motion, of which
# the window holds only a part of the swing. From behind its turning hardly shows, but its way does:
# of bodies to develop on (bench form) real kicks showed 0.6 leg lengths a second and more, those
# slowed down four times 0.6 and less; elsewhere 120 deg/s and more, and 109 and less.
LEAST_DEG_PER_S, LEAST_LEGS_PER_S = 115.0, 0.65
QUICK_S = 0.12  # so near to contact


def is_quick(kick: Kick) -> bool:
    """Whether the leg comes through the ball as quickly as legs do, and not in slow motion."""
    moments = kick.moments(kick.contact_s - QUICK_S, kick.contact_s + QUICK_S)
    if len(moments) < 2:
        return True
    if kick.space.view is View.BEHIND and kick.standing is not None:
        feet = np.mean([kick.px(joint, moments) for joint in kick.kicking.foot], axis=0)
        way = np.hypot(*np.gradient(feet, moments, axis=0).T) / kick.standing.leg_px
        return bool(np.median(way) >= LEAST_LEGS_PER_S)
    place = _in_space if kick.plant is not None else _in_body
    leg_deg = _from_vertical(
        *(place(kick, j, moments) for j in (kick.kicking.hip, kick.kicking.ankle))
    )
    return bool(np.gradient(leg_deg, moments).max() >= LEAST_DEG_PER_S)


def ways_of(kick: Kick) -> dict[str, Callable[[Kick, Joint, F64], F64]]:
    """Ways to have joints in space, by method: each gives (M, 2) ahead, up at moments (M,).

    ``plane`` puts them on upright planes along the shot, through the ball or the plant foot;
    ``body`` takes the network's own body in space; ``sight`` puts that body's joints on their
    pixels' sight lines.
    """
    across = {"plane": _on_plane} if kick.space.is_across else {}
    return {**across, "body": _in_body, "sight": _in_space}


def swing_cues(kick: Kick) -> list[Measurement]:
    """Measure ``backswing`` (deg) and ``swing_evenness`` (%).

    Where the leg is farthest back or ahead at the window's edge it may have gone on, and nothing is
    said; but a leg that still trails from its last step there comes through all the same, and on
    the plane along the shot how evenly is seen, if less surely.
    """
    found = []
    moments = kick.moments(kick.contact_s - BACK_S, kick.contact_s + THROUGH_S)
    seen_long = len(moments) and moments[0] + LEAST_BACK_S <= kick.contact_s <= moments[-1]
    for method, place in ways_of(kick).items():
        if not seen_long:
            found += _missing(method, SWING_CUES[:2], "too little of the swing was seen")
            continue
        if not kick.shows(kick.kicking.rows, moments):
            found += _missing(method, SWING_CUES[:2], LEFT_PICTURE)
            continue
        leg_deg = _from_vertical(
            *(place(kick, joint, moments) for joint in (kick.kicking.hip, kick.kicking.ankle))
        )
        if not np.isfinite(leg_deg).all():
            found += _missing(method, SWING_CUES[:2], "the kicking leg was not seen well enough")
            continue
        back = int(np.argmin(np.where(moments <= kick.contact_s, leg_deg, np.inf)))
        if back > 0:
            found.append(Measurement("backswing", method, -float(leg_deg[back])))
        else:
            cues = SWING_CUES[: 1 if method == "plane" else 2]
            found += _missing(method, cues, "the leg was farthest back before it was looked at")
            if method != "plane":
                continue
        through = back + int(np.argmax(leg_deg[back:]))
        if through < len(moments) - 1:
            hit = int(np.searchsorted(moments, kick.contact_s))
            evenness = _evenness(np.append(leg_deg[back:hit], leg_deg[through]))
            sigma = 0.0 if back > 0 else TRAILING_SIGMA
            found.append(Measurement("swing_evenness", method, evenness, sigma))
        else:
            why = "the leg was still swinging forward when it was last looked at"
            found += _missing(method, ["swing_evenness"], why)
    return found


def _evenness(through_deg: F64) -> float:
    """Forward share, %, of all turning from the farthest back to the farthest forward.

    Legs hitch on their way to the ball; after it, from contact to the farthest forward, only the
    net way counts, since there the pose model now and then loses the kicking leg.
    """
    steps = np.diff(through_deg)
    whole = float(np.abs(steps).sum())
    return 100 * float(steps.clip(0).sum()) / whole if whole > 0 else float("nan")


def _on_plane(kick: Kick, joint: Joint, moments: F64) -> F64:
    stands = kick.plant is not None and joint in kick.planted.rows
    return kick.space.along_shot(
        kick.px(joint, moments), kick.plant.right_m if kick.plant and stands else 0.0
    )


def _in_space(kick: Kick, joint: Joint, moments: F64) -> F64:
    return kick.in_space(joint, moments)[:, 1:]


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
NEAR_S = 0.06  # pictures so near to contact show how well the foot is seen


def heel_to_toe_px(kick: Kick) -> F64:
    """Way (2,) from heel to toe of the kicking foot in the picture, at contact."""
    moments = kick.contact_s + np.linspace(*ROUND_S, 5)
    way: F64 = np.mean(
        kick.px(kick.kicking.toe, moments) - kick.px(kick.kicking.heel, moments), axis=0
    )
    return way


def unsure_at_contact(kick: Kick) -> float:
    """How unsure the shoes' network was of the kicking foot at contact, over the usual.

    As of a mean in which each picture has its weight.
    """
    ends = kick.kicking.ends
    unsure = _unsure_between(kick, ends, kick.contact_s - NEAR_S, kick.contact_s + NEAR_S)
    return float(np.mean(unsure**-2.0) ** -0.5)


def _unsure_between(kick: Kick, joints: Sequence[Joint], start_s: float, end_s: float) -> F64:
    """Of joints of the kicking foot in each picture between, (N,); at least one."""
    if kick.standing is None:
        return np.ones(1)
    near = [pose for pose in kick.poses if start_s <= pose.time_s <= end_s]
    return np.array([unsure_of(p, joints, kick.standing.leg_px) for p in near] or [1.0])


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
    noise = foot.strike_noise * unsure_at_contact(kick) ** foot.grows
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
DOUBT_SIGMA = 10.0  # % of hip height, of an ankle that is seen as well as usual (bench form)
LEAST_SEEN_S = 0.2  # seen less long than this after contact, its highest place may be missed


def follow_through_cue(kick: Kick) -> list[Measurement]:
    """Measure ``follow_through``: the ankle's highest place, % of the plant hip's height.

    The less the shoes' network is sure of the ankle there, the less is known of it: a foot swung
    high hides before the body to a camera behind it.
    """
    moments = kick.moments(kick.contact_s + FROM_S, kick.contact_s + UNTIL_S)
    seen_long = len(moments) and moments[-1] - kick.contact_s >= LEAST_SEEN_S
    cue, found = "follow_through", []
    joints = (kick.kicking.ankle, kick.planted.ankle, kick.planted.hip)
    for method, place in ways_of(kick).items():
        if not seen_long:
            found += _missing(method, [cue], "too little was seen after the ball had left")
            continue
        if not kick.shows(joints, moments):
            found += _missing(method, [cue], LEFT_PICTURE)
            continue
        foot, ankle, hip = (place(kick, joint, moments)[:, 1] for joint in joints)
        over, whole = foot - ankle, hip - ankle
        if not (np.isfinite([over, whole]).all() and (whole > 0).all()):
            found += _missing(method, [cue], "the plant leg was not seen well enough")
            continue
        highest = int(np.argmax(over / whole))
        if highest < len(moments) - 1:  # at the window's edge the foot may have gone on rising
            around = (moments[highest] - REACH_S, moments[highest] + REACH_S)
            unsure = _unsure_between(kick, (kick.kicking.ankle,), *around)
            doubt = DOUBT_SIGMA * float(np.sqrt(np.mean(unsure**2)))
            value = 100 * float(over[highest] / whole[highest])
            found.append(Measurement(cue, method, value, doubt))
        else:
            found += _missing(method, [cue], "the foot was still rising when it was last looked at")
    return found


def eyes_cue(kick: Kick) -> list[Measurement]:
    """Measure ``eyes_on_ball``: pitch of the face above the line to the ball at contact, deg.

    On the plane, which stands midway between ball and plant foot, over which the head is held, and
    in space the ball is where it lies; to the network's own body it lies beside its plant foot.
    """
    foot, ball_up_m = kick.plant, kick.space.ball_diameter_m / 2
    if foot is None:
        return [m for way in ways_of(kick) for m in _missing(way, ["eyes_on_ball"], PLANT_HIDDEN)]
    at = np.array([kick.contact_s])
    if not kick.shows((Joint.NOSE, Joint.LEFT_EAR, Joint.RIGHT_EAR), at):
        return [m for way in ways_of(kick) for m in _missing(way, ["eyes_on_ball"], HEAD_OUTSIDE)]
    on_ground = np.array([0.0, 0.0, ball_up_m])
    beside_foot = np.array([-foot.right_m, -foot.ahead_m, ball_up_m - ANKLE_UP_M])

    def on_plane(joint: Joint) -> F64:
        return np.append(0.0, kick.space.along_shot(kick.px(joint, at), foot.right_m / 2)[0])

    seen: dict[str, tuple[Callable[[Joint], F64], F64]] = {
        "plane": (on_plane, on_ground),
        "body": (
            lambda joint: kick.world(joint, at)[0],
            kick.world(kick.planted.ankle, at)[0] + beside_foot,
        ),
        "sight": (lambda joint: kick.in_space(joint, at)[0], on_ground),
    }
    found = []
    for method in ways_of(kick):
        place, ball = seen[method]
        ears = (place(Joint.LEFT_EAR) + place(Joint.RIGHT_EAR)) / 2
        pitch = _pitch_over(place(Joint.NOSE) - ears, ball - ears)
        found.append(Measurement("eyes_on_ball", method, pitch))
    return found


def _pitch_over(face: F64, ball: F64) -> float:
    """Pitch of one direction (right, ahead, up) over another, deg, -180 to 180."""
    pitches = [np.degrees(np.arctan2(way[2], np.hypot(*way[:2]))) for way in (face, ball)]
    return float((pitches[0] - pitches[1] + 180) % 360 - 180)
