"""Keeps rendered evaluation sets: `python -m truth.shelf NAME --at DIR` renders what is missing."""

from __future__ import annotations

import argparse
import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

from truth.catalogue import EvaluationSet, chosen
from truth.evaluation import Painter
from truth.render import render_clip

# Raise a painter's number when it draws or tells differently: its clips are then made anew.
DRAWN: dict[Painter, int] = {"plain": 5, "traced": 2}


@dataclass(frozen=True, slots=True)
class Shelved:
    """Where a set's clip and truth are kept; the digest in the name changes with the scene."""

    clip: Path
    truth: Path

    @classmethod
    def of(cls, one: EvaluationSet, folder: Path) -> Shelved:
        """The place of a set, whether it is there or not."""
        # What is as it always is stays out, so that a new field makes no old clip anew.
        scene = one.scene().model_dump(mode="json", exclude_defaults=True)
        told = json.dumps([scene, one.painter, DRAWN[one.painter]], sort_keys=True)
        stem = f"{one.file_name}.{hashlib.sha256(told.encode()).hexdigest()[:12]}"
        return cls(folder / f"{stem}.mp4", folder / f"{stem}.truth.json")

    @property
    def is_there(self) -> bool:
        """Whether both files are; the truth is written last."""
        return self.clip.exists() and self.truth.exists()


def shelve(one: EvaluationSet, folder: Path, progress: bool = False) -> Shelved:
    """Render a set unless it is there."""
    place = Shelved.of(one, folder)
    if place.is_there:
        return place
    folder.mkdir(parents=True, exist_ok=True)
    # Aside first: what has its final name is whole.
    aside = folder / f".{os.getpid()}.{place.clip.name}"
    truth = render_clip(one.scene(), aside, progress, one.painter)
    aside.replace(place.clip)
    told = folder / f".{os.getpid()}.{place.truth.name}"
    truth.write(told)
    told.replace(place.truth)
    return place


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Render evaluation sets that are missing.")
    parser.add_argument("names", nargs="+", help="words that the names hold")
    parser.add_argument("--at", type=Path, required=True)
    options = parser.parse_args(argv)
    for one in chosen(tuple(options.names)):
        print(shelve(one, options.at, progress=True).clip)


if __name__ == "__main__":
    main()
