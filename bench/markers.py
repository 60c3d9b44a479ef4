"""How often the goal is found without help: ``python bench markers --evidence DIR``.

Markers are looked for in one picture of each set (`looks`), on the ground and by the kicks that the
set's evidence tells. Three ambushes are made of each: a marker taken away, things beside the goal,
more that look like its markers. There a wrong goal is the fault; to refuse is right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np

from evidence import read_evidence
from from_evidence import record_of, stillness_of, yard_luma
from judge_one import settings_of
from looks import ALIKE, AS_IT_IS, AWAY, BESIDE, TWO_SHOES, Cutout, Looks, laid_out, looks_at
from shoegoal.errors import ShoegoalError
from shoegoal.pipeline.count import evidence_of, ground_in_view
from shoegoal.scene.markers import MarkersNotFoundError, find_markers
from shoegoal.shots.ground import Ground
from shoegoal.types import ImagePoint
from truth.arrays import Bytes
from truth.catalogue import catalogue

LAYOUTS = (AS_IT_IS, TWO_SHOES, AWAY, BESIDE, ALIKE)
OFF_ACROSS_M, OFF_ALONG_M = 0.13, 0.45  # of an inner foot that is right, on the true ground
LENT_BY = 60  # sets whose markers are set down beside other goals


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """One search for a goal: the picture, and what the tool knows by then."""

    name: str
    layout: str
    good: bool
    truth: dict[str, Any]
    picture: Bytes
    ground: Ground
    width_steps: float
    back_steps: float
    balls_px: tuple[tuple[float, float], ...]

    def asked(self) -> tuple[Any, ...]:
        """As `find_markers` takes it."""
        ground = self.ground
        steps = (self.width_steps, self.back_steps)
        return [self.picture], ground.fit, ground.trajectories_m, *steps, self.balls_px


@dataclass(frozen=True, slots=True)
class Looked:
    """One search: for which markers, seen how, laid out how, and what came of it."""

    name: str
    kinds: str
    good: bool
    layout: str
    result: str
    reason: str
    off_m: float


@click.command()
@click.option(
    "--evidence",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    required=True,
    help="Folder of evidence, as `bench evidence` makes it.",
)
@click.option(
    "--yards",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where pictures of the yards alone are kept; beside the evidence by default.",
)
@click.option(
    "--lent",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Folder of evidence whose markers are set down beside goals; the same by default.",
)
@click.option("--only", default="", help="Sets whose name holds this.")
@click.option("--jobs", type=click.IntRange(1), default=1, help="So many at a time.")
@click.option("--faults", is_flag=True, help="List what was wrong or refused.")
def markers(
    evidence: Path, yards: Path | None, lent: Path | None, only: str, jobs: int, faults: bool
) -> None:
    """Look for the goal in the evaluation sets, and in ambushes made of them."""
    shelf = yards or evidence / "yards"
    files = [p for p in sorted(evidence.glob("*.json.gz")) if only in p.name]
    lenders = sorted((lent or evidence).glob("*.json.gz"))
    with ProcessPoolExecutor(jobs) as pool:
        bank = bank_of(lenders, yards or (lent or evidence) / "yards", pool)
        looked = pool.map(looked_at, files, repeat(shelf), repeat(bank))
        done = [one for some in looked for one in some]
    print_markers(done, faults)


def print_markers(done: list[Looked], faults: bool) -> None:
    """Print found, refused and wrong by layout, and of the sets as they are by kind."""
    for layout in LAYOUTS:
        told = Counter(one.result for one in done if one.layout == layout)
        click.echo(f"{layout:20} {_told(told)}")
    for good in (True, False):
        told = Counter(o.result for o in done if o.layout == AS_IT_IS and o.good == good)
        click.echo(f"as it is, {'good' if good else 'other'} clips: {_told(told)}")
    for kinds in sorted({one.kinds for one in done}):
        told = Counter(o.result for o in done if o.layout == AS_IT_IS and o.kinds == kinds)
        click.echo(f"{kinds:20} {_told(told)}")
    off = [one.off_m for one in done if one.result == "found" and one.layout == AS_IT_IS]
    if off:
        low, high = np.quantile(off, [0.5, 0.95])
        click.echo(f"inner feet off across by {100 * low:.1f} cm (median), {100 * high:.1f} (95%)")
    for one in done if faults else ():
        ambush = one.layout not in (AS_IT_IS, TWO_SHOES)
        if one.result == "wrong" or (one.result == "refused" and not ambush):
            click.echo(f"{one.result}: {one.name} ({one.layout}, {one.kinds}): {one.reason}")


def _told(told: Counter[str]) -> str:
    return ", ".join(f"{told[what]} {what}" for what in ("found", "refused", "wrong"))


def searches_of(path: Path, yards: Path, bank: list[Cutout]) -> Iterator[Search]:
    """All searches that a set's pictures give; none without a ground."""
    cv2.setNumThreads(1)
    told = read_evidence(path)
    if told["refused"]:
        return
    settings = settings_of(told["truth"], given=False)
    try:
        still, size_px = stillness_of(told), (told["clip"]["width_px"], told["clip"]["height_px"])
        kept = evidence_of(record_of(told), still, settings)
        kept, ground = ground_in_view(kept, size_px, yard_luma(path), still)
    except ShoegoalError:
        return
    look = _looks_of(told, path, yards)
    for layout in LAYOUTS:
        laid = laid_out(look, layout, told["name"], bank)
        if laid is not None:
            yield Search(
                told["name"],
                layout,
                told["good"],
                told["truth"],
                laid.picture,
                ground,
                settings.stage.width_steps or 4.0,
                settings.stage.back_steps or 10.0,
                tuple((r.sighting.x_px, r.sighting.y_px) for r in kept.record.resting),
            )


