"""Kept evidence is judged as the clip itself was: the same shots, calls and verdict."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from counted_sample import counted_side_view
from evidence_one import raw_row, resting
from from_evidence import counted
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.analysis.recount import recount_with_markers
from shoegoal.ball.tracks import Seen
from shoegoal.scene.ball_size import BallSize


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    (file,) = Path(counted_side_view(tmp_path_factory)).glob("*.json")
    counted_so = load_analysis(file)
    assert counted_so.evidence is not None
    # The sets tell the ball's size.
    return replace(counted_so, evidence=replace(counted_so.evidence, ball=BallSize("5")))


def evidence_of(analysis: Analysis) -> dict[str, Any]:
    """The analysis' own evidence as `bench evidence` would write it."""
    assert analysis.evidence is not None
    record, clip, scene = analysis.evidence.record, analysis.clip, analysis.goal_scene
    rows = [[raw_row(Seen(s, s.ball_score)) for s in track.sightings] for track in record.tracks]
    return {
        "refused": None,
        "clip": asdict(clip),
        "breaks": [],
        "stillness": {"verdict": "still", "bumps_s": [], "spans": []},
        "problems": [],
        "raw_tracks": [{"dropped": False, "seen": row} for row in rows],
        "record": {"resting": [resting(r) for r in record.resting]},
        "truth": {
            "goal": {"inner_bases_px": [[p.x_px, p.y_px] for p in (scene.left_px, scene.right_px)]},
            "stage": {"rule": {"makes": 2, "shots": 4}, "width_steps": 3, "back_steps": 10},
            "ball": {"size": int(analysis.evidence.ball.value)},
        },
    }


def test_evidence_gives_the_count_that_its_clip_gave(analysis: Analysis) -> None:
    scene = analysis.goal_scene
    again = recount_with_markers(analysis, scene.left_px, scene.right_px)
    told = counted(evidence_of(analysis))
    assert told["decision"] == again.verdict.decision.value
    assert [s["call"] for s in told["shots"]] == [s.call.value for s in again.shots]
    for ours, its in zip(told["shots"], again.shots, strict=True):
        # Evidence is kept to a thousandth of a pixel.
        assert ours["p_make"] == pytest.approx(its.p_make, abs=0.01)
        assert ours["time_s"] == pytest.approx(its.kick_time_s, abs=0.01)
