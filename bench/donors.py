"""What the watcher really found, missed and took for a ball, ready to be lent to drawn evidence.

Everything comes from evidence of rendered development sets: for every true ball in every frame
whether it was found, how far off and how surely; for every lying ball what was noted of it; and
all that was taken for a ball and was none, placed in metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from evidence import read_evidence

F64 = npt.NDArray[np.float64]
Table = dict[str, Any]

ON_A_BALL = 0.5  # diameters: a sighting no further off is of that ball
SIZE_RATIO = (0.6, 1.6)
FEATURE_WEIGHTS = np.array([3.0, 1.0, 1.5, 0.7, 0.7])
MOSTLY_NONE = 0.3  # of a track's sightings: with fewer on a ball it follows something else
REST_MARGIN_S = 2.5  # what lies is noted so much later
STEADY = ("none", "balls waiting")  # nuisances that leave film and light be


def features(visible: F64, size: F64, speed: F64, until_s: F64, since_s: F64) -> F64:
    """What finding a ball depends on, (n, 5), scaled so that distances mean something.

    Parameters
    ----------
    visible
        Share of the disc. size: diameter over the picture's long side. speed: diameters a second.
    until_s, since_s
        Time to the ball's next contact and from its last: people are near then.
    """
    rows = np.stack(
        [
            visible,
            np.log(np.maximum(size, 1e-4)),
            np.log1p(speed),
            np.minimum(until_s, 2.0),
            np.minimum(since_s, 2.0),
        ],
        axis=1,
    )
    return np.asarray(rows * FEATURE_WEIGHTS)


def table_of_balls(truth: Table) -> list[F64]:
    """(n, 4) x, y, diameter, visible of every ball; nan where it is behind the camera."""
    rows = truth["frames"]["x_y_diameter_visible"]
    return [
        np.array([[np.nan if v is None else v for v in r[ball]] for r in rows], float)
        for ball in range(len(rows[0]))
    ]


def features_of(truth: Table) -> list[F64]:
    """`features` of every ball in every frame."""
    times, side = np.array(truth["frames"]["time_s"]), max(truth["width_px"], truth["height_px"])
    out = []
    for ball, table in enumerate(table_of_balls(truth)):
        step = np.hypot(*np.diff(table[:, :2], axis=0).T) / np.diff(times)
        speed = np.nan_to_num(np.append(step, step[-1:]) / table[:, 2], nan=0.0)
        met = np.array([c["time_s"] for c in truth["contacts"] if c["ball"] == ball] or [1e9])
        until = np.array([(met[met >= t] - t).min(initial=9.0) for t in times])
        since = np.array([(t - met[met <= t]).min(initial=9.0) for t in times])
        size = np.nan_to_num(table[:, 2], nan=1.0) / side
        out.append(features(np.nan_to_num(table[:, 3]), size, speed, until, since))
    return out


@dataclass(slots=True)
class Wrong:
    """Something taken for a ball: rows of time from a kick, place in m, size in m, and the rest.

    `rows` (n, 8): t, x, y, z (goal frame, y as a share of the kick distance), diameter m, sigma
    and diameter sigma in diameters, score.
    """

    rows: F64


@dataclass(slots=True)
class Noted:
    """What was noted of one lying ball: (from start, s), before, after, arrived, score, offsets."""

    feature: F64
    events: list[tuple[bool, float, float, bool, float, F64]]


@dataclass(slots=True)
class Donors:
    """All that can be lent.

    Attributes
    ----------
    found : (n, 7) for every frame of every ball: found (0 or 1), dx, dy, log size, sigma and
        diameter sigma in diameters, score. ends: (n,) the frame at which its sequence ends.
    tree : over the frames' features.
    rests : of lying balls. wrong_by_kick, wrong_rests : what was no ball, kick by kick.
    """

    found: F64
    ends: npt.NDArray[np.int64]
    tree: KDTree
    features: F64
    rests: list[Noted] = field(default_factory=list)
    wrong_by_kick: list[list[Wrong]] = field(default_factory=list)
    wrong_rests: list[list[tuple[F64, float, float, bool]]] = field(default_factory=list)


def is_steady(told: Table) -> bool:
    """Whether nothing but the play is out of the ordinary."""
    by_kind = told.get("group") in ("kinds", "varied") or told["nuisance"] in STEADY
    return bool(by_kind and told["good"] and not told["refused"] and told["split"] == "develop")


def donors_of(folder: Path) -> Donors:
    """Collect what can be lent from a folder of evidence."""
    found, ends, kinds = [], [], []
    rests: list[Noted] = []
    wrong: list[list[Wrong]] = []
    wrong_rests: list[list[tuple[F64, float, float, bool]]] = []
    at = 0
    for path in sorted(folder.glob("*.json.gz")):
        told = read_evidence(path)
        if not is_steady(told) or told.get("drawn"):
            continue
        truth = told["truth"]
        tables, own = table_of_balls(truth), features_of(truth)
        hits, others = _hits(told, tables)
        for ball, table in enumerate(tables):
            rows = np.zeros((len(table), 7))
            for k, row in hits[ball].items():
                rows[k] = row
            found.append(rows)
            kinds.append(own[ball])
            at += len(rows)
            ends.append(np.full(len(rows), at))
        used: set[int] = set()
        rests += _noted(told, tables, used)
        by_kick, resting_by_kick = _wrong(told, others, used)
        wrong += by_kick
        wrong_rests += resting_by_kick
    stacked = np.concatenate(kinds)
    return Donors(
        np.concatenate(found),
        np.concatenate(ends),
        KDTree(stacked),
        stacked,
        rests,
        wrong,
        wrong_rests,
    )


def _hits(told: Table, tables: list[F64]) -> tuple[list[dict[int, F64]], list[list[list[float]]]]:
    """Sightings by ball and frame, and the tracks that follow no ball."""
    times = np.array(told["truth"]["frames"]["time_s"])
    hits: list[dict[int, F64]] = [{} for _ in tables]
    others = []
    for track in told["raw_tracks"]:
        on_ball = 0
        for row in track["seen"]:
            k = int(np.argmin(np.abs(times - row[0])))
            place = np.array([t[k] for t in tables])
            off = np.hypot(place[:, 0] - row[1], place[:, 1] - row[2]) / place[:, 2]
            ratio = row[3] / place[:, 2]
            good = (off <= ON_A_BALL) & (ratio > SIZE_RATIO[0]) & (ratio < SIZE_RATIO[1])
            if not good.any():
                continue
            on_ball += 1
            ball = int(np.nanargmin(np.where(good, off, np.inf)))
            x, y, d, _ = place[ball]
            hits[ball][k] = np.array(
                [1.0, (row[1] - x) / d, (row[2] - y) / d, np.log(row[3] / d), row[4] / row[3],
                 row[5] / row[3], row[6]]
            )  # fmt: skip
        if on_ball <= MOSTLY_NONE * len(track["seen"]):
            others.append(track["seen"])
    return hits, others


def _noted(told: Table, tables: list[F64], used: set[int]) -> list[Noted]:
    """What was noted of each lying ball."""
    truth = told["truth"]
    times, side = np.array(truth["frames"]["time_s"]), max(truth["width_px"], truth["height_px"])
    out = []
    for rest in truth["rests"]:
        span = (times >= rest["from_s"]) & (times <= rest["to_s"])
        rows = tables[rest["ball"]][span]
        if not len(rows) or not np.isfinite(rows[:, :3]).all():
            continue
        x, y, d = np.median(rows[:, :3], axis=0)
        events = []
        for i, event in enumerate(told["record"]["resting"]):
            s = event["sighting"]
            near = np.hypot(s[1] - x, s[2] - y) <= ON_A_BALL * d and 0.6 < s[3] / d < 1.6
            late = rest["from_s"] - 1.0 < event["after_s"] and (
                event["before_s"] < rest["to_s"] + REST_MARGIN_S
            )
            if not (near and late) or i in used:
                continue
            used.add(i)
            early = event["before_s"] - rest["from_s"] < rest["to_s"] - event["before_s"]
            zero = rest["from_s"] if early else rest["to_s"]
            off = np.array([(s[1] - x) / d, (s[2] - y) / d, np.log(s[3] / d), s[4] / d, s[5] / d])
            before, after = event["before_s"] - zero, event["after_s"] - zero
            events.append((early, before, after, event["arrived"], event["ball_score"], off))
        feature = rest_feature(rest["to_s"] - rest["from_s"], d / side, float(rows[:, 3].mean()))
        out.append(Noted(feature, events))
    return out


def rest_feature(seconds: float, size: float, visible: float) -> F64:
    """What noting a lying ball depends on."""
    return np.array([np.log(0.3 + seconds), 0.7 * np.log(size), 2.0 * visible])


def _wrong(
    told: Table, others: list[list[list[float]]], used: set[int]
) -> tuple[list[list[Wrong]], list[list[tuple[F64, float, float, bool]]]]:
    """What was no ball, by the kick that is nearest in time."""
    truth = told["truth"]
    kicks = np.array([c["time_s"] for c in truth["contacts"] if c["kind"] == "kick"])
    tracks: list[list[Wrong]] = [[] for _ in kicks]
    rests: list[list[tuple[F64, float, float, bool]]] = [[] for _ in kicks]
    for seen in others:
        near = int(np.argmin(np.abs(kicks - np.mean([r[0] for r in seen]))))
        rows = np.array([in_metres(truth, r, r[6], float(kicks[near])) for r in seen])
        tracks[near].append(Wrong(rows))
    for i, event in enumerate(told["record"]["resting"]):
        if i in used:
            continue
        s = event["sighting"]
        near = int(np.argmin(np.abs(kicks - event["before_s"])))
        row = in_metres(truth, s, event["ball_score"], float(kicks[near]))
        span = (event["before_s"] - kicks[near], event["after_s"] - kicks[near])
        rests[near].append((row, float(span[0]), float(span[1]), event["arrived"]))
    return tracks, rests


def in_metres(truth: Table, s: list[float], score: float, kick_s: float) -> F64:
    """Place a sighting where a ball of its size would be."""
    camera, diameter_m = truth["camera"], truth["ball"]["diameter_m"]
    f, at_s, d = camera["focal_px"], s[0] - kick_s, s[3]
    ray = np.array([(s[1] - camera["cx_px"]) / f, (s[2] - camera["cy_px"]) / f, 1.0])
    turn, shift = np.array(camera["rotation_goal_to_camera"]), np.array(camera["translation_m"])
    x, y, z = np.linalg.solve(turn, ray * f * diameter_m / d - shift)
    share = y / truth["goal"]["back_m"]
    return np.array([at_s, x, share, z, diameter_m, s[4] / d, s[5] / d, score])
