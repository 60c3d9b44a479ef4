"""A book with a set of every kind that the page can show. All names invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from analysis_examples import example_stills, only, still_at
from record_books import TEACHER, analysis_of, file_set
from shoegoal.pictures.evidence import write_result
from shoegoal.record.book import Book
from shoegoal.record.coaching import answer_check, draw_round
from shoegoal.record.filing import file_count
from shoegoal.record.reviewing import add_note, sign
from test_touch_sets import touch_set

DOUBTFUL, SIGNED, SHORT, TOUCHES = 1, 2, 3, 4
OPEN_ROUND, DONE_ROUND = 1, 2


def fill(book: Book, folder: Path) -> None:
    """File a doubtful set, a signed one, an unfinished one and one of touches; two rounds."""
    _file_with_pictures(book, folder / "doubtful")
    file_set(book, "signed.mp4", unsure=False)
    add_note(book, SIGNED, "a windy day, the ball was soft", by=TEACHER)
    sign(book, SIGNED, TEACHER)
    _file_with_pictures(book, folder / "short", 2, 5)
    with book.writing() as connection:
        file_count(connection, touch_set(), folder / "nowhere.mp4", class_name="8a")
        draw_round(connection, "7b", 3, 7)
        draw_round(connection, "7b", 2, 8)
        for place in (1, 2):
            answer_check(connection, DONE_ROUND, place, "make", "R. Coach")


def _file_with_pictures(book: Book, folder: Path, *numbers: int) -> None:
    """File a count with its pictures: of all six shots, or of some of them."""
    analysis, content = analysis_of(f"{folder.name}.mp4")
    kept = numbers or tuple(range(1, 7))
    analysis = only(analysis, *kept)
    folder.mkdir(parents=True)
    (folder / f"{folder.name}.mp4").write_bytes(content)
    # The stills are drawn by the numbers that the shots had among all six.
    stills = {
        shot.number: [
            replace(s, time_s=s.time_s) for s in example_stills(replace(shot, number=n), 0.5)
        ]
        for shot, n in zip(analysis.shots, kept, strict=True)
    }
    result = folder / f"{folder.name}.shoegoal"
    write_result(result, analysis, stills, still_at(analysis.shots[0], 1.5, 0.5))
    with book.writing() as connection:
        file_count(connection, analysis, result, class_name="7b")
