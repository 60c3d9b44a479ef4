"""The command line over a made-up count: run as a process, it can be held up and ended midway.

The pipeline itself is tested on rendered clips; here only what the command line makes of it.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from analysis_examples import example_analysis, example_stills, still_at
from shoegoal.analysis.model import Analysis
from shoegoal.pictures.stills import StillPicture
from shoegoal.pipeline.settings import CountSettings


@dataclass(frozen=True)
class MadeUpCount:
    analysis: Analysis
    stills: dict[int, list[StillPicture]]
    goal_still: StillPicture


def made_up_count(analysis: Analysis) -> MadeUpCount:
    stills = {shot.number: example_stills(shot, 0.5) for shot in analysis.shots}
    return MadeUpCount(analysis, stills, still_at(analysis.shots[0], analysis.clip.start_s, 0.5))


def pipeline(
    analysis: Analysis | None = None,
    error: BaseException | None = None,
    seen: list[CountSettings] | None = None,
) -> ModuleType:
    """Stand in for the module of the pipeline."""

    def analyse_clip(
        path: Path, settings: CountSettings, on_progress: Callable[[float], None] | None = None
    ) -> MadeUpCount:
        if seen is not None:
            seen.append(settings)
        if on_progress is not None:
            on_progress(0.5)
        if error is not None:
            raise error
        return made_up_count(analysis or example_analysis())

    module = ModuleType("shoegoal.pipeline.count")
    module.analyse_clip = analyse_clip  # type: ignore[attr-defined]
    return module


def main() -> None:
    # A shell that runs tests in the background has its children ignore interruptions.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.modules["shoegoal.pipeline.count"] = pipeline()
    from shoegoal.cli.main import cli
    from shoegoal.pictures import evidence

    draw_strip = vars(evidence)["draw_strip"]

    def held_up(*args: object, **named: object) -> object:
        # Says that the evidence is half done, then waits to be ended.
        print("half done", file=sys.stderr, flush=True)
        time.sleep(float(os.environ.get("HOLD_S", "0")))
        return draw_strip(*args, **named)

    if "HOLD_S" in os.environ:
        vars(evidence)["draw_strip"] = held_up
    cli(prog_name="shoegoal")


if __name__ == "__main__":
    main()
