"""The demo: its folder, its way through counting and signing, and the clips that come along."""

from __future__ import annotations

import shlex
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from class_work import LOG_NAME, begun_names, made_up_count
from demo_truths import demo_truth
from page_server import KEY, served
from shoegoal.cli.main import cli
from shoegoal.demo import run as demo_run
from shoegoal.demo.run import SIGNED_PUPILS
from shoegoal.filming_check.pupil import PupilAnswer
from shoegoal.ladder.ladders import load_ladder
from shoegoal.record.book import Book
from shoegoal.record.history import load_sets
from shoegoal.record.verify import verify_book
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.serve import make_app
from shoegoal.scale import work as worker_room
from shoegoal.scale.assignments import assignments_by_file_name
from shoegoal.scale.tasks import CountTask, TaskDone, carry_out

MOST_BYTES = 3_300_000
CLEAR = "Badger 2_two-of-three.mp4"
DOUBTFUL = "Heron 9_two-in-a-row.mp4"  # with the made-up count its row hangs on shot 5


@pytest.fixture
def shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Clips that the made-up count can read, in place of those that come along."""
    clips = tmp_path / "shipped"
    clips.mkdir()
    (clips / CLEAR).write_text("one", encoding="utf-8")
    (clips / DOUBTFUL).write_text("two unsure", encoding="utf-8")
    monkeypatch.setattr(demo_run, "SHIPPED", clips)
    monkeypatch.setattr(demo_run, "page_with_workers", page_in_this_process)
    filmed = PupilAnswer(True, "We saw the ball.", ()), None
    monkeypatch.setattr(worker_room, "check_filming", lambda *of_clip: filmed)
    monkeypatch.setenv("SHOEGOAL_BOOK", str(tmp_path / "own" / "book.sqlite3"))
    return clips


@contextmanager
def page_in_this_process(book: Book, workers: int) -> Iterator[str]:
    """The real page, with one worker beside it that counts as the clip says."""
    over = threading.Event()

    def count(task: CountTask) -> TaskDone:
        return carry_out(made_up_count, task, lambda share: None)

    work = threading.Thread(
        target=worker_room.work_until,
        args=(book, worker_room.Duty(), count, over.is_set, 0.02),
    )
    with served(lambda _: make_app(book, KeyEntrance(KEY))) as port:
        work.start()
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            over.set()
            work.join()


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def standing_of(book: Path) -> dict[str, str | None]:
    """By whom each pupil's set is signed."""
    opened = Book(str(book))
    assert verify_book(opened).entries > 0
    with opened.reading() as connection:
        return {
            history.pupil: None if history.signature is None else history.signature.by
            for history in load_sets(connection)
        }


def test_it_ends_in_a_page_an_open_queue_and_commands_that_work(
    tmp_path: Path, shipped: Path
) -> None:
    out = tmp_path / "Übung 5a, a look round"
    done = run("demo", "--out", out, "--quiet")
    assert (done.exit_code, done.stderr) == (0, "")
    assert standing_of(out / "book.sqlite3") == {"Badger 2": "T. Quill", "Heron 9": None}
    page = (out / "class.html").read_text(encoding="utf-8")
    assert "Badger 2" in page and "Heron 9" in page
    assert "1 set needs a look, 0 can be signed" in done.stdout
    assert "1 set signed as T. Quill" in done.stdout and str(out / "class.html") in done.stdout
    assert "Warm up" in done.stdout
    typed = [shlex.split(line) for line in done.stdout.splitlines() if "  shoegoal " in line]
    assert [words[1:3] for words in typed] == [
        ["review", "--open"], ["review", "show"], ["class", "results"],
    ]  # fmt: skip
    shown, results = (run(*words[1:]) for words in typed[1:])
    assert shown.exit_code == 3 and "Heron 9" in shown.stdout
    assert results.exit_code == 0, results.stderr
    assert not (tmp_path / "own").exists()  # the book that is really used


def test_run_again_it_goes_on_and_keeps_what_people_did(tmp_path: Path, shipped: Path) -> None:
    out = tmp_path / "demo"
    hidden = shipped / CLEAR
    content = hidden.read_text(encoding="utf-8")
    hidden.write_text("no goal", encoding="utf-8")  # the first run breaks at this clip
    broken = run("demo", "--out", out, "--quiet")
    assert broken.exit_code == 11 and standing_of(out / "book.sqlite3") == {"Heron 9": None}
    book = ("--book", out / "book.sqlite3")
    assert run("review", "correct", 1, 5, "make", "--by", "T. Quill", *book).exit_code == 0
    hidden.write_text(content, encoding="utf-8")
    again = run("demo", "--out", out, "--quiet")
    assert again.exit_code == 0, again.stderr
    assert standing_of(out / "book.sqlite3") == {"Badger 2": "T. Quill", "Heron 9": None}
    assert "0 sets need a look, 1 can be signed" in again.stdout
    logs = (out / "book-clips").glob(f"*/{LOG_NAME}")
    assert sum(begun_names(log.parent).count(DOUBTFUL) for log in logs) == 1
    third = run("demo", "--out", out, "--quiet")
    assert third.exit_code == 0 and "0 clips handed in and counted now" in third.stdout


@pytest.mark.parametrize("what", ["full folder", "file", "dangling link", "no parent"])
def test_what_no_demo_made_is_left_alone(tmp_path: Path, shipped: Path, what: str) -> None:
    out = tmp_path / "taken"
    match what:
        case "full folder":
            out.mkdir()
            (out / "diary.txt").write_text("mine", encoding="utf-8")
        case "file":
            out.write_text("mine", encoding="utf-8")
        case "dangling link":
            out.symlink_to(tmp_path / "nowhere")
        case _:
            out = tmp_path / "nowhere" / "taken"
    before = sorted(tmp_path.rglob("*"))
    refused = run("demo", "--out", out)
    assert refused.exit_code == 7 and "--out" in refused.stderr and refused.stdout == ""
    assert sorted(tmp_path.rglob("*")) == before


def test_help_says_where_it_goes() -> None:
    told = run("demo", "--help")
    assert told.exit_code == 0 and "shoegoal-demo" in told.stdout and "--open" in told.stdout


def test_six_pupils_come_along_each_clip_with_its_scene_and_truth() -> None:
    ladder = load_ladder(demo_run.LADDER_FILE)
    assigned, unassigned = assignments_by_file_name(demo_run.SHIPPED, ladder)
    assert unassigned == [] and len({one.pupil for one in assigned}) == len(assigned) == 6
    assert {one.stage.name for one in assigned} == {stage.name for stage in ladder.stages}
    assert set(SIGNED_PUPILS) < {one.pupil for one in assigned}
    assert all(one.clip.with_suffix(".toml").is_file() for one in assigned)
    assert {one.clip.stem for one in assigned} == set(demo_truth())
    assert sum(one.clip.stat().st_size for one in assigned) < MOST_BYTES
