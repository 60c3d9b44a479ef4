"""Evidence without pixels: ``python bench drawn``.

The course of a set is worked out as for a film; who hides which ball is found by following light.
What the watcher would have seen of it is put together from what it really saw of rendered
development sets (`donors`): runs of frames of a ball that was as large, as fast, as hidden, as near
to its next contact. The tool's own linker joins the sightings.
"""

from __future__ import annotations

import gzip
import json
import time
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import repeat
from pathlib import Path
from typing import Any, cast, get_args

import click
import numpy as np

from donors import F64, Donors, donors_of, features_of, rest_feature, table_of_balls
from evidence import kept_name
from evidence_one import put, raw_row, told_set, told_truth
from shoegoal.ball.tracks import TrackLinker
from shoegoal.types import Detection
from truth.backdrop import Backdrop
from truth.catalogue import EvaluationSet, drawn_sets
from truth.editing import Film
from truth.record import Truth
from truth.render import truth_of
from truth.stage import set_stage
from truth.studio import Studio
from truth.video import TIME_BASE
from truth.yards import Split

NEAREST = 24  # donors, one of which is taken
LONGEST_RUN = 12  # frames taken from one donor in a row
APART = 0.9  # of features: further off, another donor is taken
LEAST_SCORE = 0.3  # of a sighting that the watcher's linker gets

_donors: Donors | None = None


@click.command()
@click.option(
    "--donors", type=click.Path(path_type=Path, file_okay=False, exists=True), required=True,
    help="Folder with evidence of rendered development sets.",
)  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True)
@click.option("--split", type=click.Choice(get_args(Split)), default="develop", show_default=True)
@click.option("--sets", "count", type=click.IntRange(1), default=100, show_default=True)
@click.option("--first", type=click.IntRange(0), default=0, show_default=True)
@click.option("--jobs", type=click.IntRange(1), default=1, help="So many at a time.")
def drawn(donors: Path, out: Path, split: Split, count: int, first: int, jobs: int) -> None:
    """Draw evidence of many sets without painting a picture."""
    global _donors
    out.mkdir(parents=True, exist_ok=True)
    _donors = donors_of(donors)
    click.echo(f"{len(_donors.found)} frames of balls to lend", err=True)
    begun = time.monotonic()
    numbers = range(first, first + count)
    with ProcessPoolExecutor(jobs) as pool:  # forked: the donors are there already
        work = pool.map(_make, repeat(split), numbers, repeat(out), chunksize=4)
        for n, _ in enumerate(work, start=1):
            if n % 50 == 0:
                click.echo(f"{n} of {count} in {time.monotonic() - begun:.0f} s", err=True)


def _make(split: Split, number: int, out: Path) -> None:
    """Draw one set's evidence unless it is there."""
    (one,) = drawn_sets(split, number, 1)
    place = out / kept_name(one)
    if place.exists():
        return
    assert _donors is not None
    body = json.dumps(draw_evidence(one, _donors), separators=(",", ":"), allow_nan=False)
    put(place, gzip.compress(body.encode(), 6, mtime=0))


def draw_evidence(one: EvaluationSet, donors: Donors) -> dict[str, Any]:
    """What `bench evidence` would have told of a set, about."""
    rng = np.random.default_rng(zlib.crc32(one.name.encode()))
    truth = told_truth(unpainted_truth(one))
    times = truth["frames"]["time_s"]
    seen: list[list[Detection]] = [[] for _ in times]
    for table, own in zip(table_of_balls(truth), features_of(truth), strict=True):
        _lend_sightings(truth, table, own, donors, rng, seen)
    kicks = [c["time_s"] for c in truth["contacts"] if c["kind"] == "kick"]
    resting = _lend_rests(truth, donors, rng)
    for kick_s in kicks:
        number = int(rng.integers(len(donors.wrong_by_kick)))
        _lend_wrong(truth, kick_s, donors, number, seen, resting)
    return {
        "made_of": {"scene": "", "tree": ""},
        "drawn": True,
        **told_set(one),
        "painter": "",
        "truth": truth,
        "refused": None,
        "clip": {
            "width_px": truth["width_px"],
            "height_px": truth["height_px"],
            "frames": len(times),
            "start_s": times[0],
            "end_s": times[-1],
            "nominal_rate_hz": 1.0 / float(np.median(np.diff(times))),
            "slowed_by": 1.0,
        },
        "stillness": {
            "verdict": "still",
            "bumps_s": [],
            "spans": [{"start_s": times[0], "end_s": times[-1], "displacement": 0.0}],
            "samples": [],
            "message": "the camera stood still",
        },
        "breaks": [],
        "problems": [],
        "record": {"resting": sorted(resting, key=lambda r: r["after_s"])},
        "raw_tracks": linked(times, seen),
    }


def unpainted_truth(one: EvaluationSet) -> Truth:
    """The truth of a set of which no picture is painted; what stands still hides nothing."""
    stage = set_stage(one.scene())
    camera = stage.camera
    none = np.zeros((1, 1, 3), np.float32)
    far = np.full((camera.height_px, camera.width_px), np.inf, np.float32)
    backdrop = Backdrop(none, none, far)
    studio = Studio(stage, backdrop, none, cast(Any, None), stage.scene.picture.shutter_s)
    ticks, _ = Film.of(stage.scene, stage.play.duration_s).ticks(stage.scene)
    frames = [studio.frame_truth(camera, float(t * TIME_BASE), backdrop) for t in ticks]
    return truth_of(stage, frames)


