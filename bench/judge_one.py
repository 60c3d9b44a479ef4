"""One evaluation clip counted in a process of its own: ``python judge_one.py CLIP TRUTH WAY...``.

A WAY to have the markers is ``found`` (the tool looks for them) or ``given`` (from the truth), or
both: watching the clip, which takes nearly all the time, is the same for either and done once. The
stage and the ball's size are told, as a teacher would tell them. Prints one line of JSON, an object
by way. The clip is decoded bare first, for the ratio of times.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from one_run import decoding
from shoegoal.analysis.model import Analysis, SceneRecord
from shoegoal.errors import ShoegoalError
from shoegoal.ladder.rules import MakesOfShots, Stage
from shoegoal.ladder.verdict import Verdict
from shoegoal.pipeline.count import count_shots
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import Watched, watch_clip
from shoegoal.scene.ball_size import BallSize
from shoegoal.shots.judge import LeftOut
from shoegoal.types import Estimate, ImagePoint, Shot

T = TypeVar("T")


def main(clip: Path, truth_path: Path, ways: Sequence[str]) -> None:
    """Count one clip and print what came out."""
    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    decode_wall_s, decode_cpu_s, _ = timed(decoding(clip))
    watch_wall_s, watch_cpu_s, watched = timed(lambda: tried(lambda: watch_clip(clip)))
    out = {}
    for way in ways:
        settings = settings_of(truth, given=way == "given")
        wall_s, cpu_s, found = timed(lambda s=settings: counted(clip, watched, s))
        out[way] = {
            **found,
            "wall_ratio": (watch_wall_s + wall_s) / decode_wall_s,
            "cpu_ratio": (watch_cpu_s + cpu_s) / decode_cpu_s,
            "cpu_s": watch_cpu_s + cpu_s,
            # In KiB on Linux.
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
    print(json.dumps(out))


def timed(work: Any) -> tuple[float, float, Any]:
    """Wall and CPU time of some work, and what it returned."""
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - wall_s, time.process_time() - cpu_s, result


def settings_of(truth: dict[str, Any], *, given: bool) -> CountSettings:
    """Stage and ball as the truth has them; the markers only where they are given."""
    asked = truth["stage"]
    rule = MakesOfShots(asked["rule"]["makes"], asked["rule"]["shots"])
    size = truth["ball"]["size"]
    stage = Stage("set", "Set", rule, asked["width_steps"], asked["back_steps"], size)
    left, right = (ImagePoint(*point) for point in truth["goal"]["inner_bases_px"])
    ball = BallSize(str(size))
    return CountSettings(stage, left, right, ball) if given else CountSettings(stage, ball=ball)


def tried(work: Callable[[], T]) -> T | str:
    """What some work gives, or the sentence with which the clip was refused."""
    try:
        return work()
    except ShoegoalError as error:
        return str(error)


def counted(clip: Path, watched: Watched | str, settings: CountSettings) -> dict[str, Any]:
    """What the accuracy table needs of the count, or why there is none."""
    if isinstance(watched, str):
        return {"refused": watched}
    analysis = tried(lambda: count_shots(clip, watched, settings).analysis)
    return {"refused": analysis} if isinstance(analysis, str) else told(analysis)


def told(analysis: Analysis) -> dict[str, Any]:
    """What the accuracy table needs of an analysis."""
    return told_set(
        analysis.verdict,
        analysis.shots,
        analysis.left_out,
        analysis.goal_scene,
        analysis.problems,
    )


def told_set(
    verdict: Verdict,
    shots: Sequence[Shot],
    left_out: Sequence[LeftOut],
    scene: SceneRecord,
    problems: Sequence[str],
) -> dict[str, Any]:
    """What the accuracy table needs of a set that was judged."""
    return {
        "refused": None,
        "decision": verdict.decision.value,
        "shots": [
            {
                "time_s": s.kick_time_s,
                "call": s.call.value,
                "outcome": s.outcome.value,
                "p_shot": s.p_shot,
                "p_make": s.p_make,
                "reason": s.reason,
            }
            for s in shots
        ],
        "left_out": [{"time_s": k.time_s, "why": k.why} for k in left_out],
        "width_m": pair(scene.goal_width_m),
        "distance_m": pair(scene.kick_distance_m),
        "markers_px": [[p.x_px, p.y_px] for p in (scene.left_px, scene.right_px)],
        "problems": list(problems),
    }


def pair(estimate: Estimate | None) -> list[float] | None:
    """Value and standard deviation."""
    return None if estimate is None else [estimate.value, estimate.sigma]


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3:])
