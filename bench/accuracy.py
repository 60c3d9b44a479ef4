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
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import click

from accuracy_table import Row, draw_reliability, print_table
from evaluation import ROOT, choice_options, on_shelf
from scoring import score
from truth.catalogue import EvaluationSet, chosen
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
@click.option(
    "--evidence",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Count the evidence in this folder; nothing is rendered or watched.",
)
@click.option("--faults", is_flag=True, help="List what went wrong below the table.")
@click.option(
    "--diagram",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the reliability diagram to this PNG.",
)
@click.option("--jobs", type=click.IntRange(1), default=1, help="So many at a time, of evidence.")
@click.option("--json", "as_json", is_flag=True, help="Print the scores as JSON lines.")
def accuracy(
    only: tuple[str, ...],
    split: Any,
    limit: int | None,
    cache: Path,
    markers: str,
    rendered_only: bool,
    kept: bool,
    evidence: Path | None,
    jobs: int,
    faults: bool,
    diagram: Path | None,
    as_json: bool,
) -> None:
    """Count the evaluation sets and compare every shot with the truth."""
    tree = tree_hash(SOURCE / floor for floor in FLOORS)
    results = Results(cache / "results.jsonl")
    rows: list[Row] = []
    if evidence is not None:
        rows = rows_of_evidence(evidence, only, split, limit, results, tree, jobs)
    for one in chosen(only, split, limit) if evidence is None else ():
        place = Shelved.of(one, cache)
        if (rendered_only or kept) and not place.is_there:
            continue
        place = on_shelf(one, cache)
        truth = json.loads(place.truth.read_text(encoding="utf-8"))
        ways = MARKERS if markers == "both" else (markers,)
        if not kept:
            results.complete(place, tree, ways)
        for way in ways:
            count = results.get(place.clip, tree, way)
            if count is not None:
                rows.append(row_of(one, way, count, truth))
    if as_json:
        for row in rows:
            click.echo(json.dumps(row.as_json()))
    if not rows:
        raise click.ClickException("no set to count: render some, or choose others")
    if not as_json:
        print_table(rows, tree, faults)
    if diagram is not None:
        draw_reliability(rows, diagram)


def row_of(one: EvaluationSet, way: str, count: dict[str, Any], truth: dict[str, Any]) -> Row:
    """Score one count."""
    trouble = one.trouble
    return Row(one.name, trouble.nuisance, trouble.good, way, count, score(truth, count))


def rows_of_evidence(
    folder: Path,
    only: tuple[str, ...],
    split: str | None,
    limit: int | None,
    results: Results,
    tree: str,
    jobs: int,
) -> list[Row]:
    """Count the evidence in a folder, chosen as sets are; only what is new is counted."""
    from evidence import read_evidence
    from from_evidence import count_of

    paths, told = [], []
    for path in sorted(folder.glob("*.json.gz")):
        one = read_evidence(path)
        words = not only or any(o in one["name"] or o == one["group"] for o in only)
        if words and split in (None, one["split"]):
            paths.append(path)
            told.append({k: one[k] for k in ("name", "nuisance", "good", "truth")})
            told[-1]["truth"] = {k: v for k, v in one["truth"].items() if k != "frames"}
    paths, told = paths[:limit], told[:limit]
    missing = [path for path in paths if results.get(path, tree, "given") is None]
    with ProcessPoolExecutor(jobs) as pool:
        for path, count in zip(missing, pool.map(count_of, missing), strict=True):
            results.keep(path, tree, "given", count)
    rows = []
    for path, one in zip(paths, told, strict=True):
        kept = results.get(path, tree, "given")
        assert kept is not None
        scored = score(one["truth"], kept)
        rows.append(Row(one["name"], one["nuisance"], one["good"], "given", kept, scored))
    return rows


class Results:
    """Counts kept as JSON lines, by clip, source and markers."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept: dict[tuple[str, str, str], dict[str, Any]] = {}
        self._hashes: dict[Path, str] = {}
        if path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                entry = json.loads(line)
                self._kept[entry["clip"], entry["tree"], entry["markers"]] = entry["count"]

    def get(self, source: Path, tree: str, markers: str) -> dict[str, Any] | None:
        """Return the kept count of a clip or of evidence."""
        return self._kept.get((self._hash(source), tree, markers))

    def keep(self, source: Path, tree: str, markers: str, count: dict[str, Any]) -> None:
        """Keep a count."""
        self._kept[self._hash(source), tree, markers] = count
        self._path.parent.mkdir(parents=True, exist_ok=True)
        entry = {"clip": self._hash(source), "tree": tree, "markers": markers, "count": count}
        with self._path.open("a", encoding="utf-8") as out:
            out.write(json.dumps(entry) + "\n")

    def complete(self, place: Shelved, tree: str, ways: Sequence[str]) -> None:
        """Count a clip in those ways in which it is not counted yet."""
        missing = [way for way in ways if self.get(place.clip, tree, way) is None]
        if not missing:
            return
        click.echo(f"counting {place.clip.stem}, markers {' and '.join(missing)}", err=True)
        for way, count in counted(place, missing).items():
            self.keep(place.clip, tree, way, count)

    def _hash(self, source: Path) -> str:
        if source not in self._hashes:
            self._hashes[source] = file_hash(source)
        return self._hashes[source]


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
