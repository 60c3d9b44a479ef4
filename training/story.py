"""Learn the story's numbers from evidence of development yards.

``python -m training.story FOLDER... --out src/shoegoal/shots/weights.json``, with ``src``,
``tests`` and ``bench`` on the path; ``python bench evidence`` and ``python bench drawn`` fill the
folders.
Steps of maximum likelihood, each with a small ridge: what is a ball's segment, how far two segments
miss each other at a joint, how often a ball that seemed to leave was only hidden, what is a shot;
then what chances came true is counted. Truth is the
drawn clips' own. The prior odds of what happened between two segments are not learnt here: what
the truth says of it is too coarse, and numbers learnt from it did worse on sets kept apart.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from math import isfinite
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import betabinom

from evidence import read_evidence
from from_evidence import record_of
from shoegoal.ball.watch import BallRecord, split_record
from shoegoal.errors import ShoegoalError
from shoegoal.pipeline.count import STEADY_MARGIN_S
from shoegoal.scene.ball_size import BallSize
from shoegoal.shots.events import ONE_KICK_S
from shoegoal.shots.ground import find_ground
from shoegoal.shots.judge import ASK_AT, Judged, judge
from shoegoal.shots.rebounds import (
    HIDDEN,
    JOINT_SIGMA,
    OVERLAP_S,
    PLACE_SIGMA,
    Between,
    hidden_until,
    link_parts,
)
from shoegoal.shots.segments import Segment, ball_features
from shoegoal.shots.story import candidate_pairs
from shoegoal.shots.weights import Calibration, Weights, shipped_weights
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]

FROM_THERE = -4.5  # log likeness of places: three standard deviations apart
ON_A_BALL = 0.5  # diameters: a detection no further off is of that ball
MOSTLY, HARDLY = 0.7, 0.3  # of a segment's sightings
RIDGE = 0.005  # of 0.0005 to 1, the likelihood of sets left out is best about here
OTHER_GAMES = ("strange balls", "nobody shoots")  # kinds with balls that nobody shoots
LEAST_FLOORS = (0.03, 0.15, 0.03)  # m, m/s, m: what a clip can show at all


@dataclass(frozen=True, slots=True)
class Case:
    """The evidence of one set, and what is true of it."""

    name: str
    truth: dict[str, Any]
    record: BallRecord
    size_px: tuple[int, int]
    start_s: float


def load_case(path: Path) -> Case | None:
    """Read one file of evidence; None where the watcher refused the clip."""
    told = read_evidence(path)
    if told["refused"]:
        return None
    record = record_of(told)
    bumps = told["stillness"]["bumps_s"]
    if bumps:
        record, _ = split_record(record, bumps[0] - STEADY_MARGIN_S)
    clip = told["clip"]
    size_px = clip["width_px"], clip["height_px"]
    return Case(path.name, told["truth"], record, size_px, clip["start_s"])


def judged(case: Case, weights: Weights) -> Judged:
    """Judge a case with its true markers, stage and ball size."""
    truth = case.truth
    left, right = (ImagePoint(*point) for point in truth["goal"]["inner_bases_px"])
    ball = BallSize(str(truth["ball"]["size"]))
    ground = find_ground(case.record, case.size_px, ball=ball, weights=weights)
    return judge(
        case.record,
        ground,
        case.size_px,
        left,
        right,
        ball=ball,
        width_steps=truth["stage"]["width_steps"],
        back_steps=truth["stage"]["back_steps"],
        start_s=case.start_s,
        weights=weights,
    )


class TrueBalls:
    """Where the true balls are in the picture at any time."""

    def __init__(self, truth: dict[str, Any]) -> None:
        frames = truth["frames"]
        self._times = np.array(frames["time_s"])
        self._rows = frames["x_y_diameter_visible"]

    def ball_of(self, segment: Segment) -> tuple[int, float]:
        """Return the ball that most of a segment's sightings lie on, and their share."""
        votes: dict[int, int] = {}
        sightings = segment.stretch.sightings
        for sighting in sightings:
            k = int(np.argmin(np.abs(self._times - sighting.time_s)))
            for ball, row in enumerate(self._rows[k]):
                if row is None or row[0] is None:
                    continue
                x, y, diameter = row[:3]
                off = np.hypot(x - sighting.x_px, y - sighting.y_px)
                ratio = sighting.diameter_px / diameter if diameter else 0
                if off <= ON_A_BALL * diameter and 0.6 < ratio < 1.6:
                    votes[ball] = votes.get(ball, 0) + 1
                    break
        if not votes:
            return -1, 0.0
        ball = max(votes, key=votes.__getitem__)
        return ball, votes[ball] / len(sightings)

    def still_lies(self, ball: int, stay: Segment, time_s: float) -> bool | None:
        """Whether a ball is where it lay, at some time; None where that is not known."""
        k, place = int(np.argmin(np.abs(self._times - time_s))), stay.stretch.sightings[-1]
        row = self._rows[k][ball] if ball < len(self._rows[k]) else None
        if row is None or row[0] is None:
            return None
        return bool(np.hypot(row[0] - place.x_px, row[1] - place.y_px) <= ON_A_BALL * row[2])


