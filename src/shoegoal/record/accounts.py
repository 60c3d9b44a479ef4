"""Accounts of the page: who may come in from elsewhere, and as what."""

from __future__ import annotations

import hashlib
import secrets
import threading
import unicodedata
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import cache
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    Table,
    and_,
    delete,
    func,
    insert,
    select,
    update,
)

from shoegoal.errors import (
    BadSettingsError,
    NotLetInError,
    OutputError,
    RecordBookError,
    TooManyTriesError,
)
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.journal import append_of_book, now_text, time_text

LONGEST_NAME = 80
ACCOUNT_COLUMNS = ("login", "name", "role", "pupil_id", "class_id", "made_at", "disabled_at")
# Each takes 64 MiB (the library's default is RFC 9106's second recommended choice).
_AT_ONCE = threading.BoundedSemaphore(2)
_HASHER = PasswordHasher()
TRIES_WITHIN = timedelta(minutes=15)
SEEN_EVERY = timedelta(minutes=5)  # so that looking at a page does not always write
TOKEN_BYTES = 32
LONGEST_LOGIN = 200


class Role(StrEnum):
    """What somebody may see and do.

    A teacher everything; a coach spot checks, which show no pupil's name and no tally; a student
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
    _write_down(connection, made.account_id)
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
    _write_down(connection, account.account_id)


def _write_down(connection: Connection, account_id: int) -> None:
    """Write into the journal how an account is now."""
    found = select(schema.accounts).where(schema.accounts.c.id == account_id)
    row = connection.execute(found).mappings().one()
    append_of_book(connection, "account", account_payload(dict(row)))


def account_payload(row: Mapping[str, Any]) -> dict[str, Any]:
    """Describe an account's row for the journal; of the password's hash only a hash."""
    values = {name: row[name] for name in ACCOUNT_COLUMNS}
    password = hashlib.sha256(row["password"].encode()).hexdigest()
    return {"account": row["id"], "password_sha256": password, **values}


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


SHORTEST, LONGEST = 12, 200


def hash_password(password: str, name: str) -> str:
    """Hash a new password of the account called ``name``.

    Raises
    ------
    BadSettingsError
        It is too short, too long, or easily guessed.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise BadSettingsError(
            f"a password has {SHORTEST} to {LONGEST} letters; a few words in a row are good"
        )
    if len(set(password)) < 5 or password.casefold() in name.casefold():
        raise BadSettingsError("that password is easily guessed; take a few words in a row")
    with _AT_ONCE:
        return _HASHER.hash(password)


def password_fits(password: str, hashed: str | None) -> bool:
    """Whether a password is the hashed one; with no hash, no, after the same time."""
    if len(password) > LONGEST:
        return False
    with _AT_ONCE:
        try:
            _HASHER.verify(hashed or _nobodys(), password)
        except (VerificationError, InvalidHashError):
            return False
    return hashed is not None


@cache
def _nobodys() -> str:
    return _HASHER.hash("nobody has this password")


