"""Accounts of the page: who may come in from elsewhere, and as what."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    Table,
    delete,
    insert,
    select,
    update,
)

from shoegoal.errors import BadSettingsError
from shoegoal.record import schema
from shoegoal.record.journal import append_of_book, now_text
from shoegoal.record.passwords import hash_password
from shoegoal.record.told import account_told

LONGEST_NAME = 80


class Role(StrEnum):
    """What somebody may see and do.

    A teacher everything; a coach spot checks, which tell no pupil's name and no tally; a student
    their own sets, to look at.
    """

    TEACHER = "teacher"
    COACH = "coach"
    STUDENT = "student"


@dataclass(frozen=True, slots=True)
class Account:
    """An account.

    Attributes
    ----------
    account_id, name, role : of the account.
    pupil_id, pupil : whose sets a student sees; None for others.
    class_name : the one class that a coach checks; None for all of them.
    disabled : may not come in.
    """

    account_id: int
    name: str
    role: Role
    pupil_id: int | None
    pupil: str | None
    class_name: str | None
    disabled: bool


def login_of(name: str) -> str:
    """Form in which names are compared: width, case and spaces do not matter."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def add_account(
    connection: Connection,
    name: str,
    role: Role,
    password: str,
    *,
    pupil: str | None = None,
    class_name: str | None = None,
) -> Account:
    """Make an account.

    Parameters
    ----------
    connection : from `Book.writing`.
    name, role, password : of the account; what it does is written down under this name.
    pupil : for a student, and only then: by the name in the book.
    class_name : for a coach, who then checks this class alone.

    Raises
    ------
    BadSettingsError
        The name is taken, the password weak, pupil or class are not known or not of this role.
    """
    shown = " ".join(name.split())
    if not 1 <= len(shown) <= LONGEST_NAME:
        raise BadSettingsError(f"an account's name has 1 to {LONGEST_NAME} letters")
    if (pupil is not None) != (role is Role.STUDENT):
        raise BadSettingsError("a student's account, and no other, names its --pupil")
    if class_name is not None and role is not Role.COACH:
        raise BadSettingsError("only a coach's account is for one --class")
    if connection.scalar(select(schema.accounts.c.id).where(_is(shown))) is not None:
        raise BadSettingsError(f'there already is an account "{shown}"; choose another name')
    connection.execute(
        insert(schema.accounts).values(
            login=login_of(shown),
            name=shown,
            role=role.value,
            pupil_id=_id(connection, schema.pupils, pupil, "pupil"),
            class_id=_id(connection, schema.classes, class_name, "class"),
            password=hash_password(password, shown),
            made_at=now_text(),
        )
    )
    made = account_called(connection, shown)
    _tell(connection, made.account_id)
    return made


def account_called(connection: Connection, name: str) -> Account:
    """Find an account by its name.

    Raises
    ------
    BadSettingsError
        There is none.
    """
    row = connection.execute(_accounts().where(_is(name))).first()
    if row is None:
        raise BadSettingsError(f'there is no account "{name}" (shoegoal accounts list)')
    return _account(row)


def account_of_id(connection: Connection, account_id: int) -> Account:
    """Find an account by its number, which must be there."""
    return _account(connection.execute(_accounts().where(schema.accounts.c.id == account_id)).one())


def list_accounts(connection: Connection) -> list[Account]:
    """List all accounts by name."""
    rows = connection.execute(_accounts().order_by(schema.accounts.c.login))
    return [_account(row) for row in rows]


def set_password(connection: Connection, name: str, password: str) -> None:
    """Give an account another password; whoever is logged in with the old one is logged out.

    Raises
    ------
    BadSettingsError
        No such account, or a weak password.
    """
    account = account_called(connection, name)
    _change(connection, account, {"password": hash_password(password, account.name)})


def set_disabled(connection: Connection, name: str, disabled: bool) -> None:
    """Shut an account out at once, or let it in again.

    Raises
    ------
    BadSettingsError
        No such account.
    """
    account = account_called(connection, name)
    _change(connection, account, {"disabled_at": now_text() if disabled else None})


def _change(connection: Connection, account: Account, values: dict[str, str | None]) -> None:
    accounts, sessions = schema.accounts, schema.sessions
    connection.execute(update(accounts).where(accounts.c.id == account.account_id).values(**values))
    connection.execute(delete(sessions).where(sessions.c.account_id == account.account_id))
    _tell(connection, account.account_id)


def _tell(connection: Connection, account_id: int) -> None:
    """Write into the journal how an account is now."""
    found = select(schema.accounts).where(schema.accounts.c.id == account_id)
    row = connection.execute(found).mappings().one()
    append_of_book(connection, "account", account_told(dict(row)))


def _accounts() -> Select[Any]:
    accounts, pupils, classes = schema.accounts.c, schema.pupils.c, schema.classes.c
    return (
        select(
            accounts.id,
            accounts.name,
            accounts.role,
            accounts.pupil_id,
            pupils.name.label("pupil"),
            classes.name.label("class_name"),
            accounts.disabled_at,
        )
        .outerjoin(schema.pupils, pupils.id == accounts.pupil_id)
        .outerjoin(schema.classes, classes.id == accounts.class_id)
    )


def _is(name: str) -> ColumnElement[bool]:
    return schema.accounts.c.login == login_of(name)


def _id(connection: Connection, table: Table, name: str | None, what: str) -> int | None:
    if name is None:
        return None
    found = connection.scalar(select(table.c.id).where(table.c.name == name))
    if found is None:
        raise BadSettingsError(f'there is no {what} "{name}" in the book (shoegoal record enrol)')
    return int(found)


def _account(row: Row[Any]) -> Account:
    return Account(
        row.id,
        row.name,
        Role(row.role),
        row.pupil_id,
        row.pupil,
        row.class_name,
        row.disabled_at is not None,
    )
