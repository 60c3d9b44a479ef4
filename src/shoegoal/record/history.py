"""A set with its whole history, read from the book, and as JSON values.

The JSON is what ``--json`` prints and an export holds.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, RowMapping, select

from shoegoal.analysis.file import analysis_from_json
from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.record import schema
from shoegoal.record.accuracy import AS_SHIPPED, Trust, trust_of
from shoegoal.record.journal import set_version
from shoegoal.record.schema import WITHDRAWN, stands_signed
from shoegoal.record.status import (
    Correction,
    SetStatus,
    ShotStatus,
    read_correction,
    serialise_change,
    set_status,
    still_held,
)


@dataclass(frozen=True, slots=True)
class Count:
    """One count of the set's clip, and its place in the journal."""

    seq: int
    sha256: str
    calibration_sha256: str
    content: str

    def analysis(self) -> Analysis:
        """Read the count."""
        return analysis_from_json(self.content.encode(), f"the count in entry {self.seq}")


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature: by whom, when, and what was signed."""

    seq: int
    at: str
    by: str
    content: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """A withdrawn signature: when, by whom and why; the signature itself is kept."""

    seq: int
    at: str
    by: str
    reason: str
    signature_seq: int

    @property
    def sentence(self) -> str:
        """The withdrawal for a list of remarks, without its author."""
        return f"the signature was withdrawn: {self.reason}"


@dataclass(frozen=True, slots=True)
class SetHistory:
    """A set.

    Attributes
    ----------
    set_id, version : its number, and how many journal entries it has.
    pupil, class_name, ladder : names; class and ladder may be None.
    stage : what it is judged by.
    clip_sha256, clip_name, added_at : the clip, and when it was added to the book.
    clip_path, folder_path : last known place of clip and pictures; None when unknown or removed.
    counts : all counts of the clip, the first one first.
    corrections : all of them, undone ones included, in order.
    signature : None while not signed, or when it was withdrawn.
    withdrawals : signatures that were withdrawn, in order.
    trust : how far the book's own checks change the trust in its calls, while the set is open.
    """

    set_id: int
    version: int
    pupil_id: int
    pupil: str
    class_name: str | None
    ladder: str | None
    stage: StageRecord
    clip_sha256: str
    clip_name: str
    added_at: str
    clip_path: Path | None
    folder_path: Path | None
    counts: tuple[Count, ...]
    corrections: tuple[Correction, ...]
    signature: Signature | None
    withdrawals: tuple[Withdrawal, ...] = ()
    trust: Trust = AS_SHIPPED

    @property
    def held(self) -> list[Correction]:
        """Corrections that were not undone."""
        return still_held(self.corrections)

    @property
    def count(self) -> Count:
        """The valid count: the newest, unless it came with a correction that was undone."""
        corrected = {c.seq for c in self.corrections}
        held = {c.seq for c in self.held}
        return [c for c in self.counts if c.seq not in corrected or c.seq in held][-1]

    @property
    def is_recounted(self) -> bool:
        """Whether the valid count was made again for a moved marker."""
        return self.count.seq in {correction.seq for correction in self.corrections}

    def status(self, analysis: Analysis | None = None) -> SetStatus:
        """Return the set's present status; ``analysis`` saves reading `count` again."""
        counted = self.count.analysis() if analysis is None else analysis
        if self.signature is None:
            counted = self.trust.weighed(counted)
        return set_status(counted, self.stage_asked, [c.change for c in self.held])

    def open_status(self) -> SetStatus | None:
        """Return the status of a set that can still change; None when it is signed.

        None, too, when this version cannot read its count.
        """
        if self.signature is not None:
            return None
        try:
            return self.status()
        except BadSettingsError:
            return None

    @property
    def stage_asked(self) -> Stage:
        """The stage with its rule."""
        return self.stage.to_stage()

    @property
    def counts_touches(self) -> bool:
        """Whether it is a set of touches rather than of shots at a goal."""
        return self.stage.rule_kind == TouchesInARow.kind

    def clip_state(self) -> str:
        """Return the clip's state: ``as counted``, ``changed`` or ``not found``."""
        if self.clip_path is None or not self.clip_path.is_file():
            return "not found"
        return "as counted" if file_sha256(self.clip_path) == self.clip_sha256 else "changed"


def file_sha256(path: Path) -> str:
    """Hash a file; kept until its change time (ctime), which nobody can set, changes.

    Raises
    ------
    ClipUnreadableError
        It cannot be read.
    """
    try:
        seen = path.stat()
    except OSError:
        return clip_sha256(path)  # which explains it
    return _sha256_of(path, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)


