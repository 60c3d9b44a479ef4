"""What of a class is still to be counted: told by what the clips hold, not by what was done last.

So a run that was broken off goes on where it stopped, and one that is started again does nothing
twice. A clip is known by the SHA-256 of its bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Connection, select

from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import StageRecord
from shoegoal.analysis.repeats import RESULT_SUFFIX
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import BadSettingsError, ClipUnreadableError
from shoegoal.record import schema
from shoegoal.scale.assignment import Assignment, NotAssigned
from shoegoal.scale.task import CountTask

HASHING_THREADS = 4
SAME_FILE = "this is the same file as"


@dataclass(frozen=True, slots=True)
class KnownSet:
    """A set of the record book that shows a clip."""

    set_id: int
    pupil: str
    stage: str
    signed: bool


@dataclass(frozen=True, slots=True)
class PlannedClip:
    """A clip of the class and what is to be done with it.

    Attributes
    ----------
    clip : the file.
    pupil, stage : as assigned; None where nobody said.
    sha256 : of the clip; None where it was not read.
    trouble, exit_code : why it cannot be counted, and what ``count`` would have ended with.
    task : to be done; None when there is a result already, or trouble.
    known : its set in the book; None while there is none.
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
        """Whether there is nothing to do: it is signed, or cannot be counted."""
        return self.trouble is not None or (self.known is not None and self.known.signed)


def plan_class(
    connection: Connection,
    assigned: Sequence[Assignment],
    untold: Iterable[NotAssigned],
    *,
    again: bool = False,
) -> list[PlannedClip]:
    """Say what is to be done with every clip of a class.

    Parameters
    ----------
    connection : from `Book.reading`.
    assigned, untold : the clips.
    again : count clips that have a result, too; signed sets stay as they are.

    Returns
    -------
    One for every clip, those that nobody can assign at the end.
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
        for one in untold
    ]
    return planned


def _refused(one: Assignment, trouble: str, exit_code: int) -> PlannedClip:
    stage = StageRecord.of(one.stage)
    return PlannedClip(one.clip, one.pupil, stage, None, trouble, exit_code)


def _known_sets(connection: Connection) -> dict[str, KnownSet]:
    """Every set of the book by its clip's SHA-256."""
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
    """Say where the book has the clip under another pupil or stage."""
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
    """Whether the folder beside the clip holds a count of these bytes, for the same goal."""
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
    """Take out what of a stage a count depends on; the rest is judged from the count later."""
    return stage.touches is None, stage.width_steps, stage.back_steps, stage.ball_size
