"""The demo: six pupils hand in over the page, workers count, some sets are signed.

Everything is in one folder, and the clips are sent over HTTP as a pupil's phone sends them.
"""

from __future__ import annotations

import base64
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass, replace
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import TypeAlias
from urllib.parse import urlsplit

from sqlalchemy import Connection

from shoegoal.analysis.folders import cannot_write
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import ClipNotJudgeableError, OutputError, ShoegoalError
from shoegoal.ladder.ladders import Ladder, load_ladder
from shoegoal.record.book import Book
from shoegoal.record.class_settings import ClassSettings, make_slips, remember_class
from shoegoal.record.filing import enrol
from shoegoal.record.handed_in import OPEN_STATES, ClipState, HandedIn, clips_of
from shoegoal.record.reviewing import sign
from shoegoal.record.set_states import waiting_sets
from shoegoal.review.guard import SLIP_COOKIE
from shoegoal.review.tus import PART_TYPE, UPLOADS, VERSION
from shoegoal.scale.assignments import Assignment, assignments_by_file_name
from shoegoal.scale.class_page import class_page
from shoegoal.scale.class_run import ClipOutcome, Watcher, outcome_of
from shoegoal.scale.results import ClassResults, class_results, pupils_of
from shoegoal.written import replace_file

SHIPPED = Path(__file__).parent / "clips"
LADDER_FILE = Path(__file__).with_name("short_ladder.toml")
MARK_FILE_NAME = "demo-of-shoegoal.txt"
MARK = (
    "shoegoal demo made this folder. Its pupils, class and teacher are invented, its clips are "
    "rendered.\nDelete the folder when you have seen enough.\n"
)
PART_BYTES = 200_000  # several parts for each clip, as from a phone
TIMEOUT_S = 60.0
CLASS_NAME = "5a"  # invented, as are pupils and teacher
TEACHER = "T. Quill"
# The demo signs these pupils' sets, if no shot needs a look, to show verified results.
SIGNED_PUPILS = ("Badger 2", "Hare 7", "Wren 11")
POLL_S = 0.2
END_S = 30.0
# Serves the page with workers; gives the page's address.
Site: TypeAlias = Callable[[Book], AbstractContextManager[str]]


class DemoFolder:
    """The paths of one demo.

    Parameters
    ----------
    place : the folder; `prepare` makes it.
    """

    def __init__(self, place: Path) -> None:
        self.place = place.absolute()
        self.clips = self.place / "clips"
        self.ladder = self.place / LADDER_FILE.name
        self.book = self.place / "book.sqlite3"
        self.page = self.place / "class.html"

    def prepare(self) -> None:
        """Make the folder with clips and ladder, or complete that of an earlier demo.

        Raises
        ------
        OutputError
            The folder is not a demo's, or cannot be written.
        """
        try:
            self._check_own()
            self.place.mkdir(exist_ok=True)
            # First, so that an unfinished folder is recognised.
            _write_missing(self.place / MARK_FILE_NAME, MARK.encode())
            self.clips.mkdir(exist_ok=True)
            _write_missing(self.ladder, LADDER_FILE.read_bytes())
            for clip in sorted(SHIPPED.glob("*.mp4")):
                _write_missing(self.clips / clip.name, clip.read_bytes())
        except OSError as error:
            raise cannot_write(self.place, error) from error

    def _check_own(self) -> None:
        if not self.place.parent.is_dir():
            raise OutputError(
                f"{self.place.parent} is not a folder, so {self.place.name} cannot be made in it; "
                "make the folder or name another with --out"
            )
        if self.place.is_dir():
            if (self.place / MARK_FILE_NAME).is_file() or not any(self.place.iterdir()):
                return
        elif not self.place.exists() and not self.place.is_symlink():
            return
        raise OutputError(
            f"{self.place} exists and is not a folder of a demo, so it is left alone; "
            "name another with --out"
        )


def _write_missing(path: Path, content: bytes) -> None:
    """Write a file unless it is there already."""
    if not (path.is_file() and path.read_bytes() == content):
        replace_file(path, content)


class SendingError(ShoegoalError):
    """The page did not take a clip."""