@dataclass(slots=True)
class Examples:
    """What one case teaches."""

    ball_x: list[F64]
    ball_y: list[float]
    pairs: list[tuple[Segment, Segment, int]]
    hidden_x: list[F64]
    hidden_y: list[float]
    hidden_z: list[float]
    shot_x: list[F64]
    shot_y: list[float]
    shot_w: list[float]
    unseen_x: list[F64]
    unseen_y: list[float]
    shot_p: list[tuple[float, bool]]
    make_p: list[tuple[float, bool]]
    missed: list[bool]


def examples(work: tuple[Path, Weights]) -> Examples | None:
    """Work out what a file of evidence teaches, with the weights so far."""
    path, weights = work
    case = load_case(path)
    if case is None:
        return None
    try:
        result = judged(case, weights)
    except ShoegoalError:
        return None
    out = Examples(*([] for _ in fields(Examples)))
    story, camera = result.story, result.scene.camera
    balls = TrueBalls(case.truth)
    labels = [balls.ball_of(segment) for segment in story.segments]
    # A ball of another game is a ball, too, but stands in no truth.
    if case.truth["nuisance"] not in OTHER_GAMES:
        for segment, (_, share) in zip(story.segments, labels, strict=True):
            if not HARDLY < share < MOSTLY:
                out.ball_x.append(ball_features(camera, segment.stretch))
                out.ball_y.append(float(share >= MOSTLY))
    _learn_joints(out, story.segments, labels, case.truth)
    _learn_hidden(out, story.segments, labels, balls, weights)
    _learn_shots(out, result, labels, case.truth)
    return out


def _learn_joints(
    out: Examples,
    segments: Sequence[Segment],
    labels: Sequence[tuple[int, float]],
    truth: dict[str, Any],
) -> None:
    """Each ball's segment comes from the one before it of the same ball, in a way that is known."""
    before: dict[int, list[int]] = {}
    for i, j in candidate_pairs(segments):
        if labels[i][0] == labels[j][0] and min(labels[i][1], labels[j][1]) >= MOSTLY:
            before.setdefault(j, []).append(i)
    for j, found in before.items():
        i = max(found, key=lambda i: (segments[i].end_s, segments[i].start_s))
        kinds = _true_kinds(segments[i], segments[j], labels[j][0], truth)
        if len(kinds) == 1:
            out.pairs.append((segments[i], segments[j], int(kinds[0])))