def _lend_sightings(
    truth: dict[str, Any],
    table: F64,
    own: F64,
    donors: Donors,
    rng: np.random.Generator,
    seen: list[list[Detection]],
) -> None:
    """Give a ball's sightings to its frames."""
    near = np.asarray(donors.tree.query(own, NEAREST)[1])
    lender, left = -1, 0
    for k, (x, y, d, visible) in enumerate(table):
        lender += 1
        left -= 1
        inside = 0.0 <= x < truth["width_px"] and 0.0 <= y < truth["height_px"]
        if not np.isfinite(d) or not inside or visible <= 0.0:
            left = 0
            continue
        if (
            left <= 0
            or lender >= donors.ends[lender - 1]
            or np.linalg.norm(donors.features[lender] - own[k]) > APART
        ):
            lender, left = int(near[k, rng.integers(NEAREST)]), int(rng.integers(4, LONGEST_RUN))
        found, dx, dy, dlog, sigma, dsigma, score = donors.found[lender]
        if found:
            size = d * float(np.exp(dlog))
            at_s = truth["frames"]["time_s"][k]
            place = (x + dx * d, y + dy * d)
            sighting = Detection(at_s, *place, size, sigma * size, dsigma * size)
            seen[k].append(replace(sighting, ball_score=float(score)))


def _lend_rests(
    truth: dict[str, Any], donors: Donors, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """What is noted of the balls that lie."""
    times, side = np.array(truth["frames"]["time_s"]), max(truth["width_px"], truth["height_px"])
    known = np.array([n.feature for n in donors.rests])
    tables, out = table_of_balls(truth), []
    for rest in truth["rests"]:
        rows = tables[rest["ball"]][(times >= rest["from_s"]) & (times <= rest["to_s"])]
        if not len(rows) or not np.isfinite(rows[:, :3]).all():
            continue
        x, y, d = np.median(rows[:, :3], axis=0)
        if not (0 <= x < truth["width_px"] and 0 <= y < truth["height_px"]):
            continue
        own = rest_feature(rest["to_s"] - rest["from_s"], d / side, float(rows[:, 3].mean()))
        near = np.argsort(np.linalg.norm(known - own, axis=1))[:8]
        for early, before, after, arrived, score, off in donors.rests[int(rng.choice(near))].events:
            zero = rest["from_s"] if early else rest["to_s"]
            before_s, after_s = zero + before, zero + after
            if after_s > times[-1] or before_s < times[0]:
                continue
            row = [after_s if arrived else before_s, x + off[0] * d, y + off[1] * d,
                   d * float(np.exp(off[2])), off[3] * d, off[4] * d, 1]  # fmt: skip
            out.append(_resting(row, before_s, after_s, arrived, score))
    return out


def _lend_wrong(
    truth: dict[str, Any],
    kick_s: float,
    donors: Donors,
    number: int,
    seen: list[list[Detection]],
    resting: list[dict[str, Any]],
) -> None:
    """Put what was no ball about some kick about another one."""
    times = np.array(truth["frames"]["time_s"])
    for wrong in donors.wrong_by_kick[number]:
        for row in wrong.rows:
            s = in_picture(truth, row)
            at_s = kick_s + row[0]
            if s is None or not times[0] <= at_s <= times[-1]:
                continue
            k = int(np.argmin(np.abs(times - at_s)))
            sighting = Detection(float(times[k]), *s)
            if row[7] >= LEAST_SCORE:
                seen[k].append(replace(sighting, ball_score=float(row[7])))
    for row, before, after, arrived in donors.wrong_rests[number]:
        s = in_picture(truth, row)
        if s is not None and times[0] <= kick_s + before and kick_s + after <= times[-1]:
            at_s = kick_s + (after if arrived else before)
            one = _resting([at_s, *s, 1], kick_s + before, kick_s + after, arrived, float(row[7]))
            resting.append(one)


def in_picture(truth: dict[str, Any], row: Any) -> tuple[float, float, float, float, float] | None:
    """x, y, diameter and their sigmas of something placed in metres; None out of the picture."""
    camera = truth["camera"]
    place = np.array([row[1], row[2] * truth["goal"]["back_m"], row[3]])
    seen = np.array(camera["rotation_goal_to_camera"]) @ place + np.array(camera["translation_m"])
    if seen[2] < 0.5:
        return None
    f = camera["focal_px"]
    x, y = f * seen[0] / seen[2] + camera["cx_px"], f * seen[1] / seen[2] + camera["cy_px"]
    if not (0 <= x < truth["width_px"] and 0 <= y < truth["height_px"]):
        return None
    d = f * row[4] / seen[2]
    return float(x), float(y), float(d), float(row[5] * d), float(row[6] * d)


def _resting(
    row: list[float], before_s: float, after_s: float, arrived: bool, score: float
) -> dict[str, Any]:
    return {
        "sighting": [round(float(v), 4) for v in row],
        "before_s": round(float(before_s), 5),
        "after_s": round(float(after_s), 5),
        "arrived": bool(arrived),
        "ball_score": round(float(score), 5),
    }


def linked(times: list[float], seen: list[list[Detection]]) -> list[dict[str, Any]]:
    """Tracks as the watcher's linker makes them of the sightings of each frame."""
    linker, out = TrackLinker(), []
    for at_s, now in zip(times, seen, strict=True):
        out += linker.update(now, at_s)
    out += linker.finish()
    return [{"dropped": False, "seen": [raw_row(s) for s in track.seen]} for track in out]
