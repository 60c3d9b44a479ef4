"""Logging in and staying so. Sessions and failed tries lie in the book, so a restart changes none.

A try is written down before the password is looked at and taken off again when it was right: any
number of tries at the same moment cannot slip past the limit.
"""

from __future__ import annotations

import hashlib
import secrets
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import IPv6Address, ip_address, ip_network

from sqlalchemy import Connection, and_, delete, func, insert, select, update

from shoegoal.errors import NotLetInError, OutputError, RecordBookError, TooManyTriesError
from shoegoal.record import schema
from shoegoal.record.accounts import Account, account_called, account_of_id, login_of
from shoegoal.record.book import Book
from shoegoal.record.journal import time_text
from shoegoal.record.passwords import password_fits

TRIES_WITHIN = timedelta(minutes=15)
# Of an account from one address; from one address, which a school's pupils may share; and of an
# account from everywhere, so high that no one address can shut anybody else out of theirs.
MOST_OF_BOTH, MOST_OF_ADDRESS, MOST_OF_ACCOUNT = 5, 20, 200
LONGEST_SESSION, LONGEST_IDLE = timedelta(hours=12), timedelta(hours=1)
SEEN_EVERY = timedelta(minutes=5)  # so that looking at a page does not always write
TOKEN_BYTES = 32
LONGEST_LOGIN = 200


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