def _learn_hidden(
    out: Examples,
    segments: Sequence[Segment],
    labels: Sequence[tuple[int, float]],
    balls: TrueBalls,
    weights: Weights,
) -> None:
    """Note of each ball that seemed to leave whether the next segment from there shows it."""
    floor = float(np.exp(weights.link[JOINT_SIGMA]))
    for stay, (ball, share) in zip(segments, labels, strict=True):
        if not stay.lies or share < MOSTLY or not isfinite(stay.latest_s):
            continue
        for later, (other, _) in zip(segments, labels, strict=True):
            if later.start_s <= stay.latest_s + OVERLAP_S:
                continue
            again = hidden_until(stay, later, floor)
            if again.likeness > FROM_THERE:
                lies = balls.still_lies(ball, stay, again.time_s - 0.05)
                if lies is not None:
                    kind = Between.RAN_ON if later.lies else Between.KICKED
                    factors = link_parts(stay, later, weights).factors[kind]
                    out.hidden_x.append(again.factors)
                    out.hidden_y.append(float(lies and other == ball))
                    out.hidden_z.append(float(factors @ weights.link[:PLACE_SIGMA]))
                break


BY_A_PERSON = {"picked up", "put down", "thrown back", "rolled back", "stopped"}


def _true_kinds(a: Segment, b: Segment, ball: int, truth: dict[str, Any]) -> list[Between]:
    """Return what happened between two segments of one ball, by the truth's contacts."""
    since_s, until_s = a.end_s - 0.08, b.start_s + 0.08
    kinds = {
        contact["kind"]
        for contact in truth["contacts"]
        if contact["ball"] == ball and since_s <= contact["time_s"] <= until_s
    }
    if not kinds:
        return [Between.RAN_ON]
    if kinds <= {"wall", "bounce", "marker"}:
        return [Between.MET, Between.RAN_ON] if "bounce" in kinds else [Between.MET]
    if kinds & BY_A_PERSON or len(kinds) > 1:
        return [Between.MOVED, Between.KICKED]
    return [Between.KICKED]


def _learn_shots(
    out: Examples, result: Judged, labels: Sequence[tuple[int, float]], truth: dict[str, Any]
) -> None:
    taken: dict[int, int] = {}
    for shot in truth["shots"]:
        best = None
        for k, event in enumerate(result.events):
            if event.run is None or k in taken:
                continue
            ball, share = labels[event.run.numbers[0]]
            off_s = event.time_s - shot["kick_time_s"]
            first_s = event.run.segments[0].start_s
            end_s = shot["crossing_time_s"] or shot["end_time_s"]
            in_time = -0.2 <= off_s <= ONE_KICK_S and first_s <= end_s - 0.1
            if share >= MOSTLY and ball == shot["ball"] and in_time:
                # The run that shows most of the ball, among those that begin about then.
                seen = sum(len(s.stretch.sightings) for s in event.run.segments)
                rank = (off_s > ONE_KICK_S / 2, -seen if off_s <= ONE_KICK_S / 2 else off_s)
                if best is None or rank < best[0]:
                    best = (rank, k)
        if best is not None:
            taken[best[1]] = shot["number"]
    seen_shots = set(taken.values())
    _learn_chances(out, result, truth)
    unclear = [(g[0], g[1]) for g in truth.get("gaps_s", [])]
    for k, event in enumerate(result.events):
        if any(a - 1.5 <= event.time_s <= b + 1.5 for a, b in unclear):
            continue
        if event.run is None:
            assert event.stay is not None
            number = next(n for n, s in enumerate(result.story.segments) if s is event.stay)
            ball, share = labels[number]
            kicked = [
                s["number"]
                for s in truth["shots"]
                if event.stay.end_s - 0.4 <= s["kick_time_s"] <= event.stay.latest_s + 0.4
                and s["ball"] == ball
                and share >= MOSTLY
            ]
            if not seen_shots & set(kicked):
                out.unseen_x.append(event.features)
                out.unseen_y.append(float(bool(kicked)))
        else:
            # Another reading of a kick that has its run already teaches nothing.
            again = any(
                -ONE_KICK_S < event.time_s - s["kick_time_s"] < ONE_KICK_S for s in truth["shots"]
            )
            if k in taken or not again:
                out.shot_x.append(event.features)
                out.shot_y.append(float(k in taken))
                likely = event.run.p_begins * expit(event.run.ball_log_odds)
                out.shot_w.append(max(0.05, float(likely)))


