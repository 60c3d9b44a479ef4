"""The kicker's body: a skeleton over the feet, dressed in round cones and ellipsoids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from truth.arrays import Floats
from truth.footwork import LEFT, RIGHT, FootTracks
from truth.shapes import ellipsoid, oval_cone, round_cone

# Segment lengths over body height: Drillis & Contini 1966 as given by Winter (from memory).
THIGH, SHANK = 0.245, 0.246
UPPER_ARM, FOREARM = 0.186, 0.146
TRUNK, SHOULDER_HALF, HIP_HALF = 0.288, 0.118, 0.058


@dataclass(frozen=True, slots=True)
class Figure:
    """What the kicker looks like; colours are linear albedo (r, g, b)."""

    height_m: float
    skin: tuple[float, float, float]
    hair: tuple[float, float, float]
    shirt: tuple[float, float, float]
    shorts: tuple[float, float, float]
    socks: tuple[float, float, float]
    shoes: tuple[float, float, float]
    stoutness: float = 1.0


@dataclass(slots=True)
class Skeleton:
    """Joints over time, each (n, 3) m; `ahead`, `left` (n, 3) unit axes of the trunk."""

    ahead: Floats
    left: Floats
    spine: Floats
    pelvis: Floats
    neck: Floats
    hips: list[Floats]
    knees: list[Floats]
    ankles: list[Floats]
    heels: list[Floats]
    toes: list[Floats]
    shoulders: list[Floats]
    carry: Floats
    nod: Floats
    swing: list[Floats]


def bend_joint(a: Floats, b: Floats, first: float, second: float, hint: Floats) -> Floats:
    """Middle joint (n, 3) of a two-bone limb from a to b that bends towards a hint direction."""
    span = b - a
    length = np.linalg.norm(span, axis=1, keepdims=True)
    length = np.clip(length, 1e-6, (first + second) * 0.9995)
    way = span / np.linalg.norm(span, axis=1, keepdims=True).clip(1e-9)
    along = (first**2 - second**2 + length**2) / (2.0 * length)
    off = np.sqrt(np.clip(first**2 - along**2, 0.0, None))
    side = hint - np.sum(hint * way, axis=1, keepdims=True) * way
    side /= np.linalg.norm(side, axis=1, keepdims=True).clip(1e-9)
    joint: Floats = a + way * along + side * off
    return joint


def flat_to_3d(xy: Floats) -> Floats:
    """(n, 2) as (n, 3) with z = 0."""
    return np.concatenate([xy, np.zeros((len(xy), 1))], axis=1)


def build_skeleton(
    height_m: float, rate_hz: float, feet: FootTracks, crouch: Floats, lean: Floats
) -> Skeleton:
    """Hang a body over its feet.

    Parameters
    ----------
    rate_hz
        Samples a second of the tracks.
    crouch
        (n,) 0 upright .. 1 hands at the ground.
    lean
        (n,) forward lean of the trunk, radians.
    """
    h = height_m
    smooth = 0.11 * rate_hz
    root = gaussian_filter1d(0.5 * (feet.nominal[LEFT] + feet.nominal[RIGHT]), smooth, axis=0)
    yaw = gaussian_filter1d(0.5 * (feet.yaw[LEFT] + feet.yaw[RIGHT]), smooth)
    fwd = np.stack([np.sin(yaw), np.cos(yaw), np.zeros_like(yaw)], axis=1)
    left = np.stack([-np.cos(yaw), np.sin(yaw), np.zeros_like(yaw)], axis=1)
    speed = np.gradient(root, 1.0 / rate_hz, axis=0)
    pace = np.sum(speed * fwd[:, :2], axis=1)
    reach = 0.992 * (THIGH + SHANK) * h
    tops = []
    for foot in (LEFT, RIGHT):
        side = HIP_HALF * h * (1.0 if foot == LEFT else -1.0)
        hip = root + left[:, :2] * side
        gap = np.linalg.norm(feet.nominal[foot] - hip, axis=1)
        tops.append(0.045 * h + np.sqrt(np.clip(reach**2 - gap**2, 0.05, None)) + 0.03 * h)
    full = 0.045 * h + reach - 0.006 * h
    up = np.minimum(full, np.minimum(tops[0], tops[1]))
    up = gaussian_filter1d(up, 0.05 * rate_hz) - crouch * 0.44 * reach
    pelvis = flat_to_3d(root) - fwd * (crouch * 0.10 * h)[:, None]
    pelvis[:, 2] = up
    tilt = lean + 1.10 * crouch + 0.045 * np.clip(pace, -1.0, 4.0)
    up_axis = np.array([0.0, 0.0, 1.0])
    spine = np.cos(tilt)[:, None] * up_axis + np.sin(tilt)[:, None] * fwd
    front = np.cos(tilt)[:, None] * fwd - np.sin(tilt)[:, None] * up_axis
    neck = pelvis + spine * (TRUNK * h)
    # Shoulders turn against the hips as the legs pass each other.
    ankle_fwd = [np.sum((feet.xyz[f][:, :2] - root) * fwd[:, :2], axis=1) for f in (LEFT, RIGHT)]
    twist = gaussian_filter1d(np.clip(ankle_fwd[RIGHT] - ankle_fwd[LEFT], -0.7, 0.7), 8.0) * 0.35
    hips, knees, ankles, heels, toes, shoulders, swing = [], [], [], [], [], [], []
    for foot in (LEFT, RIGHT):
        sign = 1.0 if foot == LEFT else -1.0
        hip = pelvis + left * (sign * HIP_HALF * h)
        f_yaw = feet.yaw[foot]
        f_fwd = np.stack([np.sin(f_yaw), np.cos(f_yaw), np.zeros_like(f_yaw)], axis=1)
        pitch = feet.pitch[foot]
        dip = np.cos(pitch)[:, None] * f_fwd - np.sin(pitch)[:, None] * up_axis
        raise_ = np.cos(pitch)[:, None] * up_axis + np.sin(pitch)[:, None] * f_fwd
        ankle = feet.xyz[foot].copy()
        heel = ankle - dip * (0.022 * h) - raise_ * (0.022 * h)
        toe = ankle + dip * (0.095 * h) - raise_ * (0.028 * h)
        far = np.linalg.norm(ankle - hip, axis=1, keepdims=True)
        over = np.clip(far - reach, 0.0, None)
        # A leg at full stretch lifts its heel; the toes stay down.
        pull = (hip - ankle) / far * over
        ankle = ankle + pull
        heel = heel + pull
        toe = toe + pull * feet.loose[foot][:, None]
        heel[:, 2] = np.maximum(heel[:, 2], 0.021 * h)
        toe[:, 2] = np.maximum(toe[:, 2], 0.016 * h)
        hint = 0.75 * fwd + 0.45 * f_fwd + left * (sign * 0.25 * crouch)[:, None]
        hips.append(hip)
        ankles.append(ankle)
        heels.append(heel)
        toes.append(toe)
        knees.append(bend_joint(hip, ankle, THIGH * h, SHANK * h, hint))
        reach_out = left * np.cos(twist)[:, None] + front * np.sin(twist)[:, None]
        shoulders.append(neck - spine * (0.035 * h) + reach_out * (sign * SHOULDER_HALF * h))
        swing.append(
            gaussian_filter1d(np.clip(ankle_fwd[1 - foot] * 1.25 / h * 1.4, -0.95, 0.95), 6.0)
        )
    carry = pelvis + spine * (0.13 * h) + front * (0.20 * h)
    nod = 0.35 * crouch + 0.9 * lean + 0.10
    return Skeleton(
        fwd,
        left,
        spine,
        pelvis,
        neck,
        hips,
        knees,
        ankles,
        heels,
        toes,
        shoulders,
        carry,
        nod,
        swing,
    )


def dress(
    figure: Figure, bones: Skeleton, ball: Floats, hold: Floats, radius_m: float
) -> tuple[Floats, Floats, Floats]:
    """Solids of the body over time.

    Parameters
    ----------
    ball
        (n, 3) centre of the ball in hand. hold: (n,) 0 arms free .. 1 both hands on the ball.

    Returns
    -------
    tuple
        Solids (n, s, 16), casters (n, s, 8), coats (s, 5).
    """
    h = figure.height_m
    w = figure.stoutness
    parts: list[tuple[Floats, Floats]] = []
    coats: list[tuple[float, float, float, float, float]] = []

    def add(
        part: tuple[Floats, Floats], colour: tuple[float, float, float], gloss: float, kind: float
    ) -> None:
        parts.append(part)
        coats.append((*colour, gloss, kind))

    at = bones.pelvis
    s = bones.spine
    front = np.cross(bones.left, s)
    front /= np.linalg.norm(front, axis=1, keepdims=True)
    trunk = np.stack([bones.left, s, front], axis=1)
    add(
        oval_cone(at - s * 0.035 * h, trunk, 0.06 * h, 0.094 * h * w, 0.094 * h * w, 0.60),
        figure.shorts,
        0.0,
        1,
    )
    add(
        oval_cone(at + s * 0.020 * h, trunk, 0.16 * h, 0.096 * h * w, 0.112 * h * w, 0.60),
        figure.shirt,
        0.0,
        1,
    )
    for side, joint in zip((1.0, -1.0), bones.shoulders, strict=True):
        add(
            round_cone(
                at + bones.left * (side * 0.030 * h) + s * 0.222 * h,
                0.052 * h * w,
                joint - s * 0.004 * h,
                0.0345 * h,
            ),
            figure.shirt,
            0.0,
            1,
        )
    nod = bones.nod
    up = np.cos(nod)[:, None] * np.array([0.0, 0.0, 1.0]) + np.sin(nod)[:, None] * bones.ahead
    face = np.cos(nod)[:, None] * bones.ahead - np.sin(nod)[:, None] * np.array([0.0, 0.0, 1.0])
    head = bones.neck + s * 0.028 * h + up * 0.070 * h + face * 0.012 * h
    add(round_cone(bones.neck - s * 0.02 * h, 0.031 * h, head, 0.028 * h), figure.skin, 0.05, 0)
    skull = np.stack([bones.left, up, face], axis=1)
    nape = head - up * 0.028 * h - face * 0.022 * h
    add(ellipsoid(head, skull, (0.049 * h, 0.072 * h, 0.060 * h)), figure.skin, 0.06, 0)
    add(
        ellipsoid(
            head + up * 0.017 * h - face * 0.011 * h, skull, (0.0535 * h, 0.063 * h, 0.060 * h)
        ),
        figure.hair,
        0.0,
        4,
    )
    add(ellipsoid(nape, skull, (0.044 * h, 0.038 * h, 0.036 * h)), figure.hair, 0.0, 4)
    for sign in (1.0, -1.0):
        ear = head - up * 0.006 * h + bones.left * (sign * 0.050 * h)
        add(ellipsoid(ear, skull, (0.007 * h, 0.017 * h, 0.011 * h)), figure.skin, 0.03, 0)
    for sign in (1.0, -1.0):
        eye = head + face * 0.054 * h + up * 0.004 * h + bones.left * (sign * 0.020 * h)
        add(ellipsoid(eye, skull, (0.008 * h, 0.005 * h, 0.006 * h)), (0.03, 0.025, 0.02), 0.3, 0)
    add(
        round_cone(
            head + face * 0.056 * h - up * 0.002 * h,
            0.006 * h,
            head + face * 0.064 * h - up * 0.018 * h,
            0.008 * h,
        ),
        figure.skin,
        0.05,
        0,
    )
    for foot in (LEFT, RIGHT):
        hip, knee, ankle = bones.hips[foot], bones.knees[foot], bones.ankles[foot]
        calf = knee + 0.30 * (ankle - knee) - bones.ahead * 0.008 * h
        add(round_cone(hip, 0.050 * h * w, knee, 0.032 * h * w), figure.skin, 0.05, 0)
        add(
            round_cone(hip, 0.0535 * h * w, hip + 0.66 * (knee - hip), 0.0515 * h * w),
            figure.shorts,
            0.0,
            1,
        )
        add(round_cone(knee, 0.031 * h * w, calf, 0.0325 * h * w), figure.skin, 0.05, 0)
        add(round_cone(calf, 0.0335 * h * w, ankle, 0.021 * h), figure.socks, 0.0, 1)
        add(
            round_cone(bones.heels[foot], 0.0235 * h, bones.toes[foot], 0.019 * h),
            figure.shoes,
            0.15,
            0,
        )
        add(
            round_cone(
                ankle - 0.1 * (ankle - knee), 0.024 * h, 0.5 * (bones.toes[foot] + ankle), 0.020 * h
            ),
            figure.shoes,
            0.15,
            0,
        )
    for arm in (LEFT, RIGHT):
        sign = 1.0 if arm == LEFT else -1.0
        shoulder = bones.shoulders[arm]
        a = bones.swing[arm][:, None]
        hang = -np.array([0.0, 0.0, 1.0]) * np.cos(a) + bones.ahead * np.sin(a)
        free_elbow = shoulder + UPPER_ARM * h * (0.97 * hang + bones.left * (sign * 0.22))
        fold = a + 0.45 + 0.5 * np.abs(a)
        lower = -np.array([0.0, 0.0, 1.0]) * np.cos(fold) + bones.ahead * np.sin(fold)
        free_hand = free_elbow + FOREARM * h * lower
        grip = ball + bones.left * (sign * (radius_m + 0.012))
        t = hold[:, None]
        hand = free_hand + t * (grip - free_hand)
        gap = hand - shoulder
        far = np.linalg.norm(gap, axis=1, keepdims=True)
        hand = shoulder + gap * np.minimum(1.0, 0.995 * (UPPER_ARM + FOREARM) * h / far)
        hint = bones.left * sign - 0.6 * bones.ahead - np.array([0.0, 0.0, 0.4])
        held = bend_joint(shoulder, hand, UPPER_ARM * h, FOREARM * h, hint)
        elbow = free_elbow + t * (held - free_elbow)
        add(round_cone(shoulder, 0.025 * h * w, elbow, 0.020 * h * w), figure.skin, 0.05, 0)
        add(
            round_cone(shoulder, 0.0345 * h * w, shoulder + 0.58 * (elbow - shoulder), 0.0315 * h),
            figure.shirt,
            0.0,
            1,
        )
        add(round_cone(elbow, 0.020 * h * w, hand, 0.0155 * h), figure.skin, 0.05, 0)
        way = (hand - elbow) / np.linalg.norm(hand - elbow, axis=1, keepdims=True).clip(1e-6)
        add(round_cone(hand, 0.018 * h, hand + way * 0.042 * h, 0.015 * h), figure.skin, 0.05, 0)
    solids = np.stack([p[0] for p in parts], axis=1)
    casters = np.stack([p[1] for p in parts], axis=1)
    return solids, casters, np.array(coats)
