"""Renders the clips of `shoegoal demo` and writes what is true of them beside the tests.

``PYTHONPATH=tests python -m truth.demo_clips`` renders all of them, with names only those.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from pathlib import Path
from typing import Any

from truth.dribbling import DribblePart, render_dribble
from truth.render import render_clip
from truth.scenes import Scene

ROOT = Path(__file__).parents[2]
CLIPS = ROOT / "src" / "shoegoal" / "demo" / "clips"
TRUTH = ROOT / "tests" / "demo_truth.json"


def render_demo_clip(path: Path) -> dict[str, Any]:
    """Render the scene in a file to the clip beside it; returns what its count is held against.

    A table `dribble` makes it a dribble, whose scene's shots are not played.
    """
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    dribble = tables.pop("dribble", None)
    scene, clip = Scene.model_validate(tables), path.with_suffix(".mp4")
    if dribble is not None:
        part = DribblePart.model_validate(dribble)
        done = render_dribble(scene, part, clip, painter="traced")
        return {
            "touches_s": [round(touch.time_s, 3) for touch in done.touches],
            "longest_run": done.longest_run,
        }
    truth = render_clip(scene, clip, progress=True)
    return {
        "shots": [
            {
                "kick_time_s": round(shot.kick_time_s, 3),
                "is_make": shot.is_make,
                "outcome": shot.outcome,
            }
            for shot in truth.shots
        ]
    }


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Render the clips of `shoegoal demo`.")
    parser.add_argument("names", nargs="*", help="pupils, such as 'Wren 11'; default: all")
    names = parser.parse_args(argv).names
    for path in sorted(CLIPS.glob("*.toml")):
        if not names or path.stem.split("_")[0] in names:
            truth = render_demo_clip(path)
            truths = json.loads(TRUTH.read_text(encoding="utf-8")) if TRUTH.exists() else {}
            truths[path.stem] = truth
            TRUTH.write_text(json.dumps(truths, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