def _learn_chances(out: Examples, result: Judged, truth: dict[str, Any]) -> None:
    """Note what chance every event was given and what came of it, and which shots were missed."""
    left = {
        s["number"]: s for s in truth["shots"] if not s["may_ask"] or s["may_ask"] not in OFF_FILM
    }
    off_film = [s["kick_time_s"] for s in truth["shots"] if s["number"] not in left]
    for event in sorted(result.events, key=lambda e: -e.p_shot):
        near = [n for n, s in left.items() if abs(s["kick_time_s"] - event.time_s) <= ONE_KICK_S]
        number = min(near, key=lambda n: abs(left[n]["kick_time_s"] - event.time_s), default=None)
        if number is None and any(abs(s - event.time_s) <= ONE_KICK_S for s in off_film):
            continue
        out.shot_p.append((event.p_shot, number is not None))
        if number is not None:
            shot = left.pop(number)
            out.missed.append(event.p_shot < ASK_AT)
            # A less likely event near a shot is mostly another thing, whatever became of it.
            likely = event.p_shot >= 0.5 and not shot["may_ask"]
            if event.crossing is not None and likely:
                out.make_p.append((event.crossing.p_make, bool(shot["is_make"])))
    out.missed += [True] * len(left)


OFF_FILM = ("its end is not on film", "a part of its way is not on film", "the camera was moved")
# The first is `ASK_AT`: of what is left out, one class is enough.
SHOT_EDGES = (ASK_AT, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98)
MAKE_EDGES = (0.03, 0.15, 0.5, 0.85, 0.97)


def calibrated(chances: Sequence[tuple[float, bool]], edges: tuple[float, ...]) -> Calibration:
    """Count what came true in classes of chances; classes out of order are counted together."""
    number = np.searchsorted(edges, [p for p, _ in chances], side="right")
    true = np.array([came for _, came in chances])
    groups = [
        [[k], int((number == k).sum()), int(true[number == k].sum())] for k in range(len(edges) + 1)
    ]
    merged: list[Any] = []
    for group in groups:
        merged.append(group)
        while len(merged) > 1 and _earned(merged[-2]) > _earned(merged[-1]):
            later = merged.pop()
            merged[-1] = [a + b for a, b in zip(merged[-1], later, strict=True)]
    rows = {k: (n, true_n) for classes, n, true_n in merged for k in classes}
    return Calibration(
        edges,
        tuple(rows[k][0] for k in range(len(edges) + 1)),
        tuple(rows[k][1] for k in range(len(edges) + 1)),
    )


def _earned(group: Any) -> float:
    return float((group[2] + 0.5) / (group[1] + 1))


def logistic(
    x: F64,
    y: F64,
    weight: F64 | None = None,
    ridge: float = RIDGE,
    given: F64 | float = 0.0,
) -> F64:
    """Fit a logistic regression by maximum likelihood with a small ridge, on given log odds."""
    w = np.ones(len(y)) if weight is None else weight

    def loss(beta: F64) -> tuple[float, F64]:
        z = x @ beta + given
        p = 1 / (1 + np.exp(-np.clip(z, -40, 40)))
        value = float(np.sum(w * (np.logaddexp(0, z) - y * z))) + ridge * float(beta[1:] @ beta[1:])
        slope = x.T @ (w * (p - y))
        slope[1:] += 2 * ridge * beta[1:]
        return value, slope

    return np.asarray(minimize(loss, np.zeros(x.shape[1]), jac=True, method="BFGS").x, np.float64)


def fit_floors(pairs: Sequence[tuple[Segment, Segment, int]], weights: Weights) -> F64:
    """Fit what the fits' own sigmas leave out at a joint, by the density of the true ones."""
    odds, hidden = weights.link[:PLACE_SIGMA], weights.link[HIDDEN:]

    def loss(floors: F64) -> float:
        tried = replace(weights, link=np.concatenate([odds, floors, hidden]))
        density = [link_parts(a, b, tried).density[kind] for a, b, kind in pairs]
        # A wrong pair must not decide it: none counts for more than a beginning anywhere.
        return -float(np.sum(np.logaddexp(density, 0.0)))

    least = np.log(LEAST_FLOORS)
    start = np.maximum(weights.link[PLACE_SIGMA:HIDDEN], least)
    found = minimize(
        loss,
        start,
        method="Nelder-Mead",
        bounds=[(low, 0.0) for low in least],
        options={"maxfev": 60},
    )
    return np.asarray(found.x, np.float64)


