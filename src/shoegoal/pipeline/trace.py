"""Why a shot was called as it was: every threshold and intermediate score behind a count's calls.

It is worked out anew from the evidence that the analysis keeps, which gives the same to the last
bit, so the clip is not needed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from shoegoal.analysis.model import Analysis, Evidence
from shoegoal.errors import BadSettingsError
from shoegoal.shots import events as shot_events
from shoegoal.shots import judge as shot_judge
from shoegoal.shots.events import Event
from shoegoal.shots.ground import find_ground
from shoegoal.shots.judge import Judged, judge
from shoegoal.shots.rebounds import Between
from shoegoal.shots.runs import Run
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import Story
from shoegoal.shots.weights import Calibration, Weights, shipped_weights
from shoegoal.types import Shot
from shoegoal.written import replace_file

TRACE_FORMAT_VERSION = 1
LEAST_PAIRING = 0.01  # pairings less likely than this are left out


def write_trace(path: Path, analysis: Analysis) -> None:
    """Write a trace as JSON.

    Raises
    ------
    BadSettingsError
        The count keeps no evidence.
    OutputError
        The file cannot be written.
    """
    text = json.dumps(_plain(trace_of(analysis)), indent=1, ensure_ascii=False, allow_nan=False)
    replace_file(path, f"{text}\n".encode())


def trace_of(analysis: Analysis) -> dict[str, Any]:
    """Return everything that a count's calls were made from, ready for JSON.

    Parameters
    ----------
    analysis : of shots at a goal, with its evidence.

    Raises
    ------
    BadSettingsError
        The count keeps no evidence: it counts touches, or an older version made it.
    """
    evidence, scene = analysis.evidence, analysis.scene
    if evidence is None or scene is None:
        raise BadSettingsError(
            f"{analysis.clip.name}: this count keeps no evidence that could be traced. Counts of "
            "touches keep none; a count of shots that lacks it has to be made again."
        )
    weights = shipped_weights()
    judged = _judged_again(analysis, evidence)
    return {
        "format_version": TRACE_FORMAT_VERSION,
        "tool_version": analysis.tool_version,
        "clip": {"name": analysis.clip.name, "sha256": analysis.clip.sha256},
        "thresholds": {
            "call_from_p": shot_judge.CALL_AT,
            "ask_from_p_shot": shot_judge.ASK_AT,
            "least_p_unseen": shot_events.LEAST_UNSEEN,
            "one_kick_within_s": shot_events.ONE_KICK_S,
            "verdict_from_p": analysis.verdict.confidence,
        },
        "bounds": {
            "p_shot": _bounds(weights.shot_calibration),
            "p_make": _bounds(weights.make_calibration),
        },
        "segments": [_segment(n, one) for n, one in enumerate(judged.story.segments)],
        "pairings": list(_pairings(judged.story)),
        "events": [_event(one, judged, analysis.shots, weights) for one in judged.events],
    }


def _judged_again(analysis: Analysis, evidence: Evidence) -> Judged:
    scene, stage = analysis.goal_scene, analysis.stage
    size_px = analysis.clip.width_px, analysis.clip.height_px
    ground = find_ground(evidence.record, size_px, ball=evidence.ball, lens=evidence.lens)
    return judge(
        evidence.record,
        ground,
        size_px,
        scene.left_px,
        scene.right_px,
        ball=evidence.ball,
        lens=evidence.lens,
        width_steps=stage.width_steps,
        back_steps=stage.back_steps,
        marker_sigma_px=scene.marker_sigma_px,
        start_s=analysis.clip.start_s,
    )


def _bounds(calibration: Calibration) -> list[dict[str, Any]]:
    """List the classes of a probability, each with its counts and what it has earned."""
    edges = [0.0, *calibration.edges, 1.0]
    return [
        {
            "from_p": edges[k],
            "to_p": edges[k + 1],
            "checked": checked,
            "came_true": calibration.came_true[k],
            "earned": calibration.of((edges[k] + edges[k + 1]) / 2),
        }
        for k, checked in enumerate(calibration.checked)
    ]


def _segment(number: int, segment: Segment) -> dict[str, Any]:
    start_m, end_m = segment.stretch.centre_m([segment.start_s, segment.end_s])
    return {
        "number": number,
        "motion": segment.stretch.motion.name.lower(),
        "lies": segment.lies,
        "start_s": segment.start_s,
        "end_s": segment.end_s,
        "start_m": _numbers(start_m),
        "end_m": _numbers(end_m),
        "sightings": len(segment.stretch.sightings),
        "ball_log_odds": segment.ball_log_odds,
    }


def _pairings(story: Story) -> Iterable[dict[str, Any]]:
    """List which segment may follow which, how likely, and what happened between them."""
    for i, j in np.argwhere(story.follows[:-1] >= LEAST_PAIRING).tolist():
        yield {
            "segment": i,
            "followed_by": j,
            "p": float(story.follows[i, j]),
            "between": {
                kind.name.lower(): float(story.between[i, j, kind])
                for kind in Between
                if story.between[i, j, kind] > 0
            },
        }


def _event(
    event: Event, judged: Judged, shots: tuple[Shot, ...], weights: Weights
) -> dict[str, Any]:
    number = next((s.number for s in shots if s.kick_time_s == event.time_s), None)
    crossing = None
    if event.crossing is not None:
        crossing = asdict(event.crossing)
        crossing["p_make_bounded"] = weights.make_calibration.bound(event.crossing.p_make)
    return {
        "shot": number,
        "time_s": event.time_s,
        "end_s": event.end_s,
        "spot_m": _numbers(event.spot_m),
        "p_shot": event.p_shot,
        "run": None if event.run is None else _run(event.run),
        "stay": _number_of(event.stay, judged.story),
        "features": _numbers(event.features),
        "crossing": crossing,
    }


def _run(run: Run) -> dict[str, Any]:
    return {
        "segments": list(run.numbers),
        "p_goes_on": _numbers(run.chances),
        "joints_s": _numbers(run.joints_s),
        "met_something": list(run.met),
        "p_begins": run.p_begins,
        "ball_log_odds": run.ball_log_odds,
    }


def _number_of(segment: Segment | None, story: Story) -> int | None:
    return next((n for n, one in enumerate(story.segments) if one is segment), None)


def _numbers(values: Iterable[float]) -> list[float]:
    return [float(value) for value in values]


def _plain(value: Any) -> Any:
    """Return values that JSON has: infinity becomes null."""
    if isinstance(value, dict):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
