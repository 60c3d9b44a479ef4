"""How right the count is: ``python bench accuracy``.

Renders the evaluation sets that are missing, counts every clip in a process of its own, with the
markers found by the tool and with those given, keeps the results by clip and source, and prints one
table. Only what changed is counted again.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click

from accuracy_table import Row, draw_reliability, print_table
from evaluation import ROOT, choice_options, on_shelf
from scoring import score
from truth.catalogue import chosen
from truth.shelf import Shelved

SOURCE = ROOT / "src" / "shoegoal"
FLOORS = ("clip", "scene", "ball", "shots", "ladder", "analysis")  # all that a count runs through
JUDGE_ONE = Path(__file__).resolve().parent / "judge_one.py"
MARKERS = ("found", "given")


@click.command()
@choice_options
@click.option(
    "--markers",
    type=click.Choice(["found", "given", "both"]),
    default="both",
    show_default=True,
    help="Found by the tool, given from the truth, or one after the other.",
)
@click.option("--rendered-only", is_flag=True, help="Leave out sets that are not rendered yet.")
@click.option("--kept", is_flag=True, help="Only what this source has counted already.")
@click.option("--faults", is_flag=True, help="List what went wrong below the table.")
@click.option(
    "--diagram",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the reliability diagram to this PNG.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the scores as JSON lines.")
def accuracy(
    only: tuple[str, ...],
    split: Any,
    limit: int | None,
    cache: Path,
    markers: str,
    rendered_only: bool,
    kept: bool,
    faults: bool,
    diagram: Path | None,
    as_json: bool,
) -> None:
    """Count the evaluation sets and compare every shot with the truth."""
    tree = tree_hash(SOURCE / floor for floor in FLOORS)
    results = Results(cache / "results.jsonl")
    rows: list[Row] = []
    for one in chosen(only, split, limit):
        place = Shelved.of(one, cache)
        if (rendered_only or kept) and not place.is_there:
            continue
        place = on_shelf(one, cache)
        truth = json.loads(place.truth.read_text(encoding="utf-8"))
        ways = MARKERS if markers == "both" else (markers,)
        if not kept:
            results.complete(place, tree, ways)
        for way in ways:
            count = results.get(place, tree, way)
            if count is None:
                continue
            rows.append(Row(one.name, one.trouble.nuisance, one.trouble.good, way, count,
                            score(truth, count)))  # fmt: skip
            if as_json:
                click.echo(json.dumps(rows[-1].as_json()))
    if not rows:
        raise click.ClickException("no set to count: render some, or choose others")
    if not as_json:
        print_table(rows, tree, faults)
    if diagram is not None:
        draw_reliability(rows, diagram)


class Results:
    """Counts kept as JSON lines, by clip, source and markers."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept: dict[tuple[str, str, str], dict[str, Any]] = {}
        if path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                entry = json.loads(line)
                self._kept[entry["clip"], entry["tree"], entry["markers"]] = entry["count"]

    def get(self, place: Shelved, tree: str, markers: str) -> dict[str, Any] | None:
        """Return the kept count of a clip."""
        return self._kept.get((file_hash(place.clip), tree, markers))

    def complete(self, place: Shelved, tree: str, ways: Sequence[str]) -> None:
        """Count a clip in those ways in which it is not counted yet."""
        clip = file_hash(place.clip)
        missing = [way for way in ways if (clip, tree, way) not in self._kept]
        if not missing:
            return
        click.echo(f"counting {place.clip.stem}, markers {' and '.join(missing)}", err=True)
        self._path.parent.mkdir(parents=True, exist_ok=True)
        for way, count in counted(place, missing).items():
            self._kept[clip, tree, way] = count
            entry = {"clip": clip, "tree": tree, "markers": way, "count": count}
            with self._path.open("a", encoding="utf-8") as out:
                out.write(json.dumps(entry) + "\n")


def counted(place: Shelved, ways: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Count one clip in a process of its own."""
    command = [sys.executable, str(JUDGE_ONE), str(place.clip), str(place.truth), *ways]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    counts: dict[str, dict[str, Any]] = json.loads(done.stdout.splitlines()[-1])
    return counts


def file_hash(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def tree_hash(folders: Iterable[Path]) -> str:
    """SHA-256 over every source file of some folders, names included."""
    out = hashlib.sha256()
    for folder in folders:
        files = (p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
        for path in sorted(files):
            out.update(str(path.relative_to(folder.parent)).encode() + b"\0")
            out.update(file_hash(path).encode())
    return out.hexdigest()[:16]
