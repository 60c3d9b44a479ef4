"""What the watcher sees of the evaluation sets, kept beside the truth: ``python bench evidence``.

Each chosen set is rendered into a temporary folder, watched once, and told in one small file,
``NAME.json.gz``; the clip is thrown away. What is there already, made from the same scene by the
same source, is left alone, so that a run that was stopped goes on where it was.
"""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import click

from accuracy import SOURCE, tree_hash
from evaluation import ROOT, choice_options
from truth.catalogue import EvaluationSet, chosen
from truth.shelf import Shelved

ONE = Path(__file__).resolve().parent / "evidence_one.py"
WATCHES = ("clip", "ball")  # the floors that the evidence comes from
TRACED_COSTS = 1.5  # times a painted frame
# One process a set: more threads would only get into each other's way.
ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "MKL_NUM_THREADS"), "1"
)


@click.command()
@choice_options
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True)
@click.option("--jobs", type=click.IntRange(1), default=1, help="So many sets at a time.")
@click.option("--start-within-s", type=float, default=float("inf"), help="Then begin no more.")
@click.option("--give-up-s", type=float, default=1800.0, help="On one set, after so long.")
def evidence(
    only: tuple[str, ...],
    split: Any,
    limit: int | None,
    cache: Path,
    out: Path,
    jobs: int,
    start_within_s: float,
    give_up_s: float,
) -> None:
    """Render and watch the evaluation sets, and keep what was seen beside the truth."""
    begun, tree = time.monotonic(), watching_tree()
    out.mkdir(parents=True, exist_ok=True)
    wanted = [s for s in chosen(only, split, limit) if not is_kept(out / kept_name(s), s, tree)]
    # Of each half the longest first, so that all end together.
    wanted.sort(key=lambda s: (s.split, -likely_cost(s)))

    def make(one: EvaluationSet) -> str:
        if time.monotonic() - begun > start_within_s:
            return f"{one.name}: not begun"
        command = [sys.executable, str(ONE), one.name, str(out), tree]
        environment = {
            **os.environ,
            **ONE_THREAD,
            "PYTHONPATH": os.pathsep.join(str(ROOT / p) for p in ("src", "tests", "bench"))
            + os.pathsep
            + os.environ.get("PYTHONPATH", ""),
        }
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=give_up_s, env=environment
            )
        except subprocess.TimeoutExpired:
            return f"{one.name}: given up after {give_up_s:.0f} s"
        if done.returncode:
            return f"{one.name}: failed\n{done.stderr[-1500:]}"
        return done.stdout.strip()

    with ThreadPoolExecutor(jobs) as pool:
        for done in as_completed([pool.submit(make, one) for one in wanted]):
            click.echo(f"{time.monotonic() - begun:6.0f} s  {done.result()}", err=True)


def watching_tree() -> str:
    """Stand for the source that the evidence comes from."""
    return tree_hash(SOURCE / floor for floor in WATCHES)


def kept_name(one: EvaluationSet) -> str:
    """File name of a set's evidence."""
    return f"{one.file_name}.json.gz"


def is_kept(path: Path, one: EvaluationSet, tree: str) -> bool:
    """Whether a file holds what this source sees of this very scene."""
    if not path.exists():
        return False
    made_of = read_evidence(path)["made_of"]
    return bool(made_of == {"scene": scene_digest(one), "tree": tree})


def scene_digest(one: EvaluationSet) -> str:
    """Change with the scene and with what its painter draws or tells."""
    return Shelved.of(one, Path()).clip.stem.rsplit(".", 1)[1]


def read_evidence(path: Path) -> dict[str, Any]:
    """One set's evidence."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        read: dict[str, Any] = json.load(file)
    return read


def likely_cost(one: EvaluationSet) -> float:
    """Compare the work of sets, roughly."""
    scene = one.scene()
    p = scene.picture
    painted = TRACED_COSTS if one.painter == "traced" else 1.0
    return len(scene.shots) * p.fps * painted * (0.5e6 + p.width_px * p.height_px)
