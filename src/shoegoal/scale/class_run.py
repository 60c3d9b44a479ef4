"""A class from clips to sets in the record book; a clip that fails does not stop the others."""

from __future__ import annotations

import json
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

from sqlalchemy import Connection, select

from shoegoal.analysis.file import ANALYSIS_FILE_NAME, load_analysis, save_analysis
from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.analysis.repeats import RESULT_SUFFIX, same_take, with_same_takes
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import BadSettingsError, ClipUnreadableError, RecordBookError, ShoegoalError
from shoegoal.ladder.ladders import Ladder
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.filing import enrol, file_count
from shoegoal.record.history import load_set, summary
from shoegoal.scale.assignments import Assignment, NotAssigned
from shoegoal.scale.tasks import CountTask, OnTaskProgress, TaskDone, Work, count_clip

HASHING_THREADS = 4
SAME_FILE = "this is the same file as"
MAX_NAMES_SHOWN = 5
NEWS = ("counted", "counted before", "signed before", "failed")
# Runs tasks: `run_in_processes` or `run_on_cluster`, with workers or address filled in.
Runner: TypeAlias = Callable[
    [Sequence[CountTask], Work, OnTaskProgress], Generator[TaskDone, None, None]
]


@dataclass(frozen=True, slots=True)
class KnownSet:
    """A clip's set in the record book."""

    set_id: int
    pupil: str
    stage: str
    signed: bool


@dataclass(frozen=True, slots=True)
class PlannedClip:
    """A clip of the class and what to do with it.

    Attributes
    ----------
    clip : the file.
    pupil, stage : as assigned; None where unknown.
    sha256 : of the clip; None where it could not be read.
    trouble, exit_code : why it cannot be counted, and the exit code of ``count``.
    task : to do; None when there is a result already, or trouble.
    known : its set in the book; None without one.
    """

    clip: Path
    pupil: str | None
    stage: StageRecord | None
    sha256: str | None = None
    trouble: str | None = None
    exit_code: int = 0
    task: CountTask | None = None
    known: KnownSet | None = None

    @property
    def folder(self) -> Path:
        """The result folder, as `count` names it."""
        return self.clip.with_name(self.clip.stem + RESULT_SUFFIX)

    @property
    def is_settled(self) -> bool:
        """Whether there is nothing to do, because it is signed or cannot be counted."""
        return self.trouble is not None or (self.known is not None and self.known.signed)


def plan_class(
    connection: Connection,
    assigned: Sequence[Assignment],
    unassigned: Iterable[NotAssigned],
    *,
    again: bool = False,
) -> list[PlannedClip]:
    """Decide what to do with every clip of a class.

    Parameters
    ----------
    connection : from `Book.reading`.
    assigned, unassigned : the clips.
    again : count clips that have a result, too; signed sets stay as they are.

    Returns
    -------
    One for every clip, unassigned ones last.
    """
    known = _known_sets(connection)
    hashes = _hashes([one.clip for one in assigned])
    first_of: dict[str, Path] = {}
    owner_of: dict[Path, Path] = {}
    planned = []
    for one, sha256 in zip(assigned, hashes, strict=True):
        if isinstance(sha256, ClipUnreadableError):
            planned.append(_refused(one, str(sha256), sha256.exit_code))
            continue
        first = first_of.setdefault(sha256, one.clip)
        clip = PlannedClip(one.clip, one.pupil, StageRecord.of(one.stage), sha256)
        clip = replace(clip, known=known.get(sha256))
        owner = owner_of.setdefault(clip.folder, one.clip)
        trouble: str | None
        if first != one.clip:
            trouble = f"{SAME_FILE} {first.name}; a set is counted once"
        elif owner != one.clip:
            trouble = f"its result would replace that of {owner.name}; give it another name"
        else:
            trouble = _contradiction(clip)
        if trouble:
            planned.append(replace(clip, trouble=trouble, exit_code=BadSettingsError.exit_code))
        elif clip.is_settled or (not again and _has_result(clip)):
            planned.append(clip)
        else:
            task = CountTask(f"{sha256}-{one.stage.name}", one.clip, clip.folder, one.stage)
            planned.append(replace(clip, task=task))
    planned += [
        PlannedClip(one.clip, None, None, None, one.reason, BadSettingsError.exit_code)
        for one in unassigned
    ]
    return planned


def _refused(one: Assignment, trouble: str, exit_code: int) -> PlannedClip:
    stage = StageRecord.of(one.stage)
    return PlannedClip(one.clip, one.pupil, stage, None, trouble, exit_code)


def _known_sets(connection: Connection) -> dict[str, KnownSet]:
    """Return every set of the book, by its clip's SHA-256."""
    sets, pupils = schema.sets.c, schema.pupils.c
    signed = schema.stands_signed(sets.id).label("signed")
    query = select(sets.clip_sha256, sets.id, pupils.name, sets.stage, signed).join(
        schema.pupils, pupils.id == sets.pupil_id
    )
    return {
        sha256: KnownSet(set_id, pupil, str(json.loads(stage)["name"]), bool(is_signed))
        for sha256, set_id, pupil, stage, is_signed in connection.execute(query)
    }


