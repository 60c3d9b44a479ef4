"""Passwords: kept as Argon2id hashes alone (RFC 9106), checked a few at a time."""

from __future__ import annotations

import threading
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from shoegoal.errors import BadSettingsError

SHORTEST, LONGEST = 12, 200
# Each takes 64 MiB (the library's default is RFC 9106's second recommended choice).
_AT_ONCE = threading.BoundedSemaphore(2)
_HASHER = PasswordHasher()


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
