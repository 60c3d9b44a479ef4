"""``shoegoal class``, which counts the clips of a whole class, and ``demo``, an invented one."""

from __future__ import annotations

import json as json_text
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import ClassOptions, Commands, FilePath, meaning, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK, EXIT_SOME_FAILED, BadSettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shoegoal.demo.run import Demo, DemoFolder
    from shoegoal.ladder.ladders import Ladder
    from shoegoal.record.book import Book
    from shoegoal.scale.assignments import Assignment, NotAssigned
    from shoegoal.scale.class_run import ClipOutcome, Runner
    from shoegoal.scale.results import ClassResults

DEFAULT_FOLDER = Path("shoegoal-demo")
_ENDINGS = (".html", ".xlsx", ".csv", ".json")


@click.group("class", cls=Commands)
def class_group() -> None:
    """Count the clips of a whole class, and see its results.

    Start with: shoegoal class run FOLDER --class NAME --enrol, then shoegoal class results
    """


@dataclass(frozen=True, kw_only=True)
class RunOptions(ClassOptions):
    """Options of ``class run``."""

    manifest: Path | None = None
    enrol: bool = False
    again: bool = field(
        default=False,
        metadata=meaning("Count clips that have a result, too; signed sets stay as they are."),
    )
    workers: int | None = None
    dask: str | None = None
    quiet: bool = False


@class_group.command()
@click.argument("folder", type=FilePath("FOLDER"))
@with_options(RunOptions)
def run(given: RunOptions, folder: Path) -> int:
    """Count the clips in FOLDER and add the counts to the record book.

    File names say whose clip it is and for which stage, as in "Otter 17_five-of-ten.mp4"; or a
    --manifest does. Clips are recognised by their content: a second run counts only what is new or
    was interrupted. A clip that cannot be counted does not stop the rest.
    """
    if given.dask is not None and given.workers is not None:
        raise click.UsageError("give either --workers or --dask, not both")
    from shoegoal.cli.terminal import shown_class_progress
    from shoegoal.record.book import Book
    from shoegoal.scale.assignments import tidy_name
    from shoegoal.scale.class_run import run_class

    opened, name = Book(given.book), tidy_name(given.class_name)
    loaded = ladder_of(opened, name, given.ladder)
    assigned, unassigned = _clips(folder.absolute(), given.manifest, loaded)
    began = time.monotonic()
    with shown_class_progress(quiet=given.quiet) as watcher:
        outcomes = run_class(
            opened,
            assigned,
            unassigned,
            class_name=name,
            ladder=loaded,
            runner=runner_of(given.workers, given.dask),
            enter_new_pupils=given.enrol,
            again=given.again,
            watcher=watcher,
        )
    _remember(opened, name, given.ladder, loaded)
    if given.json:
        plain = [asdict(outcome) for outcome in outcomes]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from shoegoal.cli.book_report import print_outcomes

        print_outcomes(outcomes, time.monotonic() - began, given.book)
    return _exit_code(outcomes)


@dataclass(frozen=True, kw_only=True)
class ResultsOptions(ClassOptions):
    """Options of ``class results``."""

    out: Path | None = field(
        default=None, metadata=meaning("The file to write, ending in .html, .xlsx, .csv or .json.")
    )


@class_group.command()
@with_options(ResultsOptions)
def results(given: ResultsOptions) -> int:
    """Show how a class stands: sets, stages, pupils, and what each could try next.

    With --out, writes a file, by the ending of its name: .html, a page to print with all shots
    drawn; .xlsx or .csv, for spreadsheets; .json. Only signed sets count as verified.
    """
    if given.out is not None:
        _check_ending(given.out)
    from shoegoal.record.book import Book
    from shoegoal.scale.results import class_results

    opened = Book.existing(given.book)
    ladder = ladder_of(opened, given.class_name, given.ladder)
    found = class_results(opened, given.class_name, ladder)
    if given.json:
        from shoegoal.scale.tables import results_json

        click.echo(results_json(found), nl=False)
    if given.out is not None:
        _write(given.out, found)
        click.echo(f"wrote {given.out}", err=given.json)
    elif not given.json:
        from shoegoal.cli.book_report import print_results

        print_results(found, given.ladder, given.book)
    return 0