def looked_at(path: Path, yards: Path, bank: list[Cutout]) -> list[Looked]:
    """Look for one set's goal in every layout of its yard."""
    out = []
    for search in searches_of(path, yards, bank):
        try:
            found = find_markers(*search.asked())
        except MarkersNotFoundError as error:
            result, reason, off_m = "refused", str(error), 0.0
        else:
            off_m, right = truth_feet(search.truth, found.left_px, found.right_px)
            result = "found" if right else "wrong"
            reason = f"{found.left_px} {found.right_px} {found.confidence:.3f}"
        kinds = "/".join(search.truth["goal"]["markers"])
        out.append(Looked(search.name, kinds, search.good, search.layout, result, reason, off_m))
    return out


def bank_of(files: list[Path], yards: Path, pool: Executor) -> list[Cutout]:
    """Markers of some sets, to be set down beside other goals."""
    step = max(1, len(files) // LENT_BY)
    return [cut for some in pool.map(_cutouts, files[::step], repeat(yards)) for cut in some]


def truth_feet(
    truth: dict[str, Any], left_px: ImagePoint, right_px: ImagePoint
) -> tuple[float, bool]:
    """How far off across the goal line the inner feet are, and whether that is right."""
    to_px = np.array(truth["camera"]["projection_goal_to_px"])[:, [0, 1, 3]]
    feet = np.array([[foot.x_px, foot.y_px, 1.0] for foot in (left_px, right_px)])
    on_ground = feet @ np.linalg.inv(to_px).T
    off = on_ground[:, :2] / on_ground[:, 2:] - np.array(truth["goal"]["inner_bases_m"])[:, :2]
    across, along = np.abs(off).max(axis=0)
    return float(across), bool(across < OFF_ACROSS_M and along < OFF_ALONG_M)


def _looks_of(told: dict[str, Any], path: Path, yards: Path) -> Looks:
    settled = path.with_name(path.name.replace(".json.gz", ".settled.jpg"))
    one = next(s for s in catalogue() if s.name == told["name"])
    return looks_at(told["truth"], settled, yards, one)


def _cutouts(path: Path, yards: Path) -> list[Cutout]:
    """Both markers of a set, cut out of its yard."""
    told = read_evidence(path)
    if told["refused"]:
        return []
    look = _looks_of(told, path, yards)
    return [look.cutout(side) for side in (0, 1)]