@lru_cache(maxsize=4096)
def _sha256_of(path: Path, *_: int) -> str:
    return clip_sha256(path)


def load_set(connection: Connection, set_id: int) -> SetHistory:
    """Read one set.

    Raises
    ------
    BadSettingsError
        There is no such set.
    """
    found = load_sets(connection, set_id=set_id)
    if not found:
        raise BadSettingsError(f"there is no set {set_id} in the book; choose one from its list")
    return found[0]


def load_sets(
    connection: Connection,
    *,
    set_id: int | None = None,
    class_name: str | None = None,
    pupil: str | None = None,
    signed: bool | None = None,
) -> list[SetHistory]:
    """Read all sets, or some, in order of their numbers.

    Parameters
    ----------
    connection : from `Book.reading` or `Book.writing`.
    set_id, class_name, pupil : only this set, or those of this class or pupil.
    signed : only signed sets, or only unsigned ones.
    """
    sets, pupils, classes = schema.sets.c, schema.pupils.c, schema.classes.c
    query = (
        select(
            schema.sets,
            pupils.name.label("pupil"),
            classes.name.label("class_name"),
            schema.ladders.c.title.label("ladder"),
            schema.places.c.clip_path,
            schema.places.c.folder_path,
        )
        .join(schema.pupils, pupils.id == sets.pupil_id)
        .outerjoin(schema.classes, classes.id == pupils.class_id)
        .outerjoin(schema.ladders, schema.ladders.c.id == sets.ladder_id)
        .outerjoin(schema.places, schema.places.c.set_id == sets.id)
        .order_by(sets.id)
    )
    if set_id is not None:
        query = query.where(sets.id == set_id)
    if class_name is not None:
        query = query.where(classes.name == class_name)
    if pupil is not None:
        query = query.where(pupils.name == pupil)
    if signed is not None:
        stands = stands_signed(sets.id)
        query = query.where(stands if signed else ~stands)
    trust = trust_of(connection)
    return [_history(connection, row, trust) for row in connection.execute(query).mappings().all()]


def _history(connection: Connection, row: RowMapping, trust: Trust) -> SetHistory:
    set_id = row["id"]
    stage: dict[str, Any] = json.loads(row["stage"])
    return SetHistory(
        set_id=set_id,
        version=set_version(connection, set_id),
        pupil_id=row["pupil_id"],
        pupil=row["pupil"],
        class_name=row["class_name"],
        ladder=row["ladder"],
        stage=StageRecord(**stage),
        clip_sha256=row["clip_sha256"],
        clip_name=row["clip_name"],
        added_at=row["added_at"],
        clip_path=_path(row["clip_path"]),
        folder_path=_path(row["folder_path"]),
        counts=_counts(connection, set_id),
        corrections=_corrections(connection, set_id),
        signature=_signature(connection, set_id),
        withdrawals=_withdrawals(connection, set_id),
        trust=trust,
    )


def _path(text: str | None) -> Path | None:
    return None if text is None else Path(text)


def _counts(connection: Connection, set_id: int) -> tuple[Count, ...]:
    table = schema.analyses.c
    query = select(table.seq, table.sha256, table.calibration_sha256, table.content)
    found = connection.execute(query.where(table.set_id == set_id).order_by(table.seq)).all()
    return tuple(Count(*row) for row in found)


def _corrections(connection: Connection, set_id: int) -> tuple[Correction, ...]:
    table, journal = schema.corrections.c, schema.journal.c
    query = (
        select(table.seq, journal.at, table.content)
        .join(schema.journal, journal.seq == table.seq)
        .where(table.set_id == set_id)
        .order_by(table.seq)
    )
    found: Sequence[Any] = connection.execute(query).all()
    return tuple(read_correction(seq, at, json.loads(text)) for seq, at, text in found)


def _signature(connection: Connection, set_id: int) -> Signature | None:
    table, journal = schema.signatures.c, schema.journal.c
    query = (
        select(table.seq, journal.at, table.by_name, table.content)
        .join(schema.journal, journal.seq == table.seq)
        .where(table.set_id == set_id)
        .order_by(table.seq.desc())
    )
    found = connection.execute(query).first()
    withdrawn = select(journal.seq).where(journal.set_id == set_id, journal.kind == WITHDRAWN)
    if found is None or connection.scalar(withdrawn.where(journal.seq > found.seq)) is not None:
        return None
    return Signature(found.seq, found.at, found.by_name, json.loads(found.content))