def hand_in(slip_link: str, clip: Path, stage: str) -> None:
    """Hand in a clip with a slip, as the page's script does (tus 1.0).

    Parameters
    ----------
    slip_link : as on the slip.
    clip, stage : the clip, and what it was filmed for.

    Raises
    ------
    SendingError
        The page does not answer, or refuses the slip or the clip.
    """
    where = urlsplit(slip_link)
    content = clip.read_bytes()
    try:
        with closing(HTTPConnection(where.netloc, timeout=TIMEOUT_S)) as line:
            # The link's answer leads to the page and stores the secret.
            cookie = _asked(line, "GET", where.path, {}, 303)["set-cookie"].split(";")[0]
            if not cookie.startswith(SLIP_COOKIE):
                raise SendingError(f"{slip_link} is the link of no slip")
            headers = {
                "cookie": cookie,
                "origin": f"{where.scheme}://{where.netloc}",
                "tus-resumable": VERSION,
            }
            metadata = {"filename": clip.name, "filetype": "video/mp4", "stage": stage}
            pairs = (f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in metadata.items())
            begin = {"upload-length": str(len(content)), "upload-metadata": ",".join(pairs)}
            place = _asked(line, "POST", UPLOADS, headers | begin, 201)["location"]
            for offset in range(0, len(content), PART_BYTES):
                part = {"upload-offset": str(offset), "content-type": PART_TYPE}
                body = content[offset : offset + PART_BYTES]
                _asked(line, "PATCH", place, headers | part, 204, body)
    except (OSError, HTTPException) as error:
        raise SendingError(f"the page did not take {clip.name} ({error})") from error


def _asked(
    line: HTTPConnection,
    method: str,
    path: str,
    headers: dict[str, str],
    wanted: int,
    body: bytes = b"",
) -> dict[str, str]:
    """Send a request, and return the headers of the answer."""
    line.request(method, path, body or None, headers)
    answer = line.getresponse()
    said = answer.read().decode("utf-8", "replace")
    if answer.status != wanted:
        raise SendingError(f"the page answered {answer.status}: {' '.join(said.split())[:200]}")
    return {name.casefold(): value for name, value in answer.getheaders()}


@dataclass(frozen=True, slots=True)
class Demo:
    """The result of a demo.

    Attributes
    ----------
    outcomes : of the clips, as handed in now or before.
    results : of the class, now.
    signed, to_look_at, to_sign : ids of sets.
    """

    outcomes: tuple[ClipOutcome, ...]
    results: ClassResults
    signed: tuple[int, ...]
    to_look_at: tuple[int, ...]
    to_sign: tuple[int, ...]


def run_demo(folder: DemoFolder, site: Site, watcher: Watcher | None = None) -> Demo:
    """Hand in the clips of a prepared folder, wait for the counts, sign some, write the page.

    The work of an earlier run, or of a person since, is kept.

    Parameters
    ----------
    folder : prepared.
    site : where the clips are handed in and counted.
    watcher : callbacks while clips are counted.

    Raises
    ------
    ShoegoalError
        The folder's book cannot be used, the page refuses a clip or ends early, or the class page
        cannot be written.
    """
    watching = watcher or Watcher()
    book, ladder = Book(str(folder.book)), load_ladder(folder.ladder)
    assigned, _ = assignments_by_file_name(folder.clips, ladder)
    settings = _class_of(book, ladder, [one.pupil for one in assigned])
    to_send = _not_handed_in(book, assigned)
    watching.begun([one.clip.name for one in to_send])
    if to_send or _open_clips(book):
        with site(book) as address:
            for one in to_send:
                hand_in(_slip_link(book, settings, address, one.pupil), one.clip, one.stage.name)
            _wait_for_counts(book, assigned, watching, address)
    outcomes = _outcomes(book, assigned, [one.pupil for one in to_send])
    for outcome in outcomes:
        may_sign = outcome.state == "to sign" and outcome.pupil in SIGNED_PUPILS
        if outcome.set_id is not None and may_sign:
            sign(book, outcome.set_id, TEACHER)
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