# Of an account from one address; from one address, which a school's pupils may share; and of an
# account from everywhere, so high that no one address can shut anybody else out of theirs.
MOST_OF_BOTH, MOST_OF_ADDRESS, MOST_OF_ACCOUNT = 5, 20, 200
LONGEST_SESSION, LONGEST_IDLE = timedelta(hours=12), timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is logged in, and the token that their forms carry."""

    account: Account
    csrf: str


def log_in(book: Book, name: str, password: str, address: str, now: datetime | None = None) -> str:
    """Let somebody in.

    Parameters
    ----------
    book : the record book.
    name, password : as typed.
    address : of the computer that asks.
    now : UTC; the clock's when None.

    Returns
    -------
    The token that stands for the new session.

    Raises
    ------
    NotLetInError
        No such account, a wrong password, or a disabled account: all said alike.
    TooManyTriesError
        Too many of this account or address failed of late; the password was not looked at.
    """
    at, login = now or datetime.now(UTC), login_of(name[:LONGEST_LOGIN])
    accounts, tries = schema.accounts.c, schema.login_tries
    with book.writing() as connection:
        connection.execute(delete(tries).where(tries.c.at < time_text(at - TRIES_WITHIN)))
        address = _network(address)
        _refuse_too_many(connection, login, address)
        connection.execute(insert(tries).values(login=login, address=address, at=time_text(at)))
        found = connection.execute(
            select(accounts.id, accounts.password, accounts.disabled_at).where(
                accounts.login == login
            )
        ).first()
    fits = password_fits(password, None if found is None else found.password)
    if found is None or not fits or found.disabled_at is not None:
        raise NotLetInError("name and password do not fit, or the account is disabled")
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with book.writing() as connection:
        connection.execute(delete(tries).where(tries.c.login == login, tries.c.address == address))
        _drop_old(connection, at)
        # Read again: it may have been disabled, or given another password, in between.
        still = connection.scalar(
            select(accounts.id).where(
                accounts.id == found.id,
                accounts.password == found.password,
                accounts.disabled_at.is_(None),
            )
        )
        if still is None:
            raise NotLetInError("name and password do not fit, or the account is disabled")
        connection.execute(
            insert(schema.sessions).values(
                token_sha256=_hashed(token),
                account_id=found.id,
                csrf=secrets.token_urlsafe(TOKEN_BYTES),
                made_at=time_text(at),
                seen_at=time_text(at),
            )
        )
    return token


def session_of(book: Book, token: str, now: datetime | None = None) -> Session | None:
    """Find the session that a token stands for; None when there is none or it ended."""
    at, sessions = now or datetime.now(UTC), schema.sessions.c
    with book.reading() as connection:
        row = connection.execute(
            select(sessions.account_id, sessions.csrf, sessions.made_at, sessions.seen_at).where(
                sessions.token_sha256 == _hashed(token)
            )
        ).first()
        if row is None or _ended(row.made_at, row.seen_at, at):
            return None
        account = account_of_id(connection, row.account_id)
    if account.disabled:
        return None
    if row.seen_at < time_text(at - SEEN_EVERY):
        # Looking goes on beside a full disk or another writer; the session only ends the sooner.
        with suppress(OutputError, RecordBookError), book.writing() as connection:
            connection.execute(
                update(schema.sessions)
                .where(sessions.token_sha256 == _hashed(token))
                .values(seen_at=time_text(at))
            )
    return Session(account, row.csrf)


def log_out(book: Book, token: str) -> None:
    """End a session."""
    sessions = schema.sessions
    with book.writing() as connection:
        connection.execute(delete(sessions).where(sessions.c.token_sha256 == _hashed(token)))


def _refuse_too_many(connection: Connection, login: str, address: str) -> None:
    tries = schema.login_tries.c
    of_login, of_address = tries.login == login, tries.address == address
    for such, most in (
        (and_(of_login, of_address), MOST_OF_BOTH),
        (of_address, MOST_OF_ADDRESS),
        (of_login, MOST_OF_ACCOUNT),
    ):
        if (connection.scalar(select(func.count()).where(such)) or 0) >= most:
            minutes = round(TRIES_WITHIN.total_seconds() / 60)
            raise TooManyTriesError(f"too many logins failed; wait {minutes} minutes and try again")


def forget_tries(book: Book, name: str) -> int:
    """Let an account in again at once, after too many failed logins; return how many there were.

    Raises
    ------
    BadSettingsError
        No such account.
    """
    tries = schema.login_tries
    with book.writing() as connection:
        account_called(connection, name)
        return connection.execute(delete(tries).where(tries.c.login == login_of(name))).rowcount


def _network(address: str) -> str:
    """Write an address in one way; of IPv6 the network of one house, which has no end of them."""
    try:
        known = ip_address(address.split("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(known, IPv6Address):
        mapped = known.ipv4_mapped
        return str(mapped or ip_network((known, 64), strict=False))
    return str(known)


def _ended(made_at: str, seen_at: str, at: datetime) -> bool:
    return made_at < time_text(at - LONGEST_SESSION) or seen_at < time_text(at - LONGEST_IDLE)


def _drop_old(connection: Connection, at: datetime) -> None:
    sessions = schema.sessions
    connection.execute(
        delete(sessions).where(
            (sessions.c.made_at < time_text(at - LONGEST_SESSION))
            | (sessions.c.seen_at < time_text(at - LONGEST_IDLE))
        )
    )


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