@dataclass(frozen=True, kw_only=True)
class NextOptions(ClassOptions):
    """Options of ``class next``."""

    pupil: str | None = None


@class_group.command("next")
@with_options(NextOptions)
def next_(given: NextOptions) -> int:
    """Suggest a goal for each pupil to try next, for 70 to 80 % makes.

    It is worked out from the bias and spread of the shots in signed sets. With too few shots it
    says so.
    """
    from shoegoal.record.book import Book
    from shoegoal.scale.results import class_results

    opened = Book.existing(given.book)
    ladder = ladder_of(opened, given.class_name, given.ladder)
    rows = class_results(opened, given.class_name, ladder).pupils
    if given.pupil is not None:
        rows = tuple(row for row in rows if row.pupil == given.pupil)
        if not rows:
            raise BadSettingsError(f'there is no pupil "{given.pupil}" in {given.class_name}')
    if given.json:
        from shoegoal.scale.tables import advice_json

        plain = [{"pupil": row.pupil, **advice_json(row.advice)} for row in rows]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from shoegoal.cli.book_report import print_advice

        print_advice(rows)
    return 0


@dataclass(frozen=True, kw_only=True)
class FamilyOptions(ClassOptions):
    """Options of ``class family``."""

    pupil: str | None = None
    out: Path = field(metadata=meaning("The page to write, ending in .html."))


@class_group.command()
@with_options(FamilyOptions)
def family(given: FamilyOptions) -> int:
    """Write a page to print for each pupil's family (.html): what was reached, what to try next.

    A pupil who has finished the ladder also gets a certificate. Only signed sets count.
    """
    out, class_name = given.out, given.class_name
    if out.suffix.casefold() != ".html":
        raise click.UsageError(f"--out must end in .html, and {out} does not")
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.record.book import Book
    from shoegoal.scale.family_page import family_html, family_pages
    from shoegoal.written import replace_file

    check_writable_file(out)
    opened = Book.existing(given.book)
    ladder = ladder_of(opened, class_name, given.ladder)
    pages = family_pages(opened, class_name, ladder, given.pupil)
    if not pages:
        who = "has no pupils yet" if given.pupil is None else f'has no pupil "{given.pupil}"'
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
    """Store the named ladder in the book, so that nobody has to name it again."""
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
    from shoegoal.analysis.folders import cannot_write
    from shoegoal.scale import tables
    from shoegoal.written import write_whole

    match out.suffix.casefold():
        case ".csv":
            content = tables.results_csv(found)
        case ".xlsx":
            content = tables.results_xlsx(found)
        case ".json":
            content = tables.results_json(found).encode()
        case _:
            from shoegoal.scale.class_page import class_page

            content = class_page(found).encode()
    try:
        write_whole(out, content)
    except OSError as error:
        raise cannot_write(out, error) from error


def _clips(
    folder: Path, manifest: Path | None, ladder: Ladder
) -> tuple[list[Assignment], list[NotAssigned]]:
    from shoegoal.scale.assignments import assignments_by_file_name, read_manifest

    if not folder.is_dir():
        raise BadSettingsError(f"{folder} is not a folder; name the folder with the class's clips")
    if manifest is not None:
        return read_manifest(manifest, folder, ladder), []
    return assignments_by_file_name(folder, ladder)


def runner_of(workers: int | None = None, dask: str | None = None) -> Runner:
    """Say where clips are counted: here, a few at a time, or on a Dask cluster."""
    if dask is not None:
        from shoegoal.scale.cluster import run_on_cluster

        return lambda tasks, work, on_progress: run_on_cluster(tasks, work, dask, on_progress)
    from shoegoal.scale.tasks import run_in_processes
    from shoegoal.threads import usable_cores

    processes = workers or usable_cores()
    return lambda tasks, work, on_progress: run_in_processes(tasks, work, processes, on_progress)


