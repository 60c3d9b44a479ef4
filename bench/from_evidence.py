"""A set counted from its evidence, without pictures: the tool's own judge, stage and verdict.

Markers, stage and the ball's size are given from the truth, as a teacher would give them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import fmean
from typing import Any

import cv2
import numpy as np

from evidence import read_evidence
from judge_one import settings_of, told_set
from shoegoal.analysis.model import MarkersSource
from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.clip.stillness import Stillness, StillnessReport, StillSpan
from shoegoal.clip.take import Break, BreakKind
from shoegoal.errors import ShoegoalError
from shoegoal.pipeline.count import evidence_of, ground_in_view, marker_sigma_px
from shoegoal.pipeline.judging import (
    JudgedSet,
    conclude,
    judge_evidence,
    moved_camera_times,
    scene_record,
)
from shoegoal.shots.judge import sure_segments_beside
from shoegoal.types import Detection
from truth.arrays import Bytes


def count_of(path: Path) -> dict[str, Any]:
    """Count one file of evidence; what the accuracy table needs, or why there is none."""
    told = read_evidence(path)
    if told["refused"]:
        return {"refused": told["refused"]}
    try:
        return counted(told, yard_luma(path))
    except ShoegoalError as error:
        return {"refused": str(error)}


def yard_luma(path: Path) -> Bytes | None:
    """The yard without what moves, where it lies beside evidence of pictures."""
    settled = path.with_name(path.name.replace(".json.gz", ".settled.jpg"))
    return np.asarray(cv2.imread(str(settled), 0), np.uint8) if settled.exists() else None


def counted(told: dict[str, Any], luma: Bytes | None = None) -> dict[str, Any]:
    """Judge what was seen, as `shoegoal.pipeline.count.count_shots` does."""
    clip, settings = told["clip"], settings_of(told["truth"], given=True)
    assert settings.left_px is not None and settings.right_px is not None
    start_s, end_s, size_px = clip["start_s"], clip["end_s"], (clip["width_px"], clip["height_px"])
    breaks = [Break(BreakKind(b["kind"]), b["start_s"], b["end_s"]) for b in told["breaks"]]
    stillness = stillness_of(told)
    evidence = evidence_of(record_of(told), stillness, settings)
    evidence, ground = ground_in_view(evidence, size_px, luma, stillness)
    judged = judge_evidence(
        evidence,
        size_px,
        settings.stage,
        settings.left_px,
        settings.right_px,
        marker_sigma_px(stillness, size_px),
        breaks,
        start_s,
        ground,
    )
    doubts = moved_camera_times(stillness, start_s, end_s)
    _, verdict = conclude(
        settings.stage.rule, judged.shots, breaks, start_s, end_s, doubts, settings.confidence
    )
    scene = scene_record(judged.scene, MarkersSource.GIVEN, (), settings.stage.back_steps)
    return {
        **told_set(verdict, judged.shots, judged.left_out, scene, told["problems"]),
        **sure_stretches(judged),
        "same_at_0_px": told.get("same_at_0_px"),
    }


def sure_stretches(judged: JudgedSet) -> dict[str, int]:
    """Count the stretches of what surely is a moving ball, and those told of nowhere."""
    told_s = {shot.kick_time_s for shot in judged.shots}
    told_s |= {line.time_s for line in judged.left_out}
    shown = [event for event in judged.events if event.time_s in told_s]
    beside = sure_segments_beside(judged.story, shown)
    return {
        "sure": len(sure_segments_beside(judged.story, [])),
        "vanished": sum(segment.start_s not in told_s for segment in beside),
    }


def record_of(told: dict[str, Any]) -> BallRecord:
    """What the watcher kept."""
    tracks = []
    for track in told["raw_tracks"]:
        if not track["dropped"]:
            seen = tuple(sighting(row, row[6]) for row in track["seen"])
            tracks.append(BallTrack(seen, fmean(row[6] for row in track["seen"])))
    resting = [
        RestingBall(
            sighting(r["sighting"], r["ball_score"], at_rest=True),
            r["before_s"],
            r["after_s"],
            r["arrived"],
            r["ball_score"],
        )
        for r in told["record"]["resting"]
    ]
    return BallRecord(tuple(sorted(tracks, key=lambda t: t.end_s)), tuple(resting))


def sighting(row: Sequence[float], score: float, *, at_rest: bool = False) -> Detection:
    """One row of a track or a resting ball's."""
    time_s, x, y, diameter, sigma, diameter_sigma = row[:6]
    return Detection(time_s, x, y, diameter, sigma, diameter_sigma, at_rest, score)


def stillness_of(told: dict[str, Any]) -> StillnessReport:
    """How still the camera was, without the samples."""
    still = told["stillness"]
    spans = tuple(StillSpan(**span) for span in still["spans"])
    return StillnessReport(Stillness(still["verdict"]), spans, tuple(still["bumps_s"]), ())
