"""Pictures as a set stands: as counted, drawn anew after a moved marker, and blind for a coach."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from analysis_examples import example_stills, marker_px, only, still_at, with_evidence
from record_books import analysis_of
from shoegoal.pictures.evidence import KeptStills, write_result
from shoegoal.pictures.marks import SKY, YELLOW
from shoegoal.record import export
from shoegoal.record.book import Book
from shoegoal.record.export import export_pupil
from shoegoal.record.filing import file_count
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.pictures import SetPictures
from shoegoal.record.purge import due_for_purge, purge
from shoegoal.record.reviewing import move_marker, undo
from shoegoal.record.status import Side


@pytest.fixture
def garden(tmp_path: Path) -> Path:
    """What `count` wrote of two shots, the first wide of the left marker."""
    analysis, content = analysis_of("yard.mp4")
    analysis = with_evidence(only(analysis, 2, 5))
    (tmp_path / "yard.mp4").write_bytes(content)
    folder = tmp_path / "yard.shoegoal"
    # The stills are drawn by the numbers that the shots had among all six.
    stills = {
        shot.number: [replace(s, time_s=s.time_s) for s in example_stills(replace(shot, number=n))]
        for shot, n in zip(analysis.shots, (2, 5), strict=True)
    }
    write_result(folder, analysis, stills, still_at(analysis.shots[0], 1.5, 0.5))
    return folder


def filed(book: Book, folder: Path) -> SetHistory:
    from shoegoal.analysis.file import load_analysis

    with book.writing() as connection:
        file_count(connection, load_analysis(folder), folder, class_name="7b")
        return load_set(connection, 1)


def pictures_of(history: SetHistory) -> SetPictures:
    return SetPictures(history, history.count.analysis())


def pixels(coded: bytes | None) -> npt.NDArray[np.int16]:
    assert coded is not None
    bgr = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.asarray(bgr, np.int16)


def painted(bgr: npt.NDArray[np.int16], colour: tuple[int, int, int]) -> int:
    """How many pixels have a colour of the marks, as far as JPEG keeps it."""
    return int((np.abs(bgr - np.array(colour)).max(axis=2) < 24).sum())


def width(bgr: npt.NDArray[np.int16], colour: tuple[int, int, int]) -> int:
    """How many columns hold a colour: the length of level lines, however thick they are drawn."""
    return int((np.abs(bgr - np.array(colour)).max(axis=2) < 60).any(axis=0).sum())


def test_a_moved_marker_is_drawn_where_it_is_now(
    tmp_path: Path, garden: Path, _empty_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Covering takes seconds a picture; test_record_faces looks at what it does.
    monkeypatch.setattr(export, "cover_faces", lambda bgr: (bgr, 0))
    place = shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")
    book = Book(str(place))
    counted = pictures_of(filed(book, garden))
    assert counted.strip(1) == (garden / "evidence" / "shot-01.jpg").read_bytes()
    (tmp_path / "yard.mp4").unlink()  # the clip is not needed
    history = move_marker(book, 1, Side.LEFT, marker_px(-2.4))
    moved = pictures_of(history)
    assert moved.has_strip(history.count.analysis().shots[0])
    before, after = pixels(counted.strip(1)), pixels(moved.strip(1))
    assert width(after, YELLOW) > 1.2 * width(before, YELLOW)  # the goal line is longer
    assert moved.markers() != counted.markers() and moved.overview() != counted.overview()
    assert export_pupil(book, history.pupil, tmp_path / "out") == 1
    exported = pixels((tmp_path / "out" / "set-1" / "shot-01.jpg").read_bytes())
    assert exported.shape == after.shape != before.shape  # the cut follows the goal
    assert pictures_of(undo(book, 1)).strip(1) == counted.strip(1)
    # Where no stills were kept, an old picture is not passed off as the new one.
    move_marker(book, 1, Side.LEFT, marker_px(-2.4))
    shutil.rmtree(garden / "stills")
    with book.reading() as connection:
        bare = load_set(connection, 1)
    left = pictures_of(bare)
    assert (left.strip(1), left.markers()) == (None, None)
    assert not left.has_strip(bare.count.analysis().shots[0])


def test_a_blind_strip_tells_nothing_of_the_count(
    tmp_path: Path, garden: Path, _empty_file: Path
) -> None:
    book = Book(str(shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")))
    history = filed(book, garden)
    shots = history.count.analysis().shots
    blind = pixels(pictures_of(history).blind_strip(shots[0].kick_time_s))
    told = pixels(pictures_of(history).strip(1))
    assert painted(told, YELLOW) > 50 and painted(told, SKY) > 50
    assert painted(blind, YELLOW) == painted(blind, SKY) == 0
    assert blind.shape[1] == told.shape[1] and blind.shape[0] < told.shape[0]  # without its header
    assert pictures_of(history).blind_strip(shots[0].kick_time_s + 2.0) is None
    # Stills show the kicker like the clip does, so they go with it.
    (due,) = due_for_purge(book, 0.0)
    assert len([file for file in due.files if file.parent.name == "stills"]) == 11
    purge(book, [due])
    assert list((garden / "stills").glob("*.jpg")) == []
    assert pictures_of(history).blind_strip(shots[0].kick_time_s) is None


def test_stills_that_are_damaged_are_left_out(garden: Path) -> None:
    kept = KeptStills.beside(garden)
    assert kept is not None
    kick_s = 1.5 + 4.0 * 2
    assert [round(still.scale, 3) for still in kept.of_kick(kick_s)] == [1.0] * 5
    (garden / "stills" / "shot-01-2.jpg").write_bytes(b"no picture")
    (garden / "stills" / "shot-01-3.jpg").write_bytes(b"")
    (garden / "stills" / "shot-01-4.jpg").unlink()
    assert len(kept.of_kick(kick_s)) == 2
    (garden / "stills" / "stills.json").write_text("{}")
    assert KeptStills.beside(garden) is None
