"""A class's settings in the book: its ladder, its code for handing in, its limits."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, delete, insert, select, update

from shoegoal.analysis.model import deserialise_ladder
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder, load_ladder
from shoegoal.record import schema
from shoegoal.record.filing import ladder_id_of
from shoegoal.record.journal import now_text

CODE_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"  # none that is taken for another
CODE_LENGTH = 6
LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that looks like another


@dataclass(frozen=True, slots=True)
class HandInLimits:
    """How much may be handed in.

    Attributes
    ----------
    largest_mb, longest_min : of a clip.
    most_a_day : clips of a pupil.
    """

    largest_mb: int = 2000
    longest_min: int = 20
    most_a_day: int = 12


@dataclass(frozen=True, slots=True)
class ClassSettings:
    """A class and its settings.

    Attributes
    ----------
    class_id, name : of the class.
    code : part of the address that its pupils open; it reveals nothing.
    ladder_id, ladder : its ladder; the shipped one where none was given.
    limits : of handing in.
    """

    class_id: int
    name: str
    code: str
    ladder_id: int | None
    ladder: Ladder
    limits: HandInLimits


def settings_of(connection: Connection, class_name: str) -> ClassSettings | None:
    """Read a class's settings; None where it has none.

    Raises
    ------
    BadSettingsError
        Its ladder was written by another version.
    """
    return _read(connection, schema.classes.c.name == class_name)


def settings_by_code(connection: Connection, code: str) -> ClassSettings | None:
    """Find a class by the code in its address."""
    return _read(connection, schema.class_settings.c.code == code)


def settings_by_id(connection: Connection, class_id: int) -> ClassSettings | None:
    """Find a class by its number in the book."""
    return _read(connection, schema.classes.c.id == class_id)


def remembered_ladder(connection: Connection, class_name: str) -> Ladder | None:
    """Return the ladder that a class last used; None where none was given."""
    found = settings_of(connection, class_name)
    return None if found is None or found.ladder_id is None else found.ladder


def remember_class(
    connection: Connection,
    class_name: str,
    *,
    ladder: Ladder | None = None,
    limits: dict[str, int] | None = None,
) -> ClassSettings:
    """Set a class up, or change some of its settings.

    Parameters
    ----------
    connection : from `Book.writing`.
    class_name : of a class in the book.
    ladder : its ladder from now on.
    limits : fields of `HandInLimits` to change.

    Raises
    ------
    BadSettingsError
        There is no such class.
    """
    classes, table = schema.classes.c, schema.class_settings
    class_id = connection.scalar(select(classes.id).where(classes.name == class_name))
    if class_id is None:
        raise BadSettingsError(
            f'there is no class "{class_name}" in the book; enter its pupils first with shoegoal '
            f'record enrol --class "{class_name}" --invent 24'
        )
    values: dict[str, object] = dict(limits or {})
    if ladder is not None:
        values["ladder_id"] = ladder_id_of(connection, ladder)
    if connection.scalar(select(table.c.code).where(table.c.class_id == class_id)) is None:
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        connection.execute(insert(table).values(class_id=class_id, code=code, **values))
    elif values:
        connection.execute(update(table).where(table.c.class_id == class_id).values(**values))
    found = settings_by_id(connection, class_id)
    assert found is not None
    return found


def _read(connection: Connection, where: ColumnElement[bool]) -> ClassSettings | None:
    table, classes, ladders = schema.class_settings.c, schema.classes.c, schema.ladders.c
    row = connection.execute(
        select(schema.class_settings, classes.name, ladders.content)
        .join(schema.classes, classes.id == table.class_id)
        .outerjoin(schema.ladders, ladders.id == table.ladder_id)
        .where(where)
    ).first()
    if row is None:
        return None
    usual = HandInLimits()
    limits = HandInLimits(
        row.largest_mb or usual.largest_mb,
        row.longest_min or usual.longest_min,
        row.most_a_day or usual.most_a_day,
    )
    ladder = load_ladder() if row.content is None else deserialise_ladder(json.loads(row.content))
    return ClassSettings(row.class_id, row.name, row.code, row.ladder_id, ladder, limits)


GROUPS, GROUP_LENGTH = 4, 4


@dataclass(frozen=True, slots=True)
class Slip:
    """A pupil's slip, as printed; the secret is not stored."""

    pupil: str
    secret: str


@dataclass(frozen=True, slots=True)
class SlipHolder:
    """The pupil whose slip was shown.

    Attributes
    ----------
    pupil_id, pupil : whose it is.
    settings : of the pupil's class.
    """

    pupil_id: int
    pupil: str
    settings: ClassSettings


def make_slips(
    connection: Connection, settings: ClassSettings, pupils: Sequence[str] = (), *, again: bool
) -> list[Slip]:
    """Make slips for those pupils of a class who have none.

    Parameters
    ----------
    connection : from `Book.writing`.
    settings : of the class.
    pupils : by name; all of the class when none is named.
    again : for those who have one, too; the old one is no longer valid.

    Raises
    ------
    BadSettingsError
        A pupil is not of this class.
    """
    table, slips = schema.pupils.c, schema.slips.c
    rows = connection.execute(
        select(table.id, table.name, slips.secret_sha256)
        .outerjoin(schema.slips, slips.pupil_id == table.id)
        .where(table.class_id == settings.class_id)
    ).all()
    known = {row.name for row in rows}
    strange = next((name for name in pupils if name not in known), None)
    if strange is not None:
        raise BadSettingsError(f'there is no pupil "{strange}" in {settings.name}')
    made = []
    for row in sorted(rows, key=lambda row: str(row.name).casefold()):
        if (pupils and row.name not in pupils) or (row.secret_sha256 is not None and not again):
            continue
        secret = "-".join(
            "".join(secrets.choice(LETTERS) for _ in range(GROUP_LENGTH)) for _ in range(GROUPS)
        )
        connection.execute(delete(schema.slips).where(slips.pupil_id == row.id))
        connection.execute(
            insert(schema.slips).values(
                pupil_id=row.id, secret_sha256=_hashed(secret), made_at=now_text()
            )
        )
        made.append(Slip(row.name, secret))
    return made


def holder_of(connection: Connection, secret: str) -> SlipHolder | None:
    """Find the pupil of a secret; None where it is nobody's."""
    pupils, slips = schema.pupils.c, schema.slips.c
    row = connection.execute(
        select(pupils.id, pupils.name, pupils.class_id)
        .join(schema.slips, slips.pupil_id == pupils.id)
        .where(slips.secret_sha256 == _hashed(secret))
    ).first()
    if row is None or row.class_id is None:
        return None
    settings = settings_by_id(connection, row.class_id)
    return None if settings is None else SlipHolder(row.id, row.name, settings)


def _hashed(secret: str) -> str:
    """Hash a secret however it was typed: case, blanks and hyphens do not matter."""
    plain = "".join(letter for letter in secret.upper() if letter in LETTERS)
    return hashlib.sha256(plain.encode()).hexdigest()
