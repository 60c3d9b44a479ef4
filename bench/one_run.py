"""One measured run in a process of its own: ``python bench/one_run.py KIND CLIP``.

KIND is ``decode`` (PyAV alone), ``analysis`` (the tally), ``evidence`` (the tally, then the
result folder written), ``fit`` (the filming check) or ``stages`` (the tally on one
thread, timed stage by stage). Prints one line of JSON.
Starting Python and loading libraries is left out of the times; the peak memory is the whole
process's.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shoegoal.pipeline.settings import CountSettings
    from shoegoal.types import Shot

TRUTH = Path(__file__).resolve().parents[1] / "sample_clips" / "behind_six.truth.json"


def main(kind: str, clip: Path) -> None:
    """Measure one run and print it."""
    if kind == "decode":
        work = decoding(clip)
    elif kind == "fit":
        work = fitting(clip)
    else:
        work = counting(clip, writes=kind == "evidence")
    stages: dict[str, float] = {}
    if kind == "stages":
        from stages import stages_of

        count = work

        def work() -> str:
            found, spent_s = stages_of(count)
            stages.update(spent_s)
            return found

    wall_s, cpu_s = time.perf_counter(), time.process_time()
    found = work()
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # in KiB on Linux
    line = {"wall_s": wall_s, "cpu_s": cpu_s, "peak_mb": peak_mb, "found": found}
    print(json.dumps({**line, "stages": stages}))


def decoding(clip: Path) -> Callable[[], str]:
    """Return the work of decoding every picture and doing nothing with it."""
    import av

    def work() -> str:
        with av.open(str(clip)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"  # as shoegoal's reader has it
            frames = sum(1 for _ in container.decode(stream))
        return f"{frames} pictures"

    return work


def fitting(clip: Path) -> Callable[[], str]:
    """Return the work of checking a clip's filming and drawing the still."""
    from shoegoal.filming_check.answer import check_clip
    from shoegoal.filming_check.picture import draw_check, encoded

    settings = replace(settings_for(clip), left_px=None, right_px=None)

    def work() -> str:
        check = check_clip(clip, settings)
        encoded(draw_check(check))
        sampled = check.facts.sampled
        return f"{sampled.watched} of {sampled.pictures} pictures; {check.headline}"

    return work


def counting(clip: Path, *, writes: bool) -> Callable[[], str]:
    """Return the work of counting a clip; ``writes`` adds the result folder with its pictures."""
    from shoegoal.errors import ShoegoalError
    from shoegoal.pictures.evidence import write_result
    from shoegoal.pipeline.count import analyse_clip

    settings = settings_for(clip)

    def work() -> str:
        try:
            counted = analyse_clip(clip, settings)
        except ShoegoalError as error:  # a clip may be too short to hold what a count needs
            return f"refused: {error}"
        if writes:
            with tempfile.TemporaryDirectory() as folder:
                result = Path(folder) / "bench.shoegoal"
                write_result(result, counted.analysis, counted.stills, counted.goal_still)
        return tally_of(counted.analysis.shots)

    return work


def tally_of(shots: Sequence[Shot]) -> str:
    """Say how many shots were called what."""
    calls = [str(shot.call) for shot in shots]
    return ", ".join(f"{calls.count(call)} {call}" for call in sorted(set(calls))) or "no shots"


def settings_for(clip: Path) -> CountSettings:
    """Return the sample clip's stage and markers, moved to where the enlarged picture has them."""
    import av

    from shoegoal.ladder.rules import FirstMakes, Stage
    from shoegoal.pipeline.settings import CountSettings
    from shoegoal.types import ImagePoint

    truth = json.loads(TRUTH.read_text(encoding="utf-8"))
    with av.open(str(clip)) as container:
        zoom = container.streams.video[0].width / truth["width_px"]
    # Pixel centres are whole numbers, so the picture's edge lies at -0.5 before and after.
    left, right = (
        ImagePoint((x + 0.5) * zoom - 0.5, (y + 0.5) * zoom - 0.5)
        for x, y in truth["goal"]["inner_bases_px"]
    )
    asked = truth["stage"]
    stage = Stage("bench", "Bench", FirstMakes(1000), asked["width_steps"], asked["back_steps"])
    return CountSettings(stage, left, right)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
