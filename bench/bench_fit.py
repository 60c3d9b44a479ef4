"""How long `fit` takes beside a bare decode of the same clip: ``python bench/bench_fit.py``.

On the clips of `bench_count` (1 and 10 minutes, 1080p at 30 a second), each run in a fresh process.
Where the machine has other things to do, the ratio of CPU times is the steadier one.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

import click

from bench_count import WORDS, Figures, clip_of, clip_options, measured

KINDS = ("decode", "fit")
TARGET_RATIO = 0.3


@click.command()
@click.option("--quick", is_flag=True, help="10 s of clip and one run.")
@clip_options
def main(quick: bool, tiny: bool, as_json: bool, cache: Path) -> None:
    """Time the filming check beside a bare decode."""
    lengths = ((10, 1),) if quick else ((60, 3), (600, 1))
    figures: list[Figures] = []
    for seconds, runs in lengths:
        figures += measured(clip_of(seconds, cache, tiny), seconds, KINDS, runs)
    if as_json:
        click.echo(json.dumps({"cores": os.cpu_count(), "runs": [asdict(f) for f in figures]}))
        return
    for f in figures:
        click.echo(
            f"{WORDS[f.kind]:14} {f.clip_s:4.0f} s  {f.wall_s:6.1f} s wall  {f.cpu_s:6.1f} s CPU  "
            f"{f.wall_ratio:5.2f} x wall  {f.cpu_ratio:5.2f} x CPU  {f.peak_mb:4.0f} MB  {f.found}"
        )
    click.echo(f"target: {TARGET_RATIO} x wall")


if __name__ == "__main__":
    main()
