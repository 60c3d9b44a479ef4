"""``shoegoal class``: the clips of a whole class counted, and what came of them."""

from __future__ import annotations

import json as json_text
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK, EXIT_SOME_FAILED, BadSettingsError

if TYPE_CHECKING:
    from shoegoal.ladder.ladders import Ladder
    from shoegoal.scale.assignment import Assignment, NotAssigned
    from shoegoal.scale.class_run import ClipOutcome, Runner


@click.group("class")
def class_group() -> None:
    """Count the clips of a whole class, and see how it stands.

    Start with: shoegoal class run FOLDER --class NAME --enrol
    """


@class_group.command()
@click.argument("folder", type=FilePath("FOLDER"))
@with_options(
    "--class",
    "--manifest",
    "--ladder",
    "--enrol",
    "--again",
    "--workers",
    "--dask",
    "--book",
    "--json",
    "--quiet",
    required=("--class",),
)
def run(
    folder: Path,
    class_name: str,
    manifest: Path | None,
    ladder: Path | None,
    enrol: bool,
    again: bool,
    workers: int | None,
    dask: str | None,
    book: str | None,
    json: bool,
    quiet: bool,
) -> int:
    """Count the clips in FOLDER and bring the counts into the record book.

    File names tell whose clip it is and for which stage, as in "Otter 17_five-of-ten.mp4"; or a
    --manifest does. Clips are known by their content: run it again, and only what is new or was
    broken off is counted. A clip that cannot be counted does not stop the rest.
    """
    if dask is not None and workers is not None:
        raise click.UsageError("give either --workers or --dask, not both")
    from shoegoal.cli.class_progress import shown_class_progress
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.record.book import Book
    from shoegoal.scale.assignment import tidy_name
    from shoegoal.scale.class_run import run_class

    loaded = load_ladder(ladder)
    assigned, untold = _clips(folder.absolute(), manifest, loaded)
    opened = Book(book)
    began = time.monotonic()
    with shown_class_progress(quiet=quiet) as watcher:
        outcomes = run_class(
            opened,
            assigned,
            untold,
            class_name=tidy_name(class_name),
            ladder=loaded,
            runner=_runner(workers, dask),
            enter_new_pupils=enrol,
            again=again,
            watcher=watcher,
        )
    if json:
        plain = [asdict(outcome) for outcome in outcomes]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from shoegoal.cli.class_report import print_outcomes

        print_outcomes(outcomes, time.monotonic() - began)
    return _exit_code(outcomes)


def _clips(
    folder: Path, manifest: Path | None, ladder: Ladder
) -> tuple[list[Assignment], list[NotAssigned]]:
    from shoegoal.scale.file_names import assignments_by_file_name
    from shoegoal.scale.manifest import read_manifest

    if not folder.is_dir():
        raise BadSettingsError(f"{folder} is no folder; name the folder with the class's clips")
    if manifest is not None:
        return read_manifest(manifest, folder, ladder), []
    return assignments_by_file_name(folder, ladder)


def _runner(workers: int | None, dask: str | None) -> Runner:
    if dask is not None:
        from shoegoal.scale.cluster import run_on_cluster

        return lambda tasks, work, tell: run_on_cluster(tasks, work, dask, tell)
    from shoegoal.scale.pool import run_in_processes, usable_cores

    processes = workers or usable_cores()
    return lambda tasks, work, tell: run_in_processes(tasks, work, processes, tell)


def _exit_code(outcomes: list[ClipOutcome]) -> int:
    if any(outcome.news == "failed" for outcome in outcomes):
        return EXIT_SOME_FAILED
    return EXIT_NEEDS_A_LOOK if any(outcome.state == "look" for outcome in outcomes) else 0
