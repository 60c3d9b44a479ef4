"""What a teacher does to a set: answer, add, move a marker, undo, note, sign."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, insert

import shoegoal
from shoegoal.analysis.file import analysis_to_json
from shoegoal.analysis.words import event_name
from shoegoal.clip.clock import clock_text
from shoegoal.errors import BadSettingsError, NotYetCertainError, RecordChangedError
from shoegoal.record import schema
from shoegoal.record.accuracy import AS_SHIPPED
from shoegoal.record.book import Book, note_seen
from shoegoal.record.filing import described, write_count
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.journal import append, canonical_text, refuse_stale
from shoegoal.record.status import (
    ADDITIONS,
    ANSWERS,
    KIND_ANSWERED,
    Added,
    Answer,
    Answered,
    Change,
    LookedThrough,
    MarkerMoved,
    Noted,
    SetStatus,
    Side,
    Undone,
    kind_of,
    serialise_change,
    shot_at,
)
from shoegoal.types import ImagePoint

LONGEST_NOTE = 2000
LONGEST_NAME = 80


def answer_shot(
    book: Book,
    set_id: int,
    number: int,
    answer: Answer,
    *,
    note: str = "",
    by: str = "",
    seen: int | None = None,
) -> SetHistory:
    """Say what a shot is.

    Parameters
    ----------
    book : the record book.
    set_id, number : the shot, as the set shows it now.
    answer, note, by : what, a remark, and whose answer it is.
    seen : version of the set that the person saw; default: the newest.

    Returns
    -------
    The set afterwards.

    Raises
    ------
    BadSettingsError
        No such set or shot.
    RecordChangedError
        The set was changed since that version, or is signed.
    """
    with book.writing() as connection:
        history = _open_set(connection, set_id, seen)
        shots = history.status().shots
        found = next((shot for shot in shots if shot.number == number), None)
        if found is None:
            raise BadSettingsError(f"set {set_id} has no shot {number}; it has {len(shots)}")
        if answer not in ANSWERS[found.kind]:
            allowed = ", ".join(ANSWERS[found.kind])
            raise BadSettingsError(
                f"{event_name(found.kind, number)} of set {set_id} can be: {allowed}"
            )
        change = Answered(found.time_s, answer, _note(note))
        return _write(connection, history, change, by)


def add_shot(
    book: Book,
    set_id: int,
    clock_s: float,
    answer: Answer,
    *,
    note: str = "",
    by: str = "",
    seen: int | None = None,
) -> SetHistory:
    """Add a shot, touch or loss that was not counted, at ``clock_s`` of the player's clock.

    Parameters and errors are as for `answer_shot`; a kick at the time of another one is refused.
    """
    with book.writing() as connection:
        history = _open_set(connection, set_id, seen)
        allowed = ADDITIONS[history.counts_touches]
        if answer not in allowed:
            raise BadSettingsError(f"to set {set_id} can be added: {', '.join(allowed)}")
        analysis = history.count.analysis()
        time_s = analysis.clip.start_s + clock_s
        length_s = analysis.clip.duration_s
        if clock_s < 0 or (length_s is not None and clock_s > length_s):
            raise BadSettingsError(
                f"{clock_text(clock_s)} lies outside the clip, which lasts "
                f"{clock_text(length_s or 0.0)}"
            )
        near = shot_at(history.status(analysis).shots, time_s, KIND_ANSWERED[answer])
        if near is not None:
            raise BadSettingsError(
                f"{event_name(near.kind, near.number)} is at {analysis.clock(near.time_s)} "
                f"already; correct that one"
            )
        return _write(connection, history, Added(time_s, answer, _note(note)), by)


def move_marker(
    book: Book,
    set_id: int,
    side: Side,
    place_px: ImagePoint,
    *,
    note: str = "",
    by: str = "",
    seen: int | None = None,
) -> SetHistory:
    """Move a marker and judge the set again from the stored detections, without the clip.

    Parameters and errors are as for `answer_shot`, and as for `shoegoal.recount`.
    """
    with book.reading() as connection:
        history = _open_set(connection, set_id, seen)
    before = history.count.analysis()
    left, right = before.goal_scene.left_px, before.goal_scene.right_px
    # Between two transactions, because it takes seconds and would block other writers.
    if side is Side.LEFT:
        analysis = shoegoal.recount(before, place_px, right)
    else:
        analysis = shoegoal.recount(before, left, place_px)
    content = analysis_to_json(analysis)
    change = MarkerMoved(side, place_px.x_px, place_px.y_px, _note(note))
    with book.writing() as connection:
        history = _open_set(connection, set_id, history.version)
        seq = _append_change(connection, history, change, by, described(analysis, content))
        write_count(connection, seq, set_id, analysis, content)
        return load_set(connection, set_id)


def add_note(
    book: Book, set_id: int, note: str, *, by: str = "", seen: int | None = None
) -> SetHistory:
    """Store a remark about the set.

    Parameters and errors are as for `answer_shot`; an empty remark is refused.
    """
    if not note.strip():
        raise BadSettingsError("the note is empty")
    with book.writing() as connection:
        history = _open_set(connection, set_id, seen)
        return _write(connection, history, Noted(_note(note)), by)


def look_through(
    book: Book,
    set_id: int,
    places: Sequence[int] = (),
    *,
    note: str = "",
    by: str = "",
    seen: int | None = None,
) -> SetHistory:
    """Record that no shot is hidden at breaks of the clip or in long gaps.

    Parameters and errors are as for `answer_shot`; ``places`` name the set's doubtful stretches,
    counted from 1, all of them when none is named.
    """
    with book.writing() as connection:
        history = _open_set(connection, set_id, seen)
        doubts = history.status().doubts
        if not doubts:
            raise BadSettingsError(f"there is nothing to look through in set {set_id}")
        wrong = next((place for place in places if not 1 <= place <= len(doubts)), None)
        if wrong is not None:
            raise BadSettingsError(
                f"set {set_id} has no stretch {wrong} to look through; it has {len(doubts)}"
            )
        chosen = [doubts[place - 1] for place in places] if places else doubts
        stretches_s = tuple((one.time_s, one.until_s) for one in chosen)
        return _write(connection, history, LookedThrough(stretches_s, _note(note)), by)


def undo(book: Book, set_id: int, *, by: str = "", seen: int | None = None) -> SetHistory:
    """Undo the last correction that was not undone.

    Parameters and errors are as for `answer_shot`; without a correction it is refused.
    """
    with book.writing() as connection:
        history = _open_set(connection, set_id, seen)
        if not history.held:
            raise BadSettingsError(f"nothing of set {set_id} was corrected, so nothing is undone")
        return _write(connection, history, Undone(history.held[-1].seq), by)


def sign(book: Book, set_id: int, by: str, *, seen: int | None = None) -> SetHistory:
    """Sign a set; until the signature is withdrawn, nothing about the set can be changed.

    Parameters
    ----------
    book, set_id, seen : as for `answer_shot`.
    by : name of the person who signs.

    Raises
    ------
    NotYetCertainError
        The verdict still depends on shots that nobody has looked at.
    BadSettingsError, RecordChangedError
        As for `answer_shot`; the clip was changed since it was counted.
    """
    name = _signing_name(by)
    with book.reading() as connection:
        history = _open_set(connection, set_id, seen)
    if history.clip_state() == "changed":
        raise RecordChangedError(
            f"{history.clip_path} was changed since it was counted, so the set cannot be signed; "
            "put the clip back, or count it again and add it"
        )
    status = history.status()
    if status.needs_a_look:
        raise NotYetCertainError(
            f"set {set_id} cannot be signed yet: {status.verdict.sentence} "
            f"(shoegoal review show {set_id})"
        )
    # The book's own trust may ask for looks. What is signed rests on the count alone, so that later
    # checks do not change it.
    content = signed_content(history, replace(history, trust=AS_SHIPPED).status(), name)
    with book.writing() as connection:
        history = _open_set(connection, set_id, history.version)
        entry = append(connection, set_id, history.version, "signature", content)
        connection.execute(
            insert(schema.signatures).values(
                seq=entry.seq, set_id=set_id, by_name=name, content=canonical_text(content)
            )
        )
        signed = load_set(connection, set_id)
    note_seen(book.name, entry.seq, entry.hash)
    return signed


def withdraw(
    book: Book, set_id: int, reason: str, *, by: str, seen: int | None = None
) -> SetHistory:
    """Withdraw a set's signature, with a reason; the set can then be corrected and signed again.

    The signature and its withdrawal stay in the history.

    Parameters
    ----------
    book, set_id, seen : as for `answer_shot`.
    reason : in a few words, without real names.
    by : name of the person who withdraws it.

    Raises
    ------
    BadSettingsError
        No such set, no reason or no name; or the set is not signed.
    RecordChangedError
        The set was changed since that version.
    """
    name = _signing_name(by)
    if not reason.strip():
        raise BadSettingsError("say in a few words why the signature is withdrawn")
    with book.writing() as connection:
        history = load_set(connection, set_id)
        if history.signature is None:
            raise BadSettingsError(f"set {set_id} is not signed, so there is nothing to withdraw")
        if seen is not None:
            refuse_stale(set_id, seen, history.version)
        payload = {"by": name, "reason": _note(reason), "signature": history.signature.seq}
        append(connection, set_id, history.version, "withdrawn", payload)
        return load_set(connection, set_id)


def signed_calls(status: SetStatus) -> list[dict[str, Any]]:
    """Return every shot as a signature stores it."""
    return [
        {
            "shot": shot.number,
            "kick_time_s": shot.time_s,
            "call": shot.call.value,
            "counts": shot.counts,
            "answer": None if shot.answer is None else shot.answer.value,
        }
        for shot in status.shots
    ]


def signed_content(history: SetHistory, status: SetStatus, by: str) -> dict[str, Any]:
    """Return all that a signature confirms."""
    count = history.count
    tally = status.tally
    return {
        "by": by,
        "pupil": history.pupil_id,
        "pupil_name": history.pupil,
        "class_name": history.class_name,
        "ladder": history.ladder,
        "clip_name": history.clip_name,
        "tool_version": shoegoal.__version__,
        "clip_sha256": history.clip_sha256,
        "analysis_sha256": count.sha256,
        "calibration_sha256": count.calibration_sha256,
        "stage": asdict(history.stage),
        "calls": signed_calls(status),
        "tally": {"makes": tally.makes, "misses": tally.misses, "unsure": tally.unsure},
        "decision": status.verdict.decision.value,
        "sentence": status.verdict.sentence,
    }


def _open_set(connection: Connection, set_id: int, seen: int | None) -> SetHistory:
    """Read a set that can still be changed."""
    history = load_set(connection, set_id)
    if history.signature is not None:
        raise RecordChangedError(
            f"set {set_id} was signed by {history.signature.by}, so nothing about it can be "
            "changed any more; withdraw the signature first"
        )
    if seen is not None:
        refuse_stale(set_id, seen, history.version)
    return history


def _signing_name(by: str) -> str:
    name = " ".join(by.split())
    if not 1 <= len(name) <= LONGEST_NAME:
        raise BadSettingsError(f"a signature needs a name of 1 to {LONGEST_NAME} letters")
    return name


def _write(connection: Connection, history: SetHistory, change: Change, by: str) -> SetHistory:
    _append_change(connection, history, change, by, {})
    return load_set(connection, history.set_id)


def _append_change(
    connection: Connection, history: SetHistory, change: Change, by: str, beside: dict[str, Any]
) -> int:
    content = serialise_change(change, " ".join(by.split())[:LONGEST_NAME]) | beside
    entry = append(connection, history.set_id, history.version, "correction", content)
    connection.execute(
        insert(schema.corrections).values(
            seq=entry.seq,
            set_id=history.set_id,
            kind=kind_of(change),
            content=canonical_text(content),
        )
    )
    return entry.seq


def _note(note: str) -> str:
    if len(note) > LONGEST_NOTE:
        raise BadSettingsError(f"a note has at most {LONGEST_NOTE} letters")
    return note.strip()
