"""How long a count takes beside a bare decode of the same clip, and how much memory it holds.

``python bench/bench_count.py`` makes its clips once (in ``.cache/bench``), then runs the bare
decode, the count and the count with its evidence in turn, each in a fresh process, and prints
medians and ratios. The machine should have nothing else to do; where it has, the ratio of CPU
times is the steadier one.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median

import click

# This process stays small and makes no clip itself: on Linux a child's ru_maxrss starts from what
# its parent held when it was started.
HERE = Path(__file__).resolve().parent
CACHE = HERE.parent / ".cache" / "bench"
SAMPLE, SAMPLE_S = HERE.parent / "sample_clips" / "behind_six.mp4", 66  # 1280x720, cheap to decode
KINDS = ("decode", "analysis", "evidence", "stages")
WORDS = {
    "decode": "bare decode",
    "analysis": "whole analysis",
    "evidence": "analysis and evidence",
    "stages": "analysis, one thread",
    "fit": "filming check",
}
TARGET_RATIO, TARGET_CPU_RATIO = 1.5, 2.5
TARGET_MB, TARGET_OWN_MS = 500, 5.0


@dataclass(frozen=True, slots=True)
class Figures:
    """Medians of the runs of one kind on one clip.

    Attributes
    ----------
    clip, clip_s : its name and length.
    runs : how many the medians are of.
    wall_s, cpu_s : times, starting up left out.
    own_ms : CPU time a picture, the bare decode's left out.
    wall_ratio, cpu_ratio : the same over those of the bare decode.
    peak_mb : largest resident memory of any run, MiB.
    found : what the last run reported.
    stages_ratio : CPU time of every stage over that of the bare decode, where it was taken.
    """

    kind: str
    clip: str
    clip_s: float
    runs: int
    wall_s: float
    cpu_s: float
    own_ms: float
    wall_ratio: float
    cpu_ratio: float
    peak_mb: float
    found: str
    stages_ratio: dict[str, float]


def clip_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options of every benchmark on these clips."""
    options = (
        click.option(
            "--tiny", is_flag=True, help="320x180 pictures; only shows that the script runs."
        ),
        click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table."),
        click.option(
            "--cache",
            type=click.Path(path_type=Path, file_okay=False),
            default=CACHE,
            help="Where the clips are kept.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command()
@click.option("--quick", is_flag=True, help="10 s of clip, decoded and counted once, no long clip.")
@click.option("--runs", default=3, show_default=True, help="Runs of each kind on the short clip.")
@clip_options
def main(quick: bool, runs: int, tiny: bool, as_json: bool, cache: Path) -> None:
    """Time the count beside a bare decode; measure memory at 1 and at 10 minutes."""
    runs = 1 if quick else runs
    seconds, kinds = (10, ("decode", "evidence", "stages")) if quick else (60, KINDS)
    figures = measured(clip_of(seconds, cache, tiny), seconds, kinds, runs)
    if not quick:
        figures += measured(SAMPLE, SAMPLE_S, ("decode", "analysis"), runs)
        # Memory only: that it does not grow with the clip.
        figures += measured(clip_of(600, cache, tiny), 600, ("decode", "evidence"), 1)
    if as_json:
        click.echo(json.dumps({"cores": os.cpu_count(), "runs": [asdict(f) for f in figures]}))
    else:
        print_table(figures)


def clip_of(seconds: int, cache: Path, tiny: bool) -> Path:
    """Return the benchmark's clip of that length, made when it is not there yet."""
    size = ("--tiny",) if tiny else ()
    clip = cache / f"{'tiny' if tiny else '1080p'}_{seconds}s.mp4"
    if not clip.exists():
        click.echo(f"making {clip.name}", err=True)
        command = [sys.executable, str(HERE / "make_clip.py"), str(clip), str(seconds), *size]
        subprocess.run(command, check=True)
    return clip


def measured(clip: Path, clip_s: float, kinds: tuple[str, ...], runs: int) -> list[Figures]:
    """Run every kind in turn, over and over, so that a slow spell of the machine hits them all."""
    lines: dict[str, list[dict[str, float]]] = {kind: [] for kind in kinds}
    found: dict[str, str] = {}
    stages: dict[str, list[dict[str, float]]] = {kind: [] for kind in kinds}
    for number in range(runs):
        for kind in kinds:
            click.echo(f"{clip.name}: {WORDS[kind]}, run {number + 1} of {runs}", err=True)
            command = [sys.executable, str(HERE / "one_run.py"), kind, str(clip)]
            said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
            line = json.loads(said.splitlines()[-1])
            found[kind] = line.pop("found")
            stages[kind].append(line.pop("stages"))
            lines[kind].append(line)
    ratios = {
        (kind, key): median(
            line[key] / bare[key] for line, bare in zip(lines[kind], lines["decode"], strict=True)
        )
        for kind in kinds
        for key in ("wall_s", "cpu_s")
    }
    pictures = int(found["decode"].split()[0])
    return [
        Figures(
            kind,
            clip.stem,
            clip_s,
            runs,
            median(line["wall_s"] for line in lines[kind]),
            median(line["cpu_s"] for line in lines[kind]),
            1000
            * median(
                (line["cpu_s"] - bare["cpu_s"]) / pictures
                for line, bare in zip(lines[kind], lines["decode"], strict=True)
            ),
            ratios[kind, "wall_s"],
            ratios[kind, "cpu_s"],
            max(line["peak_mb"] for line in lines[kind]),
            found[kind],
            {
                stage: median(
                    run[stage] / bare["cpu_s"]
                    for run, bare in zip(stages[kind], lines["decode"], strict=True)
                )
                for stage in stages[kind][0]
            },
        )
        for kind in kinds
    ]


def print_table(figures: list[Figures]) -> None:
    """Print the figures for people."""
    click.echo(f"{os.cpu_count()} cores; times are medians, ratios medians of runs side by side")
    click.echo(
        f"{'':22} {'clip':12} {'':>5} {'runs':>4} {'wall':>8} {'CPU':>8} {'a picture':>9} "
        f"{'x wall':>7} {'x CPU':>7} {'peak':>8}"
    )
    for f in figures:
        click.echo(
            f"{WORDS[f.kind]:22} {f.clip:12} {f.clip_s:3.0f} s {f.runs:4d} {f.wall_s:6.1f} s "
            f"{f.cpu_s:6.1f} s {f.own_ms:6.2f} ms {f.wall_ratio:7.2f} {f.cpu_ratio:7.2f} "
            f"{f.peak_mb:5.0f} MB  {f.found}"
        )
    for f in figures:
        for stage, ratio in sorted(f.stages_ratio.items(), key=lambda one: -one[1]):
            click.echo(f"  {stage:30} {ratio:7.2f} x CPU")
    click.echo(
        f"targets: {TARGET_RATIO} x wall and {TARGET_CPU_RATIO} x CPU for the whole analysis, "
        f"{TARGET_OWN_MS:.0f} ms of CPU a picture beside the decode, {TARGET_MB} MB, not growing"
    )


if __name__ == "__main__":
    main()
