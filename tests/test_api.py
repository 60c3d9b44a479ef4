"""The public functions: their examples run on a sample clip, and a count can be traced."""

from __future__ import annotations

import doctest
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import shoegoal
from analysis_examples import example_analysis
from demo_truths import wrong_calls
from shoegoal.demo import run as demo_run
from shoegoal.errors import BadSettingsError, ClipUnreadableError
from shoegoal.pipeline.trace import trace_of
from shoegoal.shots.weights import shipped_weights

CLIP = demo_run.SHIPPED / "Newt 15_two-in-a-row.mp4"


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which the examples are at home, once they have run there."""
    folder = tmp_path_factory.mktemp("yard")
    shutil.copy(CLIP, folder / "yard.mp4")
    shutil.copy(demo_run.LADDER_FILE, folder / "ladder.toml")
    before = Path.cwd()
    os.chdir(folder)
    try:
        failed, tried = doctest.testmod(shoegoal, extraglobs={"shoegoal": shoegoal})
    finally:
        os.chdir(before)
    assert failed == 0 and tried >= 10
    return folder


def test_the_examples_run_and_their_calls_are_true(yard: Path) -> None:
    analysis = shoegoal.load(yard / "yard.shoegoal")
    named = replace(analysis, clip=replace(analysis.clip, name=CLIP.name))
    assert wrong_calls(named) == []


def test_a_trace_holds_every_score_behind_the_calls(yard: Path) -> None:
    analysis = shoegoal.load(yard / "yard.shoegoal")
    trace = json.loads((yard / "trace.json").read_text(encoding="utf-8"))
    assert trace == json.loads(json.dumps(trace_of(analysis)))
    assert trace["thresholds"]["call_from_p"] == 0.97
    by_shot = {one["shot"]: one for one in trace["events"] if one["shot"] is not None}
    assert sorted(by_shot) == [shot.number for shot in analysis.shots]
    for shot in analysis.shots:
        event = by_shot[shot.number]
        assert (event["p_shot"], event["crossing"]["p_make_bounded"]) == (shot.p_shot, shot.p_make)
        assert event["p_shot"] >= 0.03
        assert all(0 <= n < len(trace["segments"]) for n in event["run"]["segments"])
    assert all(0 < one["p"] <= 1 for one in trace["pairings"])
    classes = trace["bounds"]["p_make"]
    assert [one["checked"] for one in classes] == list(shipped_weights().make_calibration.checked)
    assert (classes[0]["from_p"], classes[-1]["to_p"]) == (0.0, 1.0)


def test_what_cannot_be_done_is_said_by_an_exception(tmp_path: Path) -> None:
    with pytest.raises(ClipUnreadableError, match="does not exist"):
        shoegoal.count(tmp_path / "none.mp4", stage="five-of-ten")
    with pytest.raises(BadSettingsError, match="no stage"):
        shoegoal.count(CLIP, stage="no-such-stage")
    with pytest.raises(BadSettingsError, match="one marker alone"):
        shoegoal.check(CLIP, left=(1, 2))
    with pytest.raises(BadSettingsError, match="not a size of a ball"):
        shoegoal.check(CLIP, ball="6")
    with pytest.raises(BadSettingsError, match="keeps no evidence"):
        trace_of(example_analysis())


def test_importing_loads_nothing_that_takes_time() -> None:
    code = "import shoegoal, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "cv2", "av", "scipy", "click"} & set(done.stdout.split())