def _hashes(clips: Sequence[Path]) -> list[str | ClipUnreadableError]:
    with ThreadPoolExecutor(HASHING_THREADS) as threads:
        return list(threads.map(_hash, clips))


def _hash(clip: Path) -> str | ClipUnreadableError:
    try:
        return clip_sha256(clip)
    except ClipUnreadableError as error:
        return error


def _contradiction(clip: PlannedClip) -> str | None:
    """Say if the book has the clip under another pupil or stage."""
    known, stage = clip.known, clip.stage
    if known is None or stage is None:
        return None
    if known.pupil != clip.pupil:
        return f"it is set {known.set_id} of {known.pupil} already, so it cannot be {clip.pupil}'s"
    if known.stage != stage.name:
        return (
            f'it is set {known.set_id}, of the stage "{known.stage}", already, so it cannot be of '
            f'"{stage.name}"'
        )
    return None


def _has_result(clip: PlannedClip) -> bool:
    """Whether the folder beside the clip holds a count of the same file and goal."""
    try:
        analysis = load_analysis(clip.folder)
    except BadSettingsError:
        return False
    stage = clip.stage
    return (
        stage is not None
        and analysis.clip.sha256 == clip.sha256
        and _task_of(analysis.stage) == _task_of(stage)
    )


def _task_of(stage: StageRecord) -> tuple[object, ...]:
    """Return the parts of a stage that a count depends on; the rest is judged from the count."""
    return stage.touches is None, stage.width_steps, stage.back_steps, stage.ball_size


@dataclass(frozen=True, slots=True)
class ClipOutcome:
    """The outcome of one clip of the class.

    Attributes
    ----------
    clip, pupil, stage : names; pupil and stage are None where unknown.
    news : one of `NEWS`.
    set_id : in the record book; None for a failed clip.
    state : what the set waits for (`shoegoal.record.history.state_of`).
    sentence : the verdict, or what went wrong.
    exit_code : of a failed clip, the exit code of ``count``.
    film_s : length of a clip that was counted now.
    wall_s, cpu_s : time for counting it, or trying to.
    """

    clip: str
    pupil: str | None
    stage: str | None
    news: str
    set_id: int | None = None
    state: str | None = None
    sentence: str = ""
    exit_code: int = 0
    film_s: float = 0.0
    wall_s: float = 0.0
    cpu_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Watcher:
    """Callbacks while a class is counted.

    Attributes
    ----------
    begun : called once, with the clips to count.
    share : called with a clip's name and the share that is done.
    finished : called with every outcome as it comes.
    """

    begun: Callable[[Sequence[str]], None] = lambda names: None
    share: Callable[[str, float], None] = lambda name, share: None
    finished: Callable[[ClipOutcome], None] = lambda outcome: None


def run_class(
    book: Book,
    assigned: Sequence[Assignment],
    unassigned: Iterable[NotAssigned],
    *,
    class_name: str,
    ladder: Ladder,
    runner: Runner,
    enter_new_pupils: bool = False,
    again: bool = False,
    work: Work | None = None,
    watcher: Watcher | None = None,
) -> list[ClipOutcome]:
    """Count what is not counted yet, and add every count to the book.

    Parameters
    ----------
    book : the record book; written to by this process alone.
    assigned, unassigned : the clips.
    class_name, ladder : of the class.
    runner : runs the tasks.
    enter_new_pupils : enter pupils who are not in the book; otherwise they are refused.
    again : count clips that have a result, too.
    work : function to call for each clip; default: `count_clip`.
    watcher : callbacks.

    Returns
    -------
    One outcome for each clip, in the order of the clips.

    Raises
    ------
    BadSettingsError
        A pupil is unknown, or of another class; nothing was counted.
    RecordBookError
        The book cannot be used; finished counts are kept, and another run continues from there.
    """
    watching = watcher or Watcher()
    _settle_pupils(book, class_name, [one.pupil for one in assigned], enter_new_pupils)
    with book.reading() as connection:
        planned = plan_class(connection, assigned, unassigned, again=again)
    filing = _Filing(book, class_name, ladder)
    by_key = {one.task.key: one for one in planned if one.task is not None}
    tasks = [one.task for one in planned if one.task is not None]
    watching.begun([task.clip.name for task in tasks])
    outcomes: dict[Path, ClipOutcome] = {}

    def settle(one: PlannedClip, outcome: ClipOutcome) -> None:
        outcomes[one.clip] = outcome
        watching.finished(outcome)

    # Existing results first, so that a take sent twice is noted on the newer clip.
    for one in planned:
        if one.task is None:
            settle(one, filing.without_counting(one))
    running = runner(
        tasks, work or count_clip, lambda key, s: watching.share(by_key[key].clip.name, s)
    )
    with closing(running):  # so that no task goes on after an interruption
        for done in running:
            one = by_key[done.key]
            settle(one, filing.counted(one, done))
    return [outcomes[one.clip] for one in planned]


