"""Kept evidence is judged as the clip itself was; what is drawn is placed as a camera sees it."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from counted_sample import counted_side_view
from donors import in_metres
from drawn import in_picture
from evidence_one import raw_row, resting
from from_evidence import counted
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.pipeline.judging import recount_with_markers
from shoegoal.scene.ball_size import BallSize
from truth.catalogue import drawn_sets
from truth.record import camera_record
from truth.stage import set_stage


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
    rows = [[raw_row(s) for s in track.sightings] for track in record.tracks]
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


def test_what_is_lent_to_another_yard_is_placed_as_a_camera_sees_it() -> None:
    yards = [set_stage(s.scene()) for s in drawn_sets("develop", 0, 2)]
    told: list[dict[str, Any]] = [
        {
            "camera": camera_record(y.camera),
            "ball": {"diameter_m": 2.0 * y.body.radius_m},
            "goal": {"back_m": y.scene.back_m},
            "width_px": y.camera.width_px,
            "height_px": y.camera.height_px,
        }
        for y in yards
    ]
    at = np.array([0.3, -2.0, 0.11])  # inner frame
    (x, y), d = yards[0].camera.project(at), float(yards[0].camera.diameter_px(at, 0.22))
    told[0]["ball"]["diameter_m"] = 0.22
    row = in_metres(told[0], [7.5, x, y, d, 0.01 * d, 0.02 * d], 0.9, kick_s=7.0)
    want = (0.5, 0.3, 2.0 / yards[0].scene.back_m, 0.11, 0.22, 0.01, 0.02, 0.9)
    assert row == pytest.approx(want)
    # In the other yard it lies as far from its goal, as a share of the way to the kick line.
    there = np.array([0.3, -row[2] * yards[1].scene.back_m, 0.11])
    seen = in_picture(told[1], row)
    assert seen is not None
    assert seen[:2] == pytest.approx(tuple(yards[1].camera.project(there)))
    assert seen[2] == pytest.approx(float(yards[1].camera.diameter_px(there, 0.22)))
    assert seen[3:] == pytest.approx((0.01 * seen[2], 0.02 * seen[2]))
