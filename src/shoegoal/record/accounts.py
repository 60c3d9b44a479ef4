"""Accounts of the page: who may log in from another computer, and in which role."""

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
SEEN_EVERY = timedelta(minutes=5)  # so that not every page view writes
TOKEN_BYTES = 32
LONGEST_LOGIN = 200


class Role(StrEnum):
    """What somebody may see and do.

    A teacher: everything. A coach: spot checks, which show no pupil's name and no tally. A student:
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
    disabled : may not log in.
    """

    account_id: int
    name: str
    role: Role
    pupil_id: int | None
    pupil: str | None
    class_name: str | None
    disabled: bool


def login_of(name: str) -> str:
    """Return a name as it is compared: width, case and spaces do not matter."""
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
    name, role, password : of the account; its name stands beside all that it does.
    pupil : for a student, and only then: by the name in the book.
    class_name : for a coach, who then checks this class alone.

    Raises
    ------
    BadSettingsError
        The name is taken, the password is weak, or pupil or class are unknown or do not fit the
        role.
    """
    shown = " ".join(name.split())
    if not 1 <= len(shown) <= LONGEST_NAME:
        raise BadSettingsError(f"an account's name has 1 to {LONGEST_NAME} letters")
    if (pupil is not None) != (role is Role.STUDENT):
        raise BadSettingsError("only a student's account has a --pupil, and it needs one")
    if class_name is not None and role is not Role.COACH:
        raise BadSettingsError("only a coach's account can have a --class")
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
    """Change an account's password, and log out everybody who used the old one.

    Raises
    ------
    BadSettingsError
        No such account, or a weak password.
    """
    account = account_called(connection, name)
    _change(connection, account, {"password": hash_password(password, account.name)})


def set_disabled(connection: Connection, name: str, disabled: bool) -> None:
    """Disable an account at once, or enable it again.

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
    """Record the account's present state in the journal."""
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
    """Whether a password fits a hash; without a hash False, after the same time."""
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


# Failed logins: to an account from one address; from one address, which a school's pupils may
# share; to an account from everywhere, so high that no single address can lock its owner out.
MOST_OF_BOTH, MOST_OF_ADDRESS, MOST_OF_ACCOUNT = 5, 20, 200
LONGEST_SESSION, LONGEST_IDLE = timedelta(hours=12), timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Session:
    """A login, and the token that its forms carry."""

    account: Account
    csrf: str


def log_in(book: Book, name: str, password: str, address: str, now: datetime | None = None) -> str:
    """Log somebody in.

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
        No such account, a wrong password, or a disabled account; the message is the same.
    TooManyTriesError
        Too many recent logins to this account or from this address failed; the password was not
        checked.
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
    """Find a token's session; None when there is none or it ended."""
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
        # Reading works even with a full disk or another writer; the session only ends sooner.
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
    """Forget an account's failed logins, so that it can log in at once; return how many there were.

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
    """Return an IPv4 address, or an IPv6 network: one household has countless IPv6 addresses."""
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