@contextmanager
def page_with_workers(book: Book, workers: int) -> Generator[str, None, None]:
    """Serve the page as a teacher does, in another process; give its address.

    Raises
    ------
    ShoegoalError
        It does not start.
    """
    command = [sys.executable, "-m", "shoegoal", "review", "--workers", str(workers)]
    running = subprocess.Popen(
        [*command, "--book", str(book.file)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,  # Ctrl-C goes to the demo, which then ends the page
    )  # fmt: skip
    try:
        assert running.stdout is not None and running.stderr is not None
        address = running.stdout.readline().partition("?")[0].strip().rstrip("/")
        if not address:
            raise ShoegoalError(f"the page did not start: {running.stderr.read().strip()}")
        yield address
    finally:
        running.terminate()
        try:
            running.communicate(timeout=END_S)
        except subprocess.TimeoutExpired:
            running.kill()
            running.communicate()


def _class_of(book: Book, ladder: Ladder, pupils: Sequence[str]) -> ClassSettings:
    """Enter the class and its pupils, unless they are in the book."""
    with book.writing() as connection:
        known = set(_known_pupils(connection))
        enrol(connection, CLASS_NAME, [name for name in pupils if name not in known], 0)
        return remember_class(connection, CLASS_NAME, ladder=ladder)


def _known_pupils(connection: Connection) -> list[str]:
    try:
        return pupils_of(connection, CLASS_NAME)
    except ShoegoalError:  # there is no such class yet
        return []


def _latest(connection: Connection) -> dict[str, HandedIn]:
    """Return each pupil's newest clip that was not replaced."""
    clips = [one for one in clips_of(connection) if one.state is not ClipState.SET_ASIDE]
    return {one.pupil: one for one in reversed(clips)}


def _not_handed_in(book: Book, assigned: Sequence[Assignment]) -> list[Assignment]:
    """Return the clips that are not in the book yet, compared byte for byte."""
    with book.reading() as connection:
        latest = _latest(connection)
    return [
        one
        for one in assigned
        if one.pupil not in latest or latest[one.pupil].sha256 != clip_sha256(one.clip)
    ]


def _open_clips(book: Book) -> int:
    with book.reading() as connection:
        return len(clips_of(connection, states=OPEN_STATES))


def _slip_link(book: Book, settings: ClassSettings, address: str, pupil: str) -> str:
    """Make a slip for a pupil; the demo prints none, so nobody has an earlier one."""
    with book.writing() as connection:
        (slip,) = make_slips(connection, settings, [pupil], again=True)
    return f"{address}/h/{settings.code}/{slip.secret}"


def _wait_for_counts(
    book: Book, assigned: Sequence[Assignment], watching: Watcher, address: str
) -> None:
    """Wait until the queue is empty, as long as the page runs."""
    done: set[str] = set()
    while True:
        with book.reading() as connection:
            latest = _latest(connection)
        for one in assigned:
            clip = latest.get(one.pupil)
            if clip is not None and clip.state not in OPEN_STATES and one.pupil not in done:
                done.add(one.pupil)
                watching.finished(_outcome(book, one, clip, is_new=True))
        if not any(clip.state in OPEN_STATES for clip in latest.values()):
            return
        _check_answers(address)
        time.sleep(POLL_S)


def _check_answers(address: str) -> None:
    where = urlsplit(address)
    try:
        socket.create_connection((where.hostname, where.port), END_S).close()
    except OSError as error:
        raise ShoegoalError(
            f"the page at {address} has ended ({error}); run the demo again to continue"
        ) from error


def _outcomes(
    book: Book, assigned: Sequence[Assignment], sent_now: Sequence[str]
) -> list[ClipOutcome]:
    with book.reading() as connection:
        latest = _latest(connection)
    return [
        _outcome(book, one, latest[one.pupil], is_new=one.pupil in sent_now) for one in assigned
    ]


def _outcome(book: Book, one: Assignment, clip: HandedIn, *, is_new: bool) -> ClipOutcome:
    """Return a clip's outcome."""
    if clip.set_id is None:
        asked = " ".join(clip.filming["change"]) if clip.filming else ""
        why = clip.why or asked or clip.state.value
        return ClipOutcome(
            one.clip.name, one.pupil, one.stage.name, "failed", sentence=why,
            exit_code=ClipNotJudgeableError.exit_code,
        )  # fmt: skip
    stands = outcome_of(
        book, clip.set_id, one.clip.name, one.pupil, one.stage.name, "counted" if is_new else ""
    )
    before = "signed before" if stands.state == "signed" else "counted before"
    return stands if is_new else replace(stands, news=before)