def learn(files: Sequence[Path], weights: Weights, jobs: int = 2, rounds: int = 2) -> Weights:
    """Learn all weights, some rounds over, as each step changes what the next one sees."""
    for turn in range(rounds):
        with Pool(jobs) as pool:
            found = [e for e in pool.map(examples, [(f, weights) for f in files], 1) if e]
        ball_x = np.array([x for e in found for x in e.ball_x])
        ball_y = np.array([y for e in found for y in e.ball_y])
        ball = logistic(ball_x, ball_y)
        pairs = [p for e in found for p in e.pairs]
        hidden_x = np.array([x for e in found for x in e.hidden_x])
        hidden_y = np.array([y for e in found for y in e.hidden_y])
        hidden_z = np.array([z for e in found for z in e.hidden_z])
        hidden = logistic(hidden_x, hidden_y, given=hidden_z)
        floors = fit_floors(pairs, weights)
        link = np.concatenate([weights.link[:PLACE_SIGMA], floors, hidden])
        shot_x = np.array([x for e in found for x in e.shot_x])
        shot_y = np.array([y for e in found for y in e.shot_y])
        shot_w = np.array([w for e in found for w in e.shot_w])
        shot = logistic(shot_x, shot_y, shot_w)
        unseen_x = np.array([x for e in found for x in e.unseen_x])
        unseen_y = np.array([y for e in found for y in e.unseen_y])
        unseen = logistic(unseen_x, unseen_y)
        print(
            f"round {turn + 1}: {len(found)} sets, {len(ball_y)} segments, "
            f"{len(pairs)} joints, {int(hidden_y.sum())} hidden of {len(hidden_y)}, "
            f"{int(shot_y.sum())} shots of {len(shot_y)} runs, "
            f"{int(unseen_y.sum())} unseen of {len(unseen_y)}"
        )
        weights = Weights(ball=ball, link=link, shot=shot, unseen=unseen)
    # Chances are counted as the weights give them, not as counts have changed them before.
    weights = replace(weights, shot_calibration=Calibration(), make_calibration=Calibration())
    with Pool(jobs) as pool:
        found = [e for e in pool.map(examples, [(f, weights) for f in files], 1) if e]
    return replace(
        weights,
        shot_calibration=calibrated([c for e in found for c in e.shot_p], SHOT_EDGES),
        make_calibration=calibrated([c for e in found for c in e.make_p], MAKE_EDGES),
        missed=spread_of([(sum(e.missed), len(e.missed)) for e in found]),
    )


def spread_of(missed: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """Fit alpha and beta to how many of how many shots each set missed, by maximum likelihood."""
    k, n = np.array(missed).T

    def misfit(logs: F64) -> float:
        return -float(betabinom.logpmf(k, n, *np.exp(logs)).sum())

    start = np.log([0.1, 0.1 * max(1.0, n.sum() / max(1, k.sum()))])
    alpha, beta = np.exp(minimize(misfit, start, method="Nelder-Mead").x).tolist()
    return alpha, beta


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Learn the numbers of the story.")
    parser.add_argument("folders", type=Path, nargs="+", help="evidence of development sets")
    parser.add_argument("--out", type=Path, required=True, help="where to write the weights")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=2)
    options = parser.parse_args()
    found = sorted(file for folder in options.folders for file in folder.glob("*.json.gz"))
    weights = learn(found, shipped_weights(), options.jobs, options.rounds)
    names = sorted({folder.name for folder in options.folders})
    table = {"learnt_on": f"{len(found)} sets of {', '.join(names)}", "weights": weights.as_json()}
    options.out.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
