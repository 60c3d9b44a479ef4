"""A class: clips an hour, CPU time for a minute of film, and what a second worker brings.

``python bench class`` counts copies of one sample clip with one worker, then with two, in turn. The
machine should have nothing else to do; where it has, the CPU times are the steadier figures.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import click

from shoegoal.clip.reader import open_clip
from shoegoal.ladder.rules import FirstMakes, Stage
from shoegoal.scale.tasks import CountTask, count_clip, run_in_processes
from shoegoal.threads import usable_cores

SAMPLE = Path(__file__).resolve().parents[1] / "sample_clips" / "portrait_vfr.mp4"
STAGE = Stage("set", "set", FirstMakes(1), 3, 10, ball_size=4)  # as the sample was set up


@dataclass(frozen=True, slots=True)
class Cost:
    """One run over all copies.

    Attributes
    ----------
    workers, clips, film_min : what was counted, by how many processes.
    wall_s : from the start of the pool to the last result; processes' starting included.
    cpu_s : of the counting itself.
    """

    workers: int
    clips: int
    film_min: float
    wall_s: float
    cpu_s: float

    @property
    def clips_per_hour(self) -> float:
        return 3600 * self.clips / self.wall_s

    @property
    def cpu_s_per_film_min(self) -> float:
        return self.cpu_s / self.film_min


@click.command("class")
@click.option("--copies", default=4, show_default=True, help="Clips to count in each run.")
@click.option("--clip", default=SAMPLE, type=click.Path(path_type=Path), help="What to copy.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")
def class_cost(copies: int, clip: Path, as_json: bool) -> None:
    """Count copies of a clip with one worker and with two."""
    with open_clip(clip) as opened:
        film_min = copies * (opened.info.duration_s or 0.0) / 60
    costs = [measured(clip, copies, film_min, workers) for workers in (1, 2)]
    ratio = costs[0].wall_s / costs[1].wall_s
    if as_json:
        runs = [asdict(cost) for cost in costs]
        click.echo(json.dumps({"cores": usable_cores(), "runs": runs, "wall_ratio": ratio}))
        return
    for cost in costs:
        click.echo(
            f"{cost.workers} worker(s): {cost.clips} clips, {cost.film_min:.1f} min of film in "
            f"{cost.wall_s:.0f} s: {cost.clips_per_hour:.0f} clips an hour, "
            f"{cost.cpu_s_per_film_min:.0f} s of CPU time for a minute of film"
        )
    click.echo(f"two workers are {ratio:.2f} times as fast as one, on {usable_cores()} cores")


def measured(clip: Path, copies: int, film_min: float, workers: int) -> Cost:
    """Count all copies once."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tasks = []
        for number in range(copies):
            copy = folder / f"clip {number}{clip.suffix}"
            shutil.copyfile(clip, copy)
            tasks.append(CountTask(str(number), copy, copy.with_suffix(".shoegoal"), STAGE))
        began = time.perf_counter()
        done = list(run_in_processes(tasks, count_clip, workers, lambda key, share: None))
        wall_s = time.perf_counter() - began
    for one in done:
        if one.trouble is not None:
            raise click.ClickException(one.trouble)
    return Cost(workers, copies, film_min, wall_s, sum(one.cpu_s for one in done))


if __name__ == "__main__":
    class_cost()
