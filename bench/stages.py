"""Where a count's time goes: CPU time stage by stage, all on one thread."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable
from functools import wraps
from typing import Any

# What is timed, innermost last; what a stage calls of another is the other's.
STAGES: tuple[tuple[str, str, str], ...] = (
    ("decode", "shoegoal.pipeline.watching:Clip", "frames"),
    ("small picture", "shoegoal.pipeline.watching:", "small_frame"),
    ("is the camera still", "shoegoal.clip.stillness:StillnessWatcher", "update"),
    ("breaks and fingerprint", "shoegoal.clip.take:TakeWatcher", "update"),
    ("what moves", "shoegoal.ball.motion:MotionWatcher", "update"),
    ("background model", "shoegoal.ball.background:BackgroundModel", "update"),
    ("what changed for good", "shoegoal.ball.background:ChangeFinder", "update"),
    ("ball windows cut out", "shoegoal.ball.ball_net:", "look_through"),
    ("ball network", "shoegoal.ball.ball_net:", "run_network"),
    ("lying balls, tracks", "shoegoal.ball.watch:BallWatcher", "follow"),
    ("stills put by", "shoegoal.pictures.stills:PictureKeeper", "add"),
    ("ground and lens", "shoegoal.pipeline.count:", "ground_in_view"),
    ("markers", "shoegoal.pipeline.count:", "_markers"),
    ("the judging", "shoegoal.pipeline.count:", "judge_evidence"),
)


class Stopwatch:
    """CPU seconds by stage, each without those that it calls."""

    def __init__(self) -> None:
        self.spent_s: dict[str, float] = defaultdict(float)
        self._inner_s: list[float] = []

    def timed(self, stage: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Return the same work, timed."""

        @wraps(work)
        def run(*args: Any, **more: Any) -> Any:
            began_s = time.thread_time()
            self._inner_s.append(0.0)
            try:
                return work(*args, **more)
            finally:
                whole_s = time.thread_time() - began_s
                self.spent_s[stage] += whole_s - self._inner_s.pop()
                if self._inner_s:
                    self._inner_s[-1] += whole_s

        return run

    def timed_items(self, stage: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Return the same iteration, each of its steps timed."""

        @wraps(work)
        def iterate(*args: Any, **more: Any) -> Any:
            items = iter(work(*args, **more))
            step = self.timed(stage, lambda: next(items, None))
            while (item := step()) is not None:
                yield item

        return iterate


def time_stages() -> Stopwatch:
    """Put a stopwatch to every stage, and keep the count to this thread."""
    from importlib import import_module

    from shoegoal.clip.reader import Clip
    from shoegoal.threads import limit_threads

    limit_threads(1)
    watch = Stopwatch()
    for stage, where, name in STAGES:
        module, _, holder = where.partition(":")
        owner = Clip if holder == "Clip" else import_module(module)
        owner = getattr(owner, holder) if holder not in ("", "Clip") else owner
        wrap = watch.timed_items if name == "frames" else watch.timed
        setattr(owner, name, wrap(stage, getattr(owner, name)))
    return watch


def stages_of(count: Callable[[], str]) -> tuple[str, dict[str, float]]:
    """Count a clip; what was found, and CPU seconds by stage."""
    watch = time_stages()
    began_s = time.thread_time()
    found = count()
    rest_s = time.thread_time() - began_s - sum(watch.spent_s.values())
    return found, {**watch.spent_s, "the rest": rest_s}