class _Filing:
    """Adds counts to the book, one after the other."""

    def __init__(self, book: Book, class_name: str, ladder: Ladder) -> None:
        self._book = book
        self._class_name = class_name
        self._ladder = ladder
        self._seen: list[Analysis] = []  # without their shots, for comparing takes

    def without_counting(self, one: PlannedClip) -> ClipOutcome:
        """Add an existing result, or say why there is none."""
        if one.trouble is not None:
            return _failed(one, one.trouble, one.exit_code)
        known = one.known
        if known is not None and known.signed:
            return self._stands(one, known.set_id, "signed before")
        return self._file(one, "counted before", is_new=known is None)

    def counted(self, one: PlannedClip, done: TaskDone) -> ClipOutcome:
        """Add the result of a task."""
        if done.trouble is not None:
            outcome = _failed(one, done.trouble, done.exit_code)
        else:
            outcome = self._file(one, "counted", is_new=True)
        return replace(outcome, wall_s=done.wall_s, cpu_s=done.cpu_s)

    def _file(self, one: PlannedClip, news: str, *, is_new: bool) -> ClipOutcome:
        try:
            analysis = load_analysis(one.folder)
            if is_new and not analysis.take.same_takes:
                analysis = with_repeats(analysis, one.folder, self._seen)
            self._seen.append(replace(analysis, shots=()))
            with self._book.writing() as connection:
                filed = file_count(
                    connection,
                    analysis,
                    one.folder.absolute(),
                    class_name=self._class_name,
                    pupil=one.pupil,
                    stage=one.stage,
                    ladder=self._ladder,
                )
        except RecordBookError:
            raise
        except ShoegoalError as error:
            return _failed(one, " ".join(str(error).split()), error.exit_code)
        film_s = analysis.clip.duration_s or 0.0
        return replace(self._stands(one, filed.set_id, news), film_s=film_s)

    def _stands(self, one: PlannedClip, set_id: int, news: str) -> ClipOutcome:
        stage = None if one.stage is None else one.stage.name
        return outcome_of(self._book, set_id, one.clip.name, one.pupil, stage, news)


def outcome_of(
    book: Book, set_id: int, clip: str, pupil: str | None, stage: str | None, news: str
) -> ClipOutcome:
    """Return the outcome of a clip from the state of its set.

    Parameters
    ----------
    book, set_id : the set.
    clip, pupil, stage : names, as the outcome shows them.
    news : what happened to the clip now; one of `NEWS`.
    """
    with book.reading() as connection:
        history = load_set(connection, set_id)
    short = summary(history, history.open_status())
    return ClipOutcome(clip, pupil, stage, news, set_id, short["state"], short["sentence"])


def with_repeats(analysis: Analysis, folder: Path, earlier: Iterable[Analysis]) -> Analysis:
    """Note, in the result's folder too, which earlier counts of a class show the same take."""
    same = [
        found
        for other in earlier
        if other.clip.sha256 != analysis.clip.sha256
        and (found := same_take(analysis, other)) is not None
    ]
    if same:
        analysis = with_same_takes(analysis, same)
        save_analysis(folder / ANALYSIS_FILE_NAME, analysis)
    return analysis


def _failed(one: PlannedClip, trouble: str, exit_code: int) -> ClipOutcome:
    stage = None if one.stage is None else one.stage.name
    return ClipOutcome(
        one.clip.name, one.pupil, stage, "failed", sentence=trouble, exit_code=exit_code
    )


def _settle_pupils(book: Book, class_name: str, names: Sequence[str], enter: bool) -> None:
    """Check that all pupils are in the book, or enter those who are not."""
    with book.writing() as connection:
        unknown = _unknown_pupils(connection, class_name, list(dict.fromkeys(names)))
        if unknown and not enter:
            shown = ", ".join(unknown[:MAX_NAMES_SHOWN])
            more = len(unknown) - MAX_NAMES_SHOWN
            raise BadSettingsError(
                f"the book has no pupil {shown}{f' and {more} more' if more > 0 else ''}; "
                "correct the names, or enter these as new pupils with --enrol"
            )
        if unknown:
            enrol(connection, class_name, unknown, 0)


def _unknown_pupils(connection: Connection, class_name: str, names: Sequence[str]) -> list[str]:
    """Return the names that are not in the book.

    Raises
    ------
    BadSettingsError
        One is in another class.
    """
    pupils, classes = schema.pupils.c, schema.classes.c
    query = select(pupils.name, classes.name).outerjoin(
        schema.classes, classes.id == pupils.class_id
    )
    class_of = {row[0]: row[1] for row in connection.execute(query)}
    for name in names:
        if name in class_of and class_of[name] != class_name:
            raise BadSettingsError(
                f'the pupil "{name}" is in {class_of[name]}, not in {class_name}; names are unique '
                "in the book, so give one of the two another name"
            )
    return [name for name in names if name not in class_of]
