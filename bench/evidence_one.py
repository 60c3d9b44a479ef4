"""One set rendered, watched and told: ``python bench/evidence_one.py NAME FOLDER TREE``.

The watcher is the tool's own; here it is only listened to. Beside what it keeps, the file holds
the tracks that it drops, what the filming check says of the clip, and its count with the markers
found by the tool.
"""

from __future__ import annotations

import gzip
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from evidence import kept_name, scene_digest
from filming import checked
from judge_one import counted, settings_of, timed, tried
from shoegoal.analysis.file import analysis_from_json, analysis_to_json
from shoegoal.ball import tracks
from shoegoal.ball.tracks import RestingBall, Track
from shoegoal.errors import ShoegoalError
from shoegoal.pipeline.count import count_shots
from shoegoal.pipeline.judging import recount_with_markers
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import Watched, watch_clip
from shoegoal.types import Detection
from truth.catalogue import EvaluationSet, chosen
from truth.record import Truth
from truth.render import render_clip

LEAST_SEEN = 4


def main(name: str, folder: Path, tree: str) -> None:
    """Make one set's evidence."""
    cv2.setNumThreads(1)
    (one,) = [s for s in chosen((name,)) if s.name == name]
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        clip = Path(place) / "clip.mp4"
        truth = render_clip(one.scene(), clip, painter=one.painter)
        rendered = time.perf_counter()
        heard = Heard()
        try:
            watched: Watched | str = listened(clip, heard)
        except ShoegoalError as error:
            watched = str(error)
        seen = time.perf_counter()
        shown = told_truth(truth)
        wall_s, _, (answer, squares) = timed(lambda: checked(clip, shown))
        pupils = {
            "check": {"answer": str(answer), "squares": squares, "wall_s": round(wall_s, 2)},
            "found": plain(counted(clip, watched, settings_of(shown, given=False))),
            "same_at_0_px": stays_the_same(clip, watched, settings_of(shown, given=True)),
        }
        size = clip.stat().st_size
    spent = {
        "render_s": round(rendered - begun, 1),
        "watch_s": round(seen - rendered, 1),
        "clip_mb": round(size / 1e6, 2),
    }
    told = {
        "made_of": {"scene": scene_digest(one), "tree": tree},
        **told_set(one),
        "painter": one.painter,
        "spent": spent,
        "truth": shown,
        **pupils,
    }
    if isinstance(watched, str):
        told |= {"refused": watched}
    else:
        told |= {"refused": None, **told_clip(watched), "record": told_record(watched)}
        told |= heard.told()
        still = cv2.imencode(".jpg", watched.settled_bgr, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
        put(folder / f"{one.file_name}.settled.jpg", still.tobytes())
    body = json.dumps(told, separators=(",", ":"), allow_nan=False).encode()
    put(folder / kept_name(one), gzip.compress(body, 9, mtime=0))
    print(f"{one.name}: {len(truth.frames)} frames {json.dumps(spent)}")


def stays_the_same(clip: Path, watched: Watched | str, settings: CountSettings) -> bool | None:
    """Whether a count, read from its file, is the same to the last bit at markers moved by 0 px."""
    if isinstance(watched, str):
        return None
    analysis = tried(lambda: count_shots(clip, watched, settings).analysis)
    if isinstance(analysis, str):
        return None
    scene = analysis.goal_scene
    read = analysis_from_json(analysis_to_json(analysis).encode(), "analysis.json")
    return recount_with_markers(read, scene.left_px, scene.right_px) == analysis


def told_set(one: EvaluationSet) -> dict[str, Any]:
    """Which set it is, and what makes it hard."""
    return {
        "name": one.name,
        "split": one.split,
        "group": one.group,
        "trouble": one.trouble.name,
        "nuisance": one.trouble.nuisance,
        "good": one.trouble.good,
        "yard": one.yard.seed,
    }


def put(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    aside = path.with_name(f".{os.getpid()}.{path.name}")
    aside.write_bytes(data)
    aside.replace(path)


class Heard:
    """What is listened to while the watcher works."""

    def __init__(self) -> None:
        self.raw: list[dict[str, Any]] = []

    def told(self) -> dict[str, Any]:
        """As it goes into the file."""
        return {"raw_tracks": self.raw}


def listened(clip: Path, heard: Heard) -> Watched:
    """Watch a clip and note on the way what the watcher does not keep."""
    keeps = tracks.worth_a_look

    def worth_a_look(track: Track, least_travel: float = tracks.MIN_TRAVEL) -> bool:
        worth = keeps(track, least_travel)
        if len(track.seen) >= LEAST_SEEN:
            heard.raw.append({"dropped": not worth, "seen": [raw_row(s) for s in track.seen]})
        return worth

    tracks.worth_a_look = worth_a_look
    try:
        return watch_clip(clip)
    finally:
        tracks.worth_a_look = keeps


def raw_row(seen: Detection) -> list[float]:
    """t, x, y, d, sigma, dsigma, ball score."""
    return [*row(seen)[:6], round(seen.ball_score, 4)]


def row(s: Detection) -> list[float]:
    """t, x, y, d, sigma, dsigma, whether at rest."""
    px = (s.x_px, s.y_px, s.diameter_px, s.sigma_px, s.diameter_sigma_px)
    return [round(float(s.time_s), 5), *(round(float(v), 3) for v in px), int(s.at_rest)]


def told_clip(watched: Watched) -> dict[str, Any]:
    """What the clip is, and what the camera did."""
    info, still = watched.info, watched.stillness
    return {
        "clip": {
            "width_px": info.width_px,
            "height_px": info.height_px,
            "frames": watched.frames,
            "start_s": watched.start_s,
            "end_s": watched.end_s,
            "nominal_rate_hz": info.nominal_rate_hz,
            "slowed_by": info.slowed_by,
        },
        "stillness": {
            "verdict": still.verdict.value,
            "bumps_s": [round(float(t), 4) for t in still.bumps_s],
            "spans": [plain(asdict(s)) for s in still.spans],
            "samples": [
                [round(float(s.time_s), 4), plain(s.displacement), plain(s.registration)]
                for s in still.samples
            ],
            "message": still.message,
        },
        "breaks": [plain(asdict(b)) for b in watched.take.breaks],
        "problems": list(watched.problems),
    }


def told_record(watched: Watched) -> dict[str, Any]:
    """What the watcher keeps of the ball, save for its tracks: these are among the raw ones."""
    return {
        "resting": [resting(r) for r in watched.record.resting],
    }


def resting(r: RestingBall) -> dict[str, Any]:
    """A ball that came or left."""
    return {
        "sighting": row(r.sighting),
        "before_s": round(float(r.before_s), 5),
        "after_s": round(float(r.after_s), 5),
        "arrived": bool(r.arrived),
        "ball_score": round(float(r.ball_score), 5),
    }


def told_truth(truth: Truth) -> dict[str, Any]:
    """Everything true, with the frames as one table of every ball by number."""
    told: dict[str, Any] = plain(asdict(replace(truth, frames=[])))
    rows = []
    for f in truth.frames:
        balls = [list(o) for o in f.others_px]
        balls.insert(f.ball, [*f.centre_px, f.diameter_px, f.visible])
        rows.append([[two(v) for v in b] for b in balls])
    told["frames"] = {
        "time_s": [round(f.pts_s, 5) for f in truth.frames],
        "ball_in_play": [f.ball for f in truth.frames],
        "x_y_diameter_visible": rows,
    }
    return told


def two(value: float) -> float | None:
    """Rounded to a hundredth; nothing for what lies beyond any picture."""
    return round(value, 2) if abs(value) < 1e5 else None


def plain(value: Any) -> Any:
    """Numbers, words, lists and tables only."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [plain(v) for v in value]
    return value.value if hasattr(value, "value") else value


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), sys.argv[3])
