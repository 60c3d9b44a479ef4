"""A class from clips to sets in the book: nothing lost, nothing doubled, whatever fails."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Generator, Sequence
from functools import partial
from pathlib import Path

import pytest

from class_work import begun_names, made_up_count
from record_books import TEACHER
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import parse_ladder
from shoegoal.record.book import Book
from shoegoal.record.history import load_set, load_sets
from shoegoal.record.reviewing import sign
from shoegoal.record.verify import verify_book
from shoegoal.scale.assignments import assignments_by_file_name
from shoegoal.scale.class_run import ClipOutcome, Watcher, run_class
from shoegoal.scale.tasks import (
    ClipReader,
    CountTask,
    OnTaskProgress,
    TaskDone,
    Work,
    carry_out,
    run_in_processes,
)

LADDER = parse_ladder(
    b"""
title = "Two rungs"
[[stages]]
name = "four-of-six"
title = "Four of six"
rule = { kind = "makes-of-shots", makes = 4, shots = 6 }
width_steps = 4
back_steps = 10
[[stages]]
name = "three-of-six"
title = "Three of six"
rule = { kind = "makes-of-shots", makes = 3, shots = 6 }
width_steps = 4
back_steps = 10
""",
    "two_rungs.toml",
)
STAGE = "four-of-six"


def here(
    tasks: Sequence[CountTask], work: Work, on_progress: OnTaskProgress
) -> Generator[TaskDone, None, None]:
    """Do the tasks in this very process."""
    for task in tasks:
        yield carry_out(work, task, partial(on_progress, task.key))


def two_processes(
    tasks: Sequence[CountTask], work: Work, on_progress: OnTaskProgress
) -> Generator[TaskDone, None, None]:
    return run_in_processes(tasks, work, 2, on_progress)


def put(folder: Path, **clips: str) -> None:
    """Clips by pupil, with what they hold."""
    folder.mkdir(exist_ok=True)
    for pupil, content in clips.items():
        (folder / f"{pupil}_{STAGE}.mp4").write_text(content, encoding="utf-8")


@pytest.fixture
def sqlite_book(tmp_path: Path, _empty_file: Path) -> Book:
    shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")
    return Book(str(tmp_path / "book.sqlite3"))


def run(book: Book, folder: Path, **more: object) -> dict[str, ClipOutcome]:
    assigned, unassigned = assignments_by_file_name(folder, LADDER)
    settings = {"runner": here, "enter_new_pupils": True, "work": made_up_count} | more
    outcomes = run_class(
        book,
        assigned,
        unassigned,
        class_name="7b",
        ladder=LADDER,
        **settings,  # type: ignore[arg-type]
    )
    return {outcome.clip.split("_")[0]: outcome for outcome in outcomes}


def sets_of(book: Book) -> list[tuple[str, str, str, int]]:
    with book.reading() as connection:
        found = load_sets(connection)
    return sorted((one.pupil, one.stage.name, one.ladder or "", one.version) for one in found)


def test_from_clips_to_sets_once_and_only_once(book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Otter="one", Wren="two unsure", Zoë="three")
    first = run(book, folder)
    assert {one.news for one in first.values()} == {"counted"}
    assert first["Wren"].state == "look" and "look" in first["Wren"].sentence
    assert first["Otter"].film_s == 30.0
    expected = [(pupil, STAGE, LADDER.title, 1) for pupil in ("Otter", "Wren", "Zoë")]
    assert sets_of(book) == expected
    again = run(book, folder)
    assert {one.news for one in again.values()} == {"counted before"}
    assert [one.set_id for one in again.values()] == [one.set_id for one in first.values()]
    assert sets_of(book) == expected and len(begun_names(folder)) == 3
    put(folder, Seal="four")
    assert {name for name, one in run(book, folder).items() if one.news == "counted"} == {"Seal"}
    assert verify_book(book).sets == 4


def test_a_failure_never_stops_the_rest_and_is_tried_again(
    sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="no goal here", Bee="fault", Cat="fine")
    (folder / "VID_17.mp4").write_text("whose?", encoding="utf-8")
    outcomes = run(sqlite_book, folder)
    told = {name: (one.news, one.exit_code) for name, one in outcomes.items()}
    assert told == {
        "Ant": ("failed", 5), "Bee": ("failed", 1), "Cat": ("counted", 0), "VID": ("failed", 6),
    }  # fmt: skip
    assert "both markers are in view" in outcomes["Ant"].sentence
    assert "ValueError: no such thing" in outcomes["Bee"].sentence
    put(folder, Ant="filmed again")
    assert run(sqlite_book, folder)["Ant"].news == "counted"
    assert [name for name, *_ in sets_of(sqlite_book)] == ["Ant", "Cat"]


def test_a_process_that_dies_takes_only_its_own_clip_along(
    sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="dies always", Bee="dies once", Cat="one", Dog="no goal", Emu="two",
        Fox="crashes")  # fmt: skip
    shares: list[tuple[str, float]] = []
    watcher = Watcher(share=lambda name, share: shares.append((name, share)))
    outcomes = run(sqlite_book, folder, runner=two_processes, watcher=watcher)
    assert {name: one.news for name, one in outcomes.items()} == {
        "Ant": "failed", "Bee": "counted", "Cat": "counted", "Dog": "failed", "Emu": "counted",
        "Fox": "failed",
    }  # fmt: skip
    assert "crashed its decoder (SIGSEGV)" in outcomes["Fox"].sentence
    assert begun_names(folder).count(f"Fox_{STAGE}.mp4") == 1
    assert "was killed, or ran out of memory, 2 times" in outcomes["Ant"].sentence
    assert [name for name, *_ in sets_of(sqlite_book)] == ["Bee", "Cat", "Emu"]
    assert begun_names(folder).count(f"Ant_{STAGE}.mp4") == 2
    assert {share for _, share in shares} <= {0.0, 0.5}


def test_a_process_that_dies_while_it_waits_is_replaced() -> None:
    with ClipReader() as reader:
        first = reader.do(os.getpid)
        os.kill(first, signal.SIGKILL)
        assert reader.do(os.getpid) != first


def test_a_run_that_is_broken_off_goes_on_where_it_stopped(
    sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one", Bee="two", Cat="three")

    def broken_off(outcome: ClipOutcome) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(sqlite_book, folder, runner=two_processes, watcher=Watcher(finished=broken_off))
    assert len(sets_of(sqlite_book)) == 1
    news = [one.news for one in run(sqlite_book, folder).values()]
    assert news.count("counted before") >= 1 and len(sets_of(sqlite_book)) == 3
    assert not list(folder.glob(".*.part"))


def test_signed_sets_are_left_alone(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one", Bee="two")
    ids = {name: one.set_id for name, one in run(sqlite_book, folder).items()}
    signed = ids["Ant"]
    assert signed is not None
    sign(sqlite_book, signed, TEACHER)
    again = run(sqlite_book, folder, again=True)
    assert {name: one.news for name, one in again.items()} == {
        "Ant": "signed before", "Bee": "counted",
    }  # fmt: skip
    assert again["Ant"].state == "signed"


def test_the_same_clip_twice_counts_once(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="the very same", Bee="the very same")
    outcomes = run(sqlite_book, folder)
    assert outcomes["Ant"].news == "counted" and outcomes["Bee"].news == "failed"
    assert f"the same file as Ant_{STAGE}.mp4" in outcomes["Bee"].sentence
    # In another folder, for another pupil or stage, the book remembers it.
    other = tmp_path / "other"
    put(other, Bee="the very same")
    assert "is set 1 of Ant already" in run(sqlite_book, other)["Bee"].sentence
    (other / f"Bee_{STAGE}.mp4").rename(other / "Ant_three-of-six.mp4")
    assert 'of the stage "four-of-six", already' in run(sqlite_book, other)["Ant"].sentence
    assert len(sets_of(sqlite_book)) == 1


def test_a_take_sent_twice_is_noted_on_the_second_clip_once(
    sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="take 1, as filmed", Bee="take 2", Cat="take 1, made smaller")
    for _ in range(2):
        outcomes = run(sqlite_book, folder)
        problems = {}
        for name, one in outcomes.items():
            with sqlite_book.reading() as connection:
                history = load_set(connection, one.set_id or 0)
            problems[name] = " ".join(history.count.analysis().problems)
            assert history.version == 1
        assert f"the same take as Ant_{STAGE}.mp4" in problems["Cat"]
        assert problems["Cat"].count("same take") == 1
        assert not any("same take" in problems[name] for name in ("Ant", "Bee"))


def test_two_clips_with_one_name_do_not_share_a_result(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one")
    (folder / f"Ant_{STAGE}.mov").write_text("another", encoding="utf-8")
    assigned, _ = assignments_by_file_name(folder, LADDER)
    outcomes = run_class(
        sqlite_book, assigned, [], class_name="7b", ladder=LADDER, runner=here,
        enter_new_pupils=True, work=made_up_count,
    )  # fmt: skip
    assert [one.news for one in outcomes] == ["counted", "failed"]
    assert f"replace that of Ant_{STAGE}.mov" in outcomes[1].sentence


def test_a_changed_clip_is_counted_anew(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one")
    run(sqlite_book, folder)
    put(folder, Ant="another take")
    assert run(sqlite_book, folder)["Ant"].news == "counted"
    assert len(sets_of(sqlite_book)) == 2


def test_pupils_are_known_or_named_as_new(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one", Bee="two")
    with pytest.raises(BadSettingsError, match=r"has no pupil Ant, Bee; .*--enrol"):
        run(sqlite_book, folder, enter_new_pupils=False)
    assert begun_names(folder) == []
    run(sqlite_book, folder)
    run(sqlite_book, folder, enter_new_pupils=False)
    assigned, _ = assignments_by_file_name(folder, LADDER)
    with pytest.raises(BadSettingsError, match='"Ant" is in 7b, not in 8a'):
        run_class(sqlite_book, assigned, [], class_name="8a", ladder=LADDER, runner=here)


def test_a_result_that_cannot_be_written_is_that_clips_trouble(
    sqlite_book: Book, tmp_path: Path
) -> None:
    folder = tmp_path / "clips"
    put(folder, Ant="one", Bee="two")
    (folder / f"Ant_{STAGE}.shoegoal").mkdir()
    (folder / f"Ant_{STAGE}.shoegoal" / "mine.txt").touch()
    outcomes = run(sqlite_book, folder)
    assert (outcomes["Ant"].exit_code, outcomes["Bee"].news) == (7, "counted")
    assert (folder / f"Ant_{STAGE}.shoegoal" / "mine.txt").exists()


def test_a_thousand_clips_are_planned_at_once(sqlite_book: Book, tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    put(folder, **{f"Otter {n}": f"no goal {n}" for n in range(1000)})
    outcomes = run(sqlite_book, folder)
    assert len(outcomes) == len(begun_names(folder)) == 1000
