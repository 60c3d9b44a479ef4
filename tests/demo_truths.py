"""What is true of the demo's clips, and what of it a count got wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from shoegoal.analysis.model import Analysis
from shoegoal.types import Call, EventKind

TRUTH_FILE = Path(__file__).with_name("demo_truth.json")
SAME_KICK_S = 0.15
SAME_TOUCH_S = 0.15
START_LATE_S = 0.5  # of a first push, the moment is seen late


def demo_truth() -> dict[str, dict[str, Any]]:
    """Truth by the clip's name without its ending; written by `truth.demo_clips`."""
    truth: dict[str, dict[str, Any]] = json.loads(TRUTH_FILE.read_text(encoding="utf-8"))
    return truth


def wrong_calls(analysis: Analysis) -> list[str]:
    """Say what was called otherwise than it was; an unsure call is no wrong one."""
    truth = demo_truth()[Path(analysis.clip.name).stem]
    if "touches_s" in truth:
        return _wrong_touches(analysis, truth)
    wrong = []
    if len(analysis.shots) != len(truth["shots"]):
        wrong.append(f"{len(analysis.shots)} shots, truly {len(truth['shots'])}")
    for shot, true in zip(analysis.shots, truth["shots"], strict=False):
        if shot.call is Call.UNSURE:
            continue
        if abs(shot.kick_time_s - true["kick_time_s"]) > SAME_KICK_S:
            wrong.append(f"kick at {shot.kick_time_s:.2f} s, truly {true['kick_time_s']:.2f} s")
        truly = Call.MAKE if true["is_make"] else Call.MISS
        if shot.call is not truly:
            wrong.append(f"shot {shot.number} called {shot.call.value}, truly {truly.value}")
    return wrong


def _wrong_touches(analysis: Analysis, truth: dict[str, Any]) -> list[str]:
    first, *later = truth["touches_s"]
    wrong = []
    for event in analysis.shots:
        time_s = event.kick_time_s
        if event.kind is EventKind.LOSS:
            if event.call is Call.MAKE:
                wrong.append(f"a loss at {time_s:.2f} s, truly none")
        elif event.call is Call.MAKE and not (
            -SAME_TOUCH_S <= time_s - first <= START_LATE_S
            or any(abs(time_s - true_s) <= SAME_TOUCH_S for true_s in later)
        ):
            wrong.append(f"a touch at {time_s:.2f} s, truly none")
    return wrong
