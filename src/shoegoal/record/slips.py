"""Slips: what lets a pupil hand in from a phone, without an account and without a real name.

A slip carries a secret of 80 random bits, which nobody guesses; the book keeps its hash alone. So a
slip that is lost cannot be printed again, only replaced, and the old one is then worth nothing.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, insert, select

from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.class_settings import ClassSettings, settings_by_id
from shoegoal.record.journal import now_text

LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that is taken for another when it is typed
GROUPS, GROUP_LENGTH = 4, 4


@dataclass(frozen=True, slots=True)
class Slip:
    """A pupil's slip, as it is printed once."""

    pupil: str
    secret: str


@dataclass(frozen=True, slots=True)
class SlipHolder:
    """Whoever brings a slip.

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
    """Make slips for pupils of a class who have none.

    Parameters
    ----------
    connection : from `Book.writing`.
    settings : of the class.
    pupils : by name; all of the class when none is named.
    again : for those who have one, too; the one they have is worth nothing from then on.

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
    """Say whose slip a secret is from; None where it is nobody's."""
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