def _withdrawals(connection: Connection, set_id: int) -> tuple[Withdrawal, ...]:
    journal = schema.journal.c
    query = select(journal.seq, journal.at, journal.payload).order_by(journal.seq)
    found = connection.execute(query.where(journal.set_id == set_id, journal.kind == WITHDRAWN))
    payloads = [(row.seq, row.at, json.loads(row.payload)) for row in found]
    return tuple(
        Withdrawal(seq, at, one["by"], one["reason"], one["signature"]) for seq, at, one in payloads
    )


def state_of(history: SetHistory, status: SetStatus | None) -> str:
    """Return what a set waits for (look, to sign, count again), or that it is signed."""
    if history.signature is not None:
        return "signed"
    if status is None:
        return "count again"
    return "look" if status.needs_a_look else "to sign"


def summary(history: SetHistory, status: SetStatus | None) -> dict[str, Any]:
    """Summarise a set; a signed one as it was signed, whatever later versions would say."""
    signature = history.signature
    return {
        "set": history.set_id,
        "version": history.version,
        "state": state_of(history, status),
        "pupil": history.pupil,
        "class": history.class_name,
        "ladder": history.ladder,
        "stage": history.stage.name,
        "counted_in": "touches" if history.counts_touches else "shots",
        "clip": history.clip_name,
        "added_at": history.added_at,
        **_result(history, status),
        "look_at": [] if status is None else list(status.looks),
        "signed_by": None if signature is None else signature.by,
        "signed_at": None if signature is None else signature.at,
    }


def counted_text(short: dict[str, Any]) -> str:
    """Write the count of a `summary`: ``2 of 3``, or of a dribble ``11 touches``."""
    makes = short["makes"]
    if makes is None:
        return ""
    if short["counted_in"] == "touches":
        return f"{makes} {'touch' if makes == 1 else 'touches'}"
    return f"{makes} of {makes + short['misses'] + short['unsure']}"


def _result(history: SetHistory, status: SetStatus | None) -> dict[str, Any]:
    if history.signature is not None:
        signed = history.signature.content
        return {**signed["tally"], "decision": signed["decision"], "sentence": signed["sentence"]}
    if status is None:
        unknown = dict.fromkeys(("makes", "misses", "unsure", "decision"))
        words = "the count was written by another version of shoegoal; count the clip again"
        return {**unknown, "sentence": words}
    tally, verdict = status.tally, status.verdict
    return {
        "makes": tally.makes,
        "misses": tally.misses,
        "unsure": tally.unsure,
        "decision": verdict.decision.value,
        "sentence": verdict.sentence,
    }


def detail(history: SetHistory, status: SetStatus, analysis: Analysis) -> dict[str, Any]:
    """Describe a set with its shots and corrections."""
    held = {correction.seq for correction in history.held}
    return summary(history, status) | {
        "stage_asked": asdict(history.stage),
        "clip_sha256": history.clip_sha256,
        "clip_state": history.clip_state(),
        "clip_path": None if history.clip_path is None else str(history.clip_path),
        "folder_path": None if history.folder_path is None else str(history.folder_path),
        "left_px": None if analysis.scene is None else asdict(analysis.scene.left_px),
        "right_px": None if analysis.scene is None else asdict(analysis.scene.right_px),
        "problems": list(analysis.problems),
        "look_through": [
            {
                "number": place,
                "clock": analysis.clock_span(doubt.time_s, doubt.until_s),
                "from_s": doubt.time_s,
                "until_s": doubt.until_s,
                "doubt": doubt.doubt,
            }
            for place, doubt in enumerate(status.doubts, start=1)
        ],
        "shots": [_shot(shot, analysis) for shot in status.shots],
        "corrections": [
            {
                "entry": correction.seq,
                "at": correction.at,
                "holds": correction.seq in held,
                **serialise_change(correction.change, correction.by),
            }
            for correction in history.corrections
        ],
        "withdrawals": [
            {
                "entry": one.seq,
                "at": one.at,
                "by": one.by,
                "reason": one.reason,
                "signature": one.signature_seq,
            }
            for one in history.withdrawals
        ],
    }


def _shot(shot: ShotStatus, analysis: Analysis) -> dict[str, Any]:
    counted = shot.counted
    return {
        "shot": shot.number,
        "kind": shot.kind.value,
        "clock": analysis.clock(shot.time_s),
        "kick_time_s": shot.time_s,
        "call": shot.call.value,
        "p_make": shot.p_make,
        "counts": shot.counts,
        "answer": None if shot.answer is None else shot.answer.value,
        "note": shot.note,
        "counted_call": None if counted is None else counted.call.value,
        "counted_p_make": None if counted is None else counted.p_make,
        "reason": "added by hand" if counted is None else counted.reason,
    }