def _exit_code(outcomes: list[ClipOutcome]) -> int:
    if any(outcome.news == "failed" for outcome in outcomes):
        return EXIT_SOME_FAILED
    return EXIT_NEEDS_A_LOOK if any(outcome.state == "look" for outcome in outcomes) else 0


@dataclass(frozen=True, kw_only=True)
class DemoOptions:
    """Options of ``demo``."""

    out: Path | None = field(
        default=None, metadata=meaning("The folder for everything; default: shoegoal-demo.")
    )
    in_browser: bool = field(
        default=False, metadata=meaning("Serve the page at the end and open it in the browser.")
    )
    quiet: bool = False


@click.command()
@with_options(DemoOptions)
def demo(given: DemoOptions) -> int:
    """Count an invented class of six pupils, from clips that come with shoegoal.

    The clips are sent to the page as pupils' phones would send them, and workers count them from
    the pixels. Some sets are signed; the rest are left for you to look at. Everything goes into one
    folder (default: shoegoal-demo), the record book too. A second run continues where the first one
    stopped. With --open it ends on the teacher's page in the browser.
    """
    from shoegoal.cli.terminal import shown_class_progress
    from shoegoal.demo.run import DemoFolder, page_with_workers, run_demo
    from shoegoal.threads import usable_cores

    folder = DemoFolder(given.out or DEFAULT_FOLDER)
    folder.prepare()
    began = time.monotonic()
    with shown_class_progress(quiet=given.quiet) as watcher:
        seen = run_demo(folder, lambda book: page_with_workers(book, usable_cores()), watcher)
    _print_demo(seen, folder, time.monotonic() - began)
    if any(outcome.news == "failed" for outcome in seen.outcomes):
        return EXIT_SOME_FAILED
    if given.in_browser:
        from shoegoal.cli.review import serve_page
        from shoegoal.review.serve import LOOPBACK

        return serve_page(str(folder.book), LOOPBACK, 0, None, in_browser=True)
    return 0


def _print_demo(seen: Demo, folder: DemoFolder, wall_s: float) -> None:
    from shoegoal.cli.book_report import outcome_table, result_tables
    from shoegoal.cli.terminal import print_parts

    print_parts([outcome_table(seen.outcomes), *result_tables(seen.results)])
    # Plain lines: a terminal must not wrap what is to be copied.
    for line in _demo_lines(seen, folder, wall_s):
        click.echo(line)


def _demo_lines(seen: Demo, folder: DemoFolder, wall_s: float) -> Iterator[str]:
    from shoegoal.card.cautions import SHORT_CAUTION
    from shoegoal.cli.book_report import typed
    from shoegoal.demo.run import CLASS_NAME, TEACHER

    counted = sum(outcome.news == "counted" for outcome in seen.outcomes)
    yield f"{_number(counted, 'clip')} handed in and counted now, in {wall_s:.0f} s"
    yield (
        f"{_number(len(seen.signed), 'set')} signed as {TEACHER}, an invented teacher; "
        "in a real class a person looks before signing"
    )
    look = len(seen.to_look_at)
    yield (
        f"{_number(look, 'set')} {'needs' if look == 1 else 'need'} a look, "
        f"{len(seen.to_sign)} can be signed"
    )
    yield f"The class page, to open in a browser: {folder.page}"
    yield ""
    yield "Next, in this order:"
    yield f"  {typed('review --open', book=folder.book)}"
    if seen.to_look_at:
        yield f"  {typed(f'review show {seen.to_look_at[0]}', book=folder.book)}"
    if seen.to_sign:
        yield f"  {typed(f'review sign {seen.to_sign[0]}', by=TEACHER, book=folder.book)}"
    whole = typed(
        "class results",
        class_=CLASS_NAME,
        ladder=folder.ladder,
        book=folder.book,
        out=folder.page,
    )
    yield f"  {whole}"
    yield ""
    yield SHORT_CAUTION


def _number(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
