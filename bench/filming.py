"""Whether the filming check tells the truth: ``python bench filming``.

Checks every chosen clip as a pupil's is checked, counts it with the markers found by the tool, and
compares the two: promised and then refused, refused though it can be counted, and how far the
squares of a metre are from a metre. Clips that are badly filmed are made from a sample.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

from accuracy import FLOORS, SOURCE, Results, tree_hash
from bad_filming import bad_clips
from evaluation import choice_options, on_shelf
from evidence import read_evidence
from judge_one import settings_of, timed
from shoegoal.errors import ShoegoalError
from shoegoal.filming_check.answer import Answer, FilmingCheck, check_clip
from truth.catalogue import chosen
from truth.shelf import Shelved

MOST_PROMISED_REFUSED, MOST_REFUSED_COUNTABLE = 0.01, 0.02
MOST_OFF = 0.1  # of a square of a metre
FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@dataclass(frozen=True, slots=True)
class Row:
    """One clip.

    Attributes
    ----------
    answer : of the check.
    refused : the sentence with which the count refused it, or "".
    squares : lengths by the check's ground over true ones, of goal width and kick distance; empty
        without a ground.
    wall_s : that the check took.
    """

    name: str
    answer: Answer
    refused: str
    squares: tuple[float, ...]
    wall_s: float


@click.command()
@choice_options
@click.option("--rendered-only", is_flag=True, help="Leave out sets that are not rendered yet.")
@click.option("--bad/--no-bad", default=True, help="Also the badly filmed clips.")
@click.option("--evidence", "told", type=FOLDER, help="What `bench evidence` kept of such clips.")
def filming(
    only: tuple[str, ...],
    split: Any,
    limit: int | None,
    cache: Path,
    rendered_only: bool,
    bad: bool,
    told: Path | None,
) -> None:
    """Hold the filming check against the count, on evaluation sets and on badly filmed clips."""
    if told:
        kept = [read_evidence(path) for path in sorted(told.glob("*.json.gz"))]
        print_rows("Evaluation sets", [row_told(k) for k in kept if split in (None, k["split"])])
        return
    results = Results(cache / "results.jsonl")
    tree = tree_hash(SOURCE / floor for floor in FLOORS)
    places = [(one.name, Shelved.of(one, cache), one) for one in chosen(only, split, limit)]
    clips = [
        (name, place if rendered_only else on_shelf(one, cache))
        for name, place, one in places
        if place.is_there or not rendered_only
    ]
    rows = [row_of(name, place, results, tree) for name, place in clips]
    print_rows("Evaluation sets", rows)
    if bad:
        made = [row_of(name, place, results, tree) for name, place in bad_clips(cache / "bad")]
        print_rows("Badly filmed", made)


def row_of(name: str, place: Shelved, results: Results, tree: str) -> Row:
    """Check and count one clip."""
    truth = json.loads(place.truth.read_text(encoding="utf-8"))
    results.complete(place, tree, ["found"])
    count = results.get(place.clip, tree, "found")
    assert count is not None
    wall_s, _, (answer, squares) = timed(lambda: checked(place.clip, truth))
    row = Row(name, answer, count["refused"] or "", squares, wall_s)
    click.echo(
        f"{name:45} {answer:12} {'refused' if row.refused else 'counted':8} "
        f"{' '.join(f'{s:.3f}' for s in squares):12} {wall_s:5.1f} s  {row.refused[:60]}"
    )
    return row


def row_told(kept: dict[str, Any]) -> Row:
    """One clip that was checked and counted where it was rendered."""
    check, refused = kept["check"], kept["found"]["refused"] or ""
    squares = tuple(check["squares"])
    return Row(kept["name"], Answer(check["answer"]), refused, squares, check["wall_s"])


def checked(clip: Path, truth: dict[str, Any]) -> tuple[Answer, tuple[float, ...]]:
    """Check one clip: the answer, and lengths on its ground over true ones."""
    try:
        check = check_clip(clip, settings_of(truth, given=False))
    except ShoegoalError:
        return Answer.NO, ()
    return check.answer, squares_of(check, truth)


def squares_of(check: FilmingCheck, truth: dict[str, Any]) -> tuple[float, ...]:
    """Goal width and kick distance on the ground of the check, over the true ones."""
    camera = check.facts.scene.camera
    if camera is None or not truth["shots"] or truth.get("edited"):
        return ()
    left, right = truth["goal"]["inner_bases_m"]
    spot = [*truth["shots"][0]["kick_spot_m"], 0.0]
    matrix = np.array(truth["camera"]["projection_goal_to_px"])
    places = np.array([left, right, spot])
    image = np.column_stack([places, np.ones(3)]) @ matrix.T
    found = camera.ground_points(image[:, :2] / image[:, 2:])
    true_m, found_m = lengths(places[:, :2]), lengths(found)
    return tuple(float(f / t) for f, t in zip(found_m, true_m, strict=True))


def lengths(places: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Width of the goal, and from its middle to the kick spot."""
    left, right, spot = places
    return float(np.hypot(*(right - left))), float(np.hypot(*(spot - (left + right) / 2)))


def print_rows(title: str, rows: Sequence[Row]) -> None:
    """Sum up."""
    if not rows:
        return
    count = {answer: [r for r in rows if r.answer is answer] for answer in Answer}
    broken = [r.name for r in count[Answer.YES] if r.refused]
    lost = [r.name for r in count[Answer.NO] if not r.refused]
    squares = np.array([s for r in rows for s in r.squares])
    said = ", ".join(f"{len(found)} {answer}" for answer, found in count.items())
    click.echo(f"{title}: {len(rows)} clips; the check says {said}")
    click.echo(
        f"  promised and then refused {len(broken)} of {len(count[Answer.YES])} "
        f"(bar {MOST_PROMISED_REFUSED:.0%}): {', '.join(broken) or 'none'}"
    )
    click.echo(
        f"  refused but countable {len(lost)} of {sum(not r.refused for r in rows)} "
        f"(bar {MOST_REFUSED_COUNTABLE:.0%}): {', '.join(lost) or 'none'}"
    )
    unsure = count[Answer.CANNOT_TELL]
    click.echo(f"  of those it cannot tell {sum(not r.refused for r in unsure)} are counted")
    if len(squares):
        within = float(np.mean(np.abs(squares - 1) <= MOST_OFF))
        click.echo(
            f"  squares: {within:.0%} of {len(squares)} lengths within {MOST_OFF:.0%}, "
            f"median {np.median(squares):.3f}"
        )
    click.echo(f"  a check takes {np.median([r.wall_s for r in rows]):.1f} s (median)")
