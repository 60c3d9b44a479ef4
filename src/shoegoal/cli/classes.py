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
    from shoegoal.record.book import Book
    from shoegoal.scale.assignment import Assignment, NotAssigned
    from shoegoal.scale.class_run import ClipOutcome, Runner
    from shoegoal.scale.results import ClassResults

_ENDINGS = (".html", ".xlsx", ".csv", ".json")


@click.group("class")
def class_group() -> None:
    """Count the clips of a whole class, and see how it stands.

    Start with: shoegoal class run FOLDER --class NAME --enrol, then shoegoal class results
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
    from shoegoal.record.book import Book
    from shoegoal.scale.assignment import tidy_name
    from shoegoal.scale.class_run import run_class

    opened, name = Book(book), tidy_name(class_name)
    loaded = ladder_of(opened, name, ladder)
    assigned, untold = _clips(folder.absolute(), manifest, loaded)
    began = time.monotonic()
    with shown_class_progress(quiet=quiet) as watcher:
        outcomes = run_class(
            opened,
            assigned,
            untold,
            class_name=name,
            ladder=loaded,
            runner=runner_of(workers, dask),
            enter_new_pupils=enrol,
            again=again,
            watcher=watcher,
        )
    _remember(opened, name, ladder, loaded)
    if json:
        plain = [asdict(outcome) for outcome in outcomes]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from shoegoal.cli.class_report import print_outcomes

        print_outcomes(outcomes, time.monotonic() - began, book)
    return _exit_code(outcomes)


@class_group.command()
@with_options("--class", "--ladder", "--out", "--book", "--json", required=("--class",))
def results(
    class_name: str, ladder: Path | None, out: Path | None, book: str | None, json: bool
) -> int:
    """Show how a class stands: sets, stages, pupils, and what each could try next.

    With --out, writes a file, by the ending of its name: .html, a page to print with all shots
    drawn; .xlsx or .csv, for spreadsheets; .json. Only signed sets count as verified.
    """
    if out is not None:
        _check_ending(out)
    from shoegoal.record.book import Book
    from shoegoal.scale.results import class_results

    opened = Book(book)
    found = class_results(opened, class_name, ladder_of(opened, class_name, ladder))
    if json:
        from shoegoal.scale.tables import results_json

        click.echo(results_json(found), nl=False)
    if out is not None:
        _write(out, found)
        click.echo(f"wrote {out}", err=json)
    elif not json:
        from shoegoal.cli.class_report import print_results

        print_results(found, ladder, book)
    return 0


@class_group.command("next")
@with_options("--class", "--pupil", "--ladder", "--book", "--json", required=("--class",))
def next_(
    class_name: str, pupil: str | None, ladder: Path | None, book: str | None, json: bool
) -> int:
    """Say which goal each pupil could try next, for 70 to 80 % makes.

    It rests on where the shots of signed sets went: on their bias and spread. With too few of them
    it says so.
    """
    from shoegoal.record.book import Book
    from shoegoal.scale.results import class_results

    opened = Book(book)
    rows = class_results(opened, class_name, ladder_of(opened, class_name, ladder)).pupils
    if pupil is not None:
        rows = tuple(row for row in rows if row.pupil == pupil)
        if not rows:
            raise BadSettingsError(f'there is no pupil "{pupil}" in {class_name}')
    if json:
        from shoegoal.scale.tables import advice_json

        told = [{"pupil": row.pupil, **advice_json(row.advice)} for row in rows]
        click.echo(json_text.dumps(told, indent=1, ensure_ascii=False))
    else:
        from shoegoal.cli.class_report import print_advice

        print_advice(rows)
    return 0


@class_group.command()
@with_options(
    "--class", "--pupil", "--ladder", "--out", "--book", required=("--class", "--out")
)  # fmt: skip
def family(
    class_name: str, pupil: str | None, ladder: Path | None, out: Path, book: str | None
) -> int:
    """Write a page to print for each pupil's family (.html): what was reached, what to try next.

    Who has climbed the whole ladder gets a certificate behind it. Only signed sets count.
    """
    if out.suffix.casefold() != ".html":
        raise click.UsageError(f"--out must end in .html, and {out} does not")
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.record.book import Book
    from shoegoal.scale.family import family_html, family_pages
    from shoegoal.scene.written import replace_file

    check_writable_file(out)
    opened = Book(book)
    pages = family_pages(opened, class_name, ladder_of(opened, class_name, ladder), pupil)
    if not pages:
        who = "has no pupils yet" if pupil is None else f'has no pupil "{pupil}"'
        raise BadSettingsError(f"the class {class_name} {who}")
    replace_file(out, family_html(pages, class_name).encode())
    finished = sum(page.results.is_finished for page in pages)
    click.echo(f"wrote {out}: {len(pages)} pages and {finished} certificates")
    return 0


def ladder_of(book: Book, class_name: str, named: Path | None) -> Ladder:
    """Give the ladder that was named, else the one that the book remembers, else the shipped."""
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.record.class_settings import remembered_ladder

    if named is not None:
        return load_ladder(named)
    with book.reading() as connection:
        return remembered_ladder(connection, class_name) or load_ladder()


def _remember(book: Book, class_name: str, named: Path | None, ladder: Ladder) -> None:
    """Let the book remember a ladder that was named, so that nobody has to name it again."""
    if named is None:
        return
    from shoegoal.record.class_settings import remember_class

    with book.writing() as connection:
        remember_class(connection, class_name, ladder=ladder)


def _check_ending(out: Path) -> None:
    from shoegoal.analysis.folders import check_writable_file

    if out.suffix.casefold() not in _ENDINGS:
        raise click.UsageError(f"{out}: name a file ending in {', '.join(_ENDINGS)}")
    check_writable_file(out)


def _write(out: Path, found: ClassResults) -> None:
    from shoegoal.analysis.file import write_whole
    from shoegoal.analysis.folders import cannot_write
    from shoegoal.scale import tables

    match out.suffix.casefold():
        case ".csv":
            content = tables.results_csv(found)
        case ".xlsx":
            content = tables.results_xlsx(found)
        case ".json":
            content = tables.results_json(found).encode()
        case _:
            from shoegoal.scale.page import class_page

            content = class_page(found).encode()
    try:
        write_whole(out, content)
    except OSError as error:
        raise cannot_write(out, error) from error


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


def runner_of(workers: int | None = None, dask: str | None = None) -> Runner:
    """Say where clips are counted: here, as many at a time as there are cores, or as told."""
    if dask is not None:
        from shoegoal.scale.cluster import run_on_cluster

        return lambda tasks, work, tell: run_on_cluster(tasks, work, dask, tell)
    from shoegoal.scale.pool import run_in_processes
    from shoegoal.threads import usable_cores

    processes = workers or usable_cores()
    return lambda tasks, work, tell: run_in_processes(tasks, work, processes, tell)


def _exit_code(outcomes: list[ClipOutcome]) -> int:
    if any(outcome.news == "failed" for outcome in outcomes):
        return EXIT_SOME_FAILED
    return EXIT_NEEDS_A_LOOK if any(outcome.state == "look" for outcome in outcomes) else 0
