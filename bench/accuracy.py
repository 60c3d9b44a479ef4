"""How right the count is: ``python bench accuracy``.

Renders the evaluation sets that are missing, counts every clip twice in processes of their own
(markers found by the tool, markers given), keeps the results by clip and source, and prints one
table. Only what changed is counted again.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import click

from accuracy_table import Row, draw_reliability, print_table
from evaluation import ROOT, choice_options, on_shelf
from scoring import score
from truth.catalogue import chosen
from truth.shelf import Shelved

SOURCE = ROOT / "src" / "shoegoal"
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
    tree = tree_hash(SOURCE)
    results = Results(cache / "results.jsonl")
    rows: list[Row] = []
    for one in chosen(only, split, limit):
        place = Shelved.of(one, cache)
        if (rendered_only or kept) and not place.is_there:
            continue
        place = on_shelf(one, cache)
        truth = json.loads(place.truth.read_text(encoding="utf-8"))
        for way in MARKERS if markers == "both" else (markers,):
            if kept and not results.has(place, tree, way):
                continue
            count = results.count(place, tree, way)
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

    def has(self, place: Shelved, tree: str, markers: str) -> bool:
        """Whether the count of a clip is kept."""
        return (file_hash(place.clip), tree, markers) in self._kept

    def count(self, place: Shelved, tree: str, markers: str) -> dict[str, Any]:
        """Return the kept count of a clip, or count it."""
        key = (file_hash(place.clip), tree, markers)
        if key not in self._kept:
            click.echo(f"counting {place.clip.stem}, markers {markers}", err=True)
            count = counted(place, markers)
            self._kept[key] = count
            entry = {"clip": key[0], "tree": tree, "markers": markers, "count": count}
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as out:
                out.write(json.dumps(entry) + "\n")
        return self._kept[key]


def counted(place: Shelved, markers: str) -> dict[str, Any]:
    """Count one clip in a process of its own."""
    command = [sys.executable, str(JUDGE_ONE), str(place.clip), str(place.truth), markers]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    line: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return line


def file_hash(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def tree_hash(folder: Path) -> str:
    """SHA-256 over every source file of a folder, names included."""
    out = hashlib.sha256()
    for path in sorted(
        p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts
    ):
        out.update(str(path.relative_to(folder)).encode() + b"\0")
        out.update(file_hash(path).encode())
    return out.hexdigest()[:16]
