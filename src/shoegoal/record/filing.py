"""Adding counts to the book: whose set it is, which stage it is for, where its files are."""

from __future__ import annotations

import difflib
import hashlib
import json
import random
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, CursorResult, delete, insert, select

from shoegoal.analysis.file import analysis_from_json, analysis_to_json
from shoegoal.analysis.model import Analysis, StageRecord, serialise_ladder
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.history import file_sha256
from shoegoal.record.journal import (
    append,
    append_of_book,
    canonical_text,
    now_text,
    set_version,
    sha256_of,
)
from shoegoal.record.set_states import keep_state

UNNAMED_CLASS = "no class"
ANIMALS = (
    "Badger", "Beaver", "Bison", "Bumblebee", "Camel", "Cheetah", "Condor", "Cricket", "Curlew",
    "Dolphin", "Dormouse", "Egret", "Falcon", "Finch", "Gazelle", "Gecko", "Hedgehog", "Heron",
    "Ibex", "Jackdaw", "Kestrel", "Kingfisher", "Lemur", "Llama", "Lynx", "Marmot", "Martin",
    "Newt", "Ocelot", "Otter", "Panda", "Pelican", "Penguin", "Plover", "Puffin", "Quail",
    "Rabbit", "Raven", "Robin", "Salmon", "Seal", "Sparrow", "Squirrel", "Stork", "Swift",
    "Tapir", "Toucan", "Turtle", "Walrus", "Wombat", "Wren", "Zebra",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Filed:
    """The set that a count was filed as.

    Attributes
    ----------
    set_id, version, pupil : the set, its version now, and whose it is.
    news : ``new set``, ``counted again`` or ``already there``.
    clip_found : whether the clip is beside the result and is the one that was counted.
    """

    set_id: int
    version: int
    pupil: str
    news: str
    clip_found: bool


def enrol(
    connection: Connection, class_name: str, names: Sequence[str], invented: int
) -> list[str]:
    """Enter pupils of a class, and the class where it is new; return their names.

    Parameters
    ----------
    connection : from `Book.writing`.
    class_name : of the class.
    names : pseudonyms chosen by the teacher.
    invented : how many more to invent.

    Raises
    ------
    BadSettingsError
        A name is empty or taken.
    """
    class_id = _class_id(connection, _named(class_name, "class"))
    taken = set(connection.scalars(select(schema.pupils.c.name)))
    entered = []
    for wanted in [*names, *[None] * invented]:
        name = invent_name(taken) if wanted is None else _named(wanted, "pupil")
        if name in taken:
            raise BadSettingsError(f'there already is a pupil "{name}"; choose another name')
        taken.add(name)
        made = connection.execute(insert(schema.pupils).values(name=name, class_id=class_id))
        payload = {"pupil": _new_id(made), "class": class_id, "name": name}
        append_of_book(connection, "pupil", payload)
        entered.append(name)
    return entered


def enter_missing(book: Book, class_name: str, pupil: str) -> None:
    """Enter a pupil in a class, unless the book has a pupil of that name."""
    with book.writing() as connection:
        known = select(schema.pupils.c.id).where(schema.pupils.c.name == pupil)
        if connection.scalar(known) is None:
            enrol(connection, class_name, [pupil], 0)


def file_count(
    connection: Connection,
    analysis: Analysis,
    folder: Path,
    *,
    class_name: str | None = None,
    pupil: str | None = None,
    stage: StageRecord | None = None,
    ladder: Ladder | None = None,
) -> Filed:
    """Add a count to the book.

    Parameters
    ----------
    connection : from `Book.writing`.
    analysis, folder : what `count` wrote, and where.
    class_name, pupil : whose it is; by default a new pupil with an invented name.
    stage, ladder : to judge the set by, instead of the stage that it was counted for.

    Raises
    ------
    BadSettingsError
        The pupil is unknown or in another class, the stage asks for another goal, the clip was
        changed since it was counted, or its set is another pupil's.
    RecordChangedError
        The clip's set is signed, so no other count of it can be added.
    """
    clip = _clip_beside(analysis, folder)
    if stage is not None:
        _refuse_other_goal(stage, analysis.stage)
    sets = schema.sets.c
    row = connection.execute(
        select(sets.id, sets.pupil_id).where(sets.clip_sha256 == analysis.clip.sha256)
    ).first()
    if row is None:
        pupil_id = _pupil_id(connection, class_name, pupil)
        set_id = _new_set(connection, analysis, pupil_id, stage or analysis.stage, ladder)
    else:
        set_id, pupil_id = row.id, row.pupil_id
    name = connection.scalar(select(schema.pupils.c.name).where(schema.pupils.c.id == pupil_id))
    assert name is not None
    if pupil is not None and pupil != name:
        raise BadSettingsError(
            f"this clip is set {set_id} of {name} already, so it cannot be {pupil}'s too"
        )
    content = analysis_to_json(analysis)
    places = {"clip_path": None if clip is None else str(clip), "folder_path": str(folder)}
    _put_places(connection, set_id, places)
    if _is_there(connection, set_id, content):
        version = set_version(connection, set_id)
        return Filed(set_id, version, name, "already there", clip is not None)
    payload = {"pupil": pupil_id, "stage": asdict(_stage_of(connection, set_id))}
    version = set_version(connection, set_id)
    entry = append(connection, set_id, version, "analysis", payload | described(analysis, content))
    write_count(connection, entry.seq, set_id, analysis, content)
    keep_state(connection, set_id)
    news = "new set" if row is None else "counted again"
    return Filed(set_id, entry.set_version, name, news, clip is not None)


def described(analysis: Analysis, content: str) -> dict[str, Any]:
    """Describe a count for the journal: hashes of all its inputs, and every call."""
    return {
        "clip_sha256": analysis.clip.sha256,
        "tool_version": analysis.tool_version,
        "calibration_sha256": calibration_sha256(content),
        "analysis_sha256": hashlib.sha256(content.encode()).hexdigest(),
        "calls": [
            {
                "shot": shot.number,
                "kick_time_s": shot.kick_time_s,
                "call": shot.call.value,
                "p_make": shot.p_make,
            }
            for shot in analysis.shots
        ],
    }


def calibration_sha256(content: str) -> str:
    """Hash camera, markers and goal of an analysis file."""
    return sha256_of(json.loads(content)["scene"])


def write_count(
    connection: Connection, seq: int, set_id: int, analysis: Analysis, content: str
) -> None:
    """Store a count beside its journal entry."""
    payload = described(analysis, content)
    connection.execute(
        insert(schema.analyses).values(
            seq=seq,
            set_id=set_id,
            sha256=payload["analysis_sha256"],
            tool_version=payload["tool_version"],
            calibration_sha256=payload["calibration_sha256"],
            content=content,
        )
    )
    if payload["calls"]:
        rows = [call | {"analysis_seq": seq} for call in payload["calls"]]
        connection.execute(insert(schema.calls), rows)


def _clip_beside(analysis: Analysis, folder: Path) -> Path | None:
    clip = folder.parent / analysis.clip.name
    if not clip.is_file():
        return None
    if file_sha256(clip) != analysis.clip.sha256:
        raise BadSettingsError(
            f"{clip} was changed since it was counted, so the count is of another clip; "
            "count it again, then add it"
        )
    return clip


def _refuse_other_goal(stage: StageRecord, counted: StageRecord) -> None:
    if (stage.width_steps, stage.back_steps) != (counted.width_steps, counted.back_steps):
        raise BadSettingsError(
            f'the stage "{stage.name}" asks for another goal ({stage.sentence}) than the one that '
            f"was counted ({counted.sentence}); count the clip again with --stage {stage.name}"
        )


def _pupil_id(connection: Connection, class_name: str | None, pupil: str | None) -> int:
    pupils = schema.pupils.c
    if pupil is None:
        (pupil,) = enrol(connection, class_name or UNNAMED_CLASS, (), 1)
        class_name = None
    classes = schema.classes.c
    found = connection.execute(
        select(pupils.id, classes.name)
        .outerjoin(schema.classes, classes.id == pupils.class_id)
        .where(pupils.name == pupil)
    ).first()
    if found is None:
        names = list(connection.scalars(select(pupils.name)))
        close = difflib.get_close_matches(pupil, names, n=1)
        hint = f'did you mean "{close[0]}"? Else enter' if close else "enter"
        raise BadSettingsError(
            f'there is no pupil "{pupil}"; {hint} one with shoegoal record enrol --class CLASS '
            f'--pupil "{pupil}"'
        )
    if class_name is not None and found.name != class_name:
        raise BadSettingsError(f'the pupil "{pupil}" is in {found.name}, not in {class_name}')
    return int(found.id)


def _new_set(
    connection: Connection,
    analysis: Analysis,
    pupil_id: int,
    stage: StageRecord,
    ladder: Ladder | None,
) -> int:
    row = {
        "clip_sha256": analysis.clip.sha256,
        "clip_name": analysis.clip.name,
        "added_at": now_text(),
    }
    ladder_id = None if ladder is None else ladder_id_of(connection, ladder)
    made = connection.execute(
        insert(schema.sets).values(
            pupil_id=pupil_id, ladder_id=ladder_id, stage=canonical_text(asdict(stage)), **row
        )
    )
    payload = {"set": _new_id(made), "pupil": pupil_id, "ladder": ladder_id, "stage": asdict(stage)}
    append_of_book(connection, "set", payload | row)
    return _new_id(made)


def _class_id(connection: Connection, name: str) -> int:
    """Find a class by its name, or enter it."""
    table = schema.classes
    found = connection.scalar(select(table.c.id).where(table.c.name == name))
    if found is not None:
        return int(found)
    class_id = _new_id(connection.execute(insert(table).values(name=name)))
    append_of_book(connection, "class", {"class": class_id, "name": name})
    return class_id


def ladder_id_of(connection: Connection, ladder: Ladder) -> int:
    """Find a ladder by its content, or enter it."""
    table, content = schema.ladders, serialise_ladder(ladder)
    row = {"sha256": sha256_of(content), "title": ladder.title}
    found = connection.scalar(select(table.c.id).where(table.c.sha256 == row["sha256"]))
    if found is not None:
        return int(found)
    made = connection.execute(insert(table).values(content=canonical_text(content), **row))
    append_of_book(connection, "ladder", {"ladder": _new_id(made)} | row)
    return _new_id(made)


def _new_id(made: CursorResult[Any]) -> int:
    key = made.inserted_primary_key
    assert key is not None
    return int(key[0])


def _named(name: str, what: str) -> str:
    clean = " ".join(name.split())
    if not clean or len(clean) > 80:
        raise BadSettingsError(f"a {what}'s name has 1 to 80 letters")
    return clean


def _stage_of(connection: Connection, set_id: int) -> StageRecord:
    text = connection.scalar(select(schema.sets.c.stage).where(schema.sets.c.id == set_id))
    return StageRecord(**json.loads(str(text)))


def _put_places(connection: Connection, set_id: int, places: dict[str, str | None]) -> None:
    connection.execute(delete(schema.places).where(schema.places.c.set_id == set_id))
    connection.execute(insert(schema.places).values(set_id=set_id, **places))


def _is_there(connection: Connection, set_id: int, content: str) -> bool:
    """Whether this count is the one that was added last, perhaps in an older format."""
    table = schema.analyses.c
    corrected = select(schema.corrections.c.seq)
    newest = connection.scalar(
        select(table.content)
        .where(table.set_id == set_id, table.seq.not_in(corrected))
        .order_by(table.seq.desc())
        .limit(1)
    )
    if newest is None or newest == content:
        return newest == content
    try:
        return analysis_to_json(analysis_from_json(newest.encode(), "the book")) == content
    except BadSettingsError:  # damaged, so a readable count is new
        return False


LOWEST, HIGHEST = 10, 99


def invent_name(taken: Collection[str], source: random.Random | None = None) -> str:
    """Invent a pseudonym that is not in use.

    Parameters
    ----------
    taken : names in use.
    source : of random numbers; default: the operating system's, so that names do not reveal the
        order in which pupils came.
    """
    chance = source or random.SystemRandom()
    highest = HIGHEST
    while True:
        free = [
            name
            for animal in ANIMALS
            for number in range(LOWEST, highest + 1)
            if (name := f"{animal} {number}") not in taken
        ]
        if free:
            return chance.choice(free)
        highest = highest * 10 + 9
