"""Workers: they take clips from the book's queue, check and count them, and are restarted."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Generator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

from sqlalchemy import Connection

from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.analysis.repeats import RESULT_SUFFIX
from shoegoal.errors import BadSettingsError, OutputError, RecordBookError, ShoegoalError
from shoegoal.filming_check.pupil import Pictures, PupilAnswer, check_filming
from shoegoal.ladder.rules import Stage
from shoegoal.record.book import Book
from shoegoal.record.class_settings import settings_by_id
from shoegoal.record.filing import file_count
from shoegoal.record.handed_in import (
    BROKE_OFF,
    CLAIM_S,
    MOST_TRIES,
    ClaimLostError,
    ClipState,
    HandedIn,
    claim_next,
    finish,
    is_anything_ready,
    keep_claim,
)
from shoegoal.record.history import load_sets
from shoegoal.record.journal import canonical_text
from shoegoal.scale.class_run import with_repeats
from shoegoal.scale.tasks import CountTask, TaskDone

POLL_S = 0.5
FOUND_NAME, PLAIN_NAME = "filming.jpg", "still.jpg"
# Counts one clip; errors are returned as text.
Counter: TypeAlias = Callable[[CountTask], TaskDone]
# Checks how a clip was filmed: clip, stage, longest minutes.
Checker: TypeAlias = Callable[[Path, Stage, float], tuple[PupilAnswer, Pictures | None]]
PAUSE_S = 2.0  # before a worker that died is restarted, so that a lasting fault does not loop
END_S = 10.0
PARENT_VARIABLE = "SHOEGOAL_PARENT"


@dataclass(frozen=True, slots=True)
class Duty:
    """What a worker does.

    Attributes
    ----------
    checks, counts : which of the two.
    claim_s : how long a claim lasts unless it is renewed.
    """

    checks: bool = True
    counts: bool = True
    claim_s: float = CLAIM_S


def work_until(
    book: Book,
    duty: Duty,
    count: Counter,
    is_over: Callable[[], bool],
    check: Checker = check_filming,
    poll_s: float = POLL_S,
) -> None:
    """Work until `is_over`; a clip that was begun is finished first.

    A book that is locked or out of reach is tried again.

    Parameters
    ----------
    book, duty : whose clips, and which part of the work.
    count, check : do the work on one clip.
    is_over : asked before every clip.
    poll_s : pause where nothing waits, s.
    """
    idle = threading.Event()
    while not is_over():
        try:
            busy = work_once(book, duty, count, check)
        except (RecordBookError, OutputError):
            busy = False
        if not busy:
            idle.wait(poll_s)


def work_once(book: Book, duty: Duty, count: Counter, check: Checker = check_filming) -> bool:
    """Check or count one clip; return whether there was one.

    Raises
    ------
    RecordBookError, OutputError
        The book cannot be used. The clip's claim runs out, and it is taken again.
    """
    for checks in (True, False):
        if not (duty.checks if checks else duty.counts):
            continue
        with book.reading() as connection:
            if not is_anything_ready(connection, check=checks):
                continue
        with book.writing(history=False) as connection:
            taken = claim_next(connection, check=checks, claim_s=duty.claim_s)
        if taken is None:
            continue
        clip, claim = taken
        try:
            with _claim_kept(book, clip, claim, duty.claim_s):
                if checks:
                    _check(book, clip, claim, check)
                else:
                    _count(book, clip, claim, count)
        except ClaimLostError:
            pass
        return True
    return False


@contextmanager
def _claim_kept(
    book: Book, clip: HandedIn, claim: str, claim_s: float
) -> Generator[None, None, None]:
    """Renew the claim now and then during the work."""
    over = threading.Event()

    def keep() -> None:
        while not over.wait(claim_s / 4):
            try:
                with book.writing(history=False) as connection:
                    if not keep_claim(connection, clip, claim, claim_s):
                        return
            except ShoegoalError:
                continue  # the next renewal may succeed

    thread = threading.Thread(target=keep, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _check(book: Book, clip: HandedIn, claim: str, check: Checker) -> None:
    with book.reading() as connection:
        settings = settings_by_id(connection, clip.class_id)
    assert settings is not None
    try:
        filmed, pictures = check(clip.clip_path, clip.stage.to_stage(), settings.limits.longest_min)
    except Exception:  # whatever the error is, the count will report it
        filmed, pictures = PupilAnswer(True, "The clip arrived.", ()), None
    if pictures is not None:
        clip.clip_path.with_name(FOUND_NAME).write_bytes(pictures.found)
        clip.clip_path.with_name(PLAIN_NAME).write_bytes(pictures.plain)
    state = ClipState.WAITING if filmed.good else ClipState.CHECKED
    with book.writing(history=False) as connection:
        finish(connection, clip, claim, state, filming=canonical_text(filmed.serialise()))


def _count(book: Book, clip: HandedIn, claim: str, count: Counter) -> None:
    if clip.tries > MOST_TRIES:
        _give_up(book, clip, claim, BROKE_OFF)
        return
    folder = clip.clip_path.with_name(clip.clip_path.stem + RESULT_SUFFIX)
    _clear(folder)
    left, right = clip.markers_px or (None, None)
    key = f"{clip.sha256}-{clip.stage.name}"
    done = count(
        CountTask(key, clip.clip_path, folder, clip.stage.to_stage(), left, right, with_form=True)
    )
    if done.trouble is not None:
        _give_up(book, clip, claim, done.trouble)
        return
    try:
        counted = load_analysis(folder)
        with book.reading() as connection:
            analysis = with_repeats(counted, folder, _takes(connection, clip))
        with book.writing() as connection:
            settings = settings_by_id(connection, clip.class_id)
            filed = file_count(
                connection, analysis, folder, class_name=clip.class_name, pupil=clip.pupil,
                stage=clip.stage, ladder=None if settings is None else settings.ladder,
            )  # fmt: skip
            finish(connection, clip, claim, ClipState.COUNTED, set_id=filed.set_id)
    except (RecordBookError, OutputError, ClaimLostError):
        raise
    except ShoegoalError as error:
        _give_up(book, clip, claim, " ".join(str(error).split()))


def _clear(folder: Path) -> None:
    """Remove what an interrupted count left; the folder belongs to this clip only."""
    for path in (folder, *folder.parent.glob(f".{folder.name}*")):
        shutil.rmtree(path, ignore_errors=True)


def _give_up(book: Book, clip: HandedIn, claim: str, why: str) -> None:
    with book.writing(history=False) as connection:
        finish(connection, clip, claim, ClipState.NOT_COUNTED, why=why)


def _takes(connection: Connection, clip: HandedIn) -> Generator[Analysis, None, None]:
    """Return the other counts of the class, without their shots, whoever sent them."""
    for history in load_sets(connection, class_name=clip.class_name):
        if history.clip_sha256 == clip.sha256:
            continue
        try:
            yield replace(history.count.analysis(), shots=())
        except BadSettingsError:
            continue  # counted by another version


@contextmanager
def crew(book: str | None, workers: int, more: Sequence[str] = ()) -> Generator[None, None, None]:
    """Keep workers running during the block.

    Parameters
    ----------
    book : as named on the command line.
    workers : processes that count; one more checks. 0 starts none.
    more : further arguments for those that count.
    """
    if workers < 1:
        yield
        return
    kinds = [command_of(book, "checks", ()), *[command_of(book, "counts", more)] * workers]
    over = threading.Event()
    keepers = [threading.Thread(target=_keep_going, args=(kind, over)) for kind in kinds]
    for keeper in keepers:
        keeper.start()
    try:
        yield
    finally:
        over.set()
        for keeper in keepers:
            keeper.join()


def command_of(book: str | None, kind: str, more: Sequence[str]) -> list[str]:
    """Return the command line of a worker that only checks or only counts."""
    where = ("--book", book) if book else ()
    return [sys.executable, "-m", "shoegoal", "work", *where, "--only", kind, *more]


def parent_is_gone() -> bool:
    """Whether the process that started this worker has ended."""
    parent = os.environ.get(PARENT_VARIABLE)
    return parent is not None and os.getppid() != int(parent)


def _keep_going(command: Sequence[str], over: threading.Event) -> None:
    environment = os.environ | {PARENT_VARIABLE: str(os.getpid())}
    while not over.is_set():
        # Its own process group: Ctrl-C goes to the page, which then ends its workers.
        running = subprocess.Popen(
            command, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        while running.poll() is None and not over.wait(POLL_S):
            pass
        if running.poll() is None:
            running.terminate()
            try:
                running.wait(END_S)
            except subprocess.TimeoutExpired:
                running.kill()  # its claim runs out, and its clip is counted again
                running.wait()
        over.wait(PAUSE_S)
