"""The demo: six clips counted as any class is, some sets signed, the rest left to look at."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.demo.folder import DemoFolder
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.queue import waiting_sets
from shoegoal.record.reviewing import sign
from shoegoal.scale.class_run import ClipOutcome, Runner, Watcher, run_class
from shoegoal.scale.file_names import assignments_by_file_name
from shoegoal.scale.page import class_page
from shoegoal.scale.results import ClassResults, class_results
from shoegoal.scale.task import Work
from shoegoal.scene.written import replace_file

CLASS_NAME = "5a"  # invented, as are pupils and teacher
TEACHER = "T. Quill"
# Whose sets the demo signs where no shot needs a look, so that verified results can be seen.
SIGNED_PUPILS = ("Badger 2", "Hare 7", "Wren 11")


@dataclass(frozen=True, slots=True)
class Demo:
    """What came of a demo.

    Attributes
    ----------
    outcomes : of the clips, as counted now or before.
    results : how the class stands now.
    signed, to_look_at, to_sign : ids of sets.
    """

    outcomes: tuple[ClipOutcome, ...]
    results: ClassResults
    signed: tuple[int, ...]
    to_look_at: tuple[int, ...]
    to_sign: tuple[int, ...]


def run_demo(
    folder: DemoFolder, runner: Runner, watcher: Watcher | None = None, work: Work | None = None
) -> Demo:
    """Count the clips of a prepared folder, sign some sets, write the class page.

    What an earlier run of the same folder did, or a person since, stays.

    Parameters
    ----------
    folder : prepared.
    runner, watcher, work : as for `run_class`.

    Raises
    ------
    ShoegoalError
        The folder's book cannot be used, or the page cannot be written.
    """
    book, ladder = Book(str(folder.book)), load_ladder(folder.ladder)
    assigned, untold = assignments_by_file_name(folder.clips, ladder)
    outcomes = run_class(
        book,
        assigned,
        untold,
        class_name=CLASS_NAME,
        ladder=ladder,
        runner=runner,
        enter_new_pupils=True,
        work=work,
        watcher=watcher,
    )
    for one in outcomes:
        if one.set_id is not None and one.state == "to sign" and one.pupil in SIGNED_PUPILS:
            sign(book, one.set_id, TEACHER)
    results = class_results(book, CLASS_NAME, ladder)
    replace_file(folder.page, class_page(results).encode())
    with book.reading() as connection:
        waiting = waiting_sets(connection)
    return Demo(
        tuple(outcomes),
        results,
        tuple(row.set_id for row in results.sets if row.verified),
        tuple(one["set"] for one in waiting if one["state"] == "look"),
        tuple(one["set"] for one in waiting if one["state"] == "to sign"),
    )
