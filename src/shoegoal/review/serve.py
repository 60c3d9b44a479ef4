"""Serving the page: on this computer with a fresh key every time, or to others with accounts."""

from __future__ import annotations

import secrets
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import uvicorn

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.record.accounts import Role, list_accounts
from shoegoal.record.book import Book
from shoegoal.review.app import make_app
from shoegoal.review.connections import (
    KEEP_ALIVE_S,
    PatientProtocol,
    PatientServer,
    allow_open_files,
)
from shoegoal.review.guard import KEY_FIELD, AccountEntrance, Entrance, KeyEntrance, site_name

LOOPBACK = "127.0.0.1"
KEY_BYTES = 24


@dataclass(frozen=True, slots=True)
class Site:
    """A page for other computers.

    Attributes
    ----------
    address : by which browsers reach it, ``https://NAME`` with a port if need be.
    certificate, private_key : files in PEM form, for speaking HTTPS ourselves; None behind a
        reverse proxy that does.
    proxy : address of that proxy, which is believed about who asks.
    """

    address: str
    certificate: Path | None
    private_key: Path | None
    proxy: str

    @property
    def host(self) -> str:
        """Name and port by which browsers reach it."""
        return site_name(urlsplit(self.address).netloc, "https")


def check_site(
    address: str | None,
    host: str,
    certificate: Path | None,
    private_key: Path | None,
    *,
    behind_tls: bool,
    proxy: str = LOOPBACK,
) -> Site | None:
    """Say how the page is served: None for this computer alone.

    Raises
    ------
    BadSettingsError
        What is asked for would let somebody in without an account, or send passwords and
        children's pictures over the network for everybody to read.
    """
    pair = certificate is not None and private_key is not None
    if (certificate is None) != (private_key is None):
        raise BadSettingsError("--certificate and --private-key go together")
    if address is None:
        if pair or behind_tls:
            raise BadSettingsError("say with --site by which https:// address the page is reached")
        if not _is_loopback(host):
            raise BadSettingsError(
                f"{host} can be reached from other computers, so the page needs accounts and "
                "HTTPS: give --site https://NAME with --certificate and --private-key, or "
                "--behind-tls where a reverse proxy speaks HTTPS (docs/server.md)"
            )
        return None
    parts = urlsplit(address)
    if parts.scheme != "https" or not parts.hostname or parts.path.strip("/") or parts.query:
        raise BadSettingsError(f'--site "{address}": give https://NAME, with a port if need be')
    if pair == behind_tls:
        raise BadSettingsError(
            "with --site give either --certificate and --private-key, or --behind-tls where a "
            "reverse proxy speaks HTTPS"
        )
    if not _is_address(proxy):
        raise BadSettingsError(f'--proxy "{proxy}" is no address of a computer')
    return Site(address, certificate, private_key, proxy)


def serve(
    book: Book, host: str, port: int, site: Site | None, on_ready: Callable[[str], None]
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    book : the record book.
    host, port : to listen at; port 0 for any that is free.
    site : for other computers; None for this one alone.
    on_ready : called with the address to open, once the page answers there.

    Raises
    ------
    ShoegoalError
        Address or port may not be used, the certificate cannot be read, or nobody has an account.
    """
    settings: dict[str, Any] = {
        "log_level": "warning",
        "lifespan": "off",
        "server_header": False,
        "http": PatientProtocol,
        "ws": "none",
        "timeout_keep_alive": KEEP_ALIVE_S,
    }
    entrance: Entrance
    if site is None:
        key = secrets.token_urlsafe(KEY_BYTES)
        entrance = KeyEntrance(key)
        settings["proxy_headers"] = False
    else:
        _check_somebody_may_come(book)
        entrance = AccountEntrance(book, site.host)
        settings |= _https(site)
    listening = _listen(host, port)
    with listening:
        name = f"[{host}]" if ":" in host else host
        local = f"http://{name}:{listening.getsockname()[1]}/"
        config = uvicorn.Config(make_app(book, entrance), **settings)
        on_ready(f"{local}?{KEY_FIELD}={key}" if site is None else f"{site.address}/")
        allow_open_files()
        PatientServer(config).run(sockets=[listening])


def _https(site: Site) -> dict[str, Any]:
    """Choose settings for speaking HTTPS ourselves, or for believing the proxy that does."""
    if site.certificate is None or site.private_key is None:
        return {"proxy_headers": True, "forwarded_allow_ips": site.proxy}
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(site.certificate, site.private_key)
    except OSError as error:
        raise BadSettingsError(
            f"certificate {site.certificate} and key {site.private_key} cannot be used together "
            f"({error.strerror or error})"
        ) from error
    return {
        "proxy_headers": False,
        "ssl_certfile": str(site.certificate),
        "ssl_keyfile": str(site.private_key),
    }


def _check_somebody_may_come(book: Book) -> None:
    with book.reading() as connection:
        known = list_accounts(connection)
    if not any(one.role is Role.TEACHER and not one.disabled for one in known):
        raise BadSettingsError(
            "no teacher has an account yet: shoegoal accounts add NAME --role teacher"
        )


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def _is_loopback(host: str) -> bool:
    return ip_address(host).is_loopback if _is_address(host) else host == "localhost"


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise ShoegoalError(
            f"{host}, port {port or 'any'}, cannot be used ({error.strerror or error}); leave "
            "--port out for a free one, and --host for this computer"
        ) from error
    listening.listen()
    return listening
