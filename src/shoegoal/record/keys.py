"""The key that seals entries: Ed25519 (RFC 8032), made on first use, kept outside the book.

Somebody who changes the book without it can compute every hash again, but not the seals. Its public
half is in the book and is the key's name; the private half is never in the book.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from shoegoal.errors import BadSettingsError, OutputError
from shoegoal.outside import read_outside
from shoegoal.written import whole_file

KEYS_VARIABLE = "SHOEGOAL_KEYS"
KEY_FILE_NAME = "signing-key.pem"
_MOST_BYTES = 10_000
# Sealed text names its purpose, so that a seal cannot serve as another kind of signature.
_ENTRY = "shoegoal entry "


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key.

    Attributes
    ----------
    name : its public key, 64 hexadecimal digits.
    """

    name: str
    private: Ed25519PrivateKey

    def seal(self, entry_hash: str) -> str:
        """Sign an entry's hash; 128 hexadecimal digits."""
        return self.private.sign((_ENTRY + entry_hash).encode()).hex()

    def pem(self) -> bytes:
        """Return it as PEM, to be kept in a safe place or used on another computer."""
        return self.private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def seal_fits(name: str, entry_hash: str, seal: str) -> bool:
    """Whether the key with this name sealed the hash."""
    try:
        public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(name))
        public.verify(bytes.fromhex(seal), (_ENTRY + entry_hash).encode())
    except (ValueError, InvalidSignature):
        return False
    return True


def keys_folder() -> Path:
    """Return the folder of keys and of this computer's notes about books."""
    from platformdirs import user_config_path

    said = os.environ.get(KEYS_VARIABLE)
    return Path(said).expanduser() if said else user_config_path("shoegoal", appauthor=False)


def own_key() -> SigningKey:
    """Return this computer's key; make it the first time.

    Raises
    ------
    OutputError
        It cannot be stored.
    BadSettingsError
        The file there is no key.
    """
    return _key_in(keys_folder())


def key_if_there() -> SigningKey | None:
    """Return this computer's key; None where there is none."""
    return own_key() if (keys_folder() / KEY_FILE_NAME).exists() else None


def take_key(file: Path) -> SigningKey:
    """Use a key from elsewhere as this computer's key.

    Raises
    ------
    BadSettingsError
        The file is no such key, or there is another key here already.
    """
    key, folder = read_key(file), keys_folder()
    _keep(folder, key)
    if _key_in(folder).name != key.name:
        raise BadSettingsError(
            f"this computer already has a key, in {folder / KEY_FILE_NAME}; move that file away "
            "first and keep it: entries sealed with it stay true"
        )
    return key


def write_key(file: Path, key: SigningKey) -> None:
    """Write a key to a file that only its owner can read.

    Raises
    ------
    OutputError
        It cannot be written, or the file already exists.
    """
    try:
        handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(key.pem())
    except OSError as error:
        raise OutputError(
            f"the key cannot be written to {file} ({error.strerror or error}); name a new file"
        ) from error


def read_key(file: Path) -> SigningKey:
    """Read a key file.

    Raises
    ------
    BadSettingsError
        It cannot be read, or is no Ed25519 key in PEM without a passphrase.
    """
    try:
        private = load_pem_private_key(read_outside(file, _MOST_BYTES), password=None)
    except OSError as error:
        raise BadSettingsError(
            f"the key {file} cannot be read ({error.strerror or error}); check your right to it"
        ) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise BadSettingsError(f"{file} is not a key that shoegoal record key wrote") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise BadSettingsError(f"{file} is not a key that shoegoal record key wrote")
    return _named(private)


@cache
def _key_in(folder: Path) -> SigningKey:
    file = folder / KEY_FILE_NAME
    if not file.exists():
        _keep(folder, _named(Ed25519PrivateKey.generate()))
    return read_key(file)


def _named(private: Ed25519PrivateKey) -> SigningKey:
    return SigningKey(private.public_key().public_bytes_raw().hex(), private)


def _keep(folder: Path, key: SigningKey) -> None:
    """Store a key that only its owner can read, unless there is one: of two processes, one wins."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        file = folder / KEY_FILE_NAME
        with suppress(FileExistsError), whole_file(file, private=True, replace=False) as stream:
            stream.write(key.pem())
    except OSError as error:
        raise OutputError(
            f"the key that seals the record book cannot be stored in {folder} "
            f"({error.strerror or error}); name another folder in {KEYS_VARIABLE}"
        ) from error
