"""Serving the page: to this computer with a new key each time, or to others with accounts."""

from __future__ import annotations

import asyncio
import functools
import html
import secrets
import socket
import ssl
import tempfile
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any, ClassVar
from urllib.parse import urlsplit

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles
from uvicorn.protocols.http.h11_impl import H11Protocol

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.record.accounts import Role, list_accounts
from shoegoal.record.book import Book
from shoegoal.review.checks import AccuracyPage, CheckPages
from shoegoal.review.guard import (
    KEY_FIELD,
    PLACE,
    AccountEntrance,
    Entrance,
    Guard,
    KeyEntrance,
    LoginPages,
    Part,
    site_name,
)
from shoegoal.review.media import Clips
from shoegoal.review.phone import make_phone_app
from shoegoal.review.queue import Glances, QueuePages
from shoegoal.review.sets import SetPages
from shoegoal.review.showing import HERE, Showing

LOOPBACK = "127.0.0.1"
KEY_BYTES = 24
MOST_CONNECTIONS = 400
REQUEST_WITHIN_S = 10.0  # from its first byte, or from connecting, to the end of its headers
HANDSHAKE_WITHIN_S = 10.0
KEEP_ALIVE_S = 5
OPEN_FILES = 4096
_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>shoegoal</title>'
    '<meta name="referrer" content="no-referrer">'
    '<meta http-equiv="refresh" content="0; url={address}">'
    '<p><a href="{address}">Continue to shoegoal</a></p></html>\n'
)


@dataclass(frozen=True, slots=True)
class Site:
    """A page for other computers.

    Attributes
    ----------
    address : ``https://NAME`` for browsers, with a port if need be.
    certificate, private_key : PEM files for HTTPS; None behind a reverse proxy that does HTTPS.
    proxy : address of that proxy, which is trusted to name the client.
    """

    address: str
    certificate: Path | None
    private_key: Path | None
    proxy: str

    @property
    def host(self) -> str:
        """Name and port for browsers."""
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
    """Return how the page is served; None for this computer only.

    Parameters
    ----------
    address : the https:// address at which browsers reach the page, if others may.
    host : address to listen on.
    certificate, private_key : PEM files for HTTPS; both or neither.
    behind_tls : whether a reverse proxy does HTTPS.
    proxy : address of that proxy.

    Raises
    ------
    BadSettingsError
        The options would give access without an account, or send passwords and children's pictures
        over the network unencrypted.
    """
    pair = certificate is not None and private_key is not None
    if (certificate is None) != (private_key is None):
        raise BadSettingsError("--certificate and --private-key go together")
    if address is None:
        if pair or behind_tls:
            raise BadSettingsError("name the page's https:// address with --site")
        if not _is_loopback(host):
            raise BadSettingsError(
                f"{host} can be reached from other computers, so the page needs accounts and "
                "HTTPS: give --site https://NAME with --certificate and --private-key, or "
                "--behind-tls where a reverse proxy does HTTPS (docs/server.md)"
            )
        return None
    parts = urlsplit(address)
    if parts.scheme != "https" or not parts.hostname or parts.path.strip("/") or parts.query:
        raise BadSettingsError(f'--site "{address}": give https://NAME, with a port if need be')
    if pair == behind_tls:
        raise BadSettingsError(
            "with --site give either --certificate and --private-key, or --behind-tls where a "
            "reverse proxy does HTTPS"
        )
    if not _is_address(proxy):
        raise BadSettingsError(f'--proxy "{proxy}" is not an address of a computer')
    return Site(address, certificate, private_key, proxy)


def serve(
    book: Book, host: str, port: int, site: Site | None, on_ready: Callable[[str], None]
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    book : the record book.
    host, port : to listen at; port 0 for any that is free.
    site : for other computers; None for this one only.
    on_ready : called with the page's address once it answers.

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
    """Return the settings for HTTPS, or for trusting the proxy that does it."""
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


def make_app(book: Book, entrance: Entrance) -> Starlette:
    """Build the application.

    Parameters
    ----------
    book : the record book.
    entrance : how visitors are identified; see `shoegoal.review.guard`.
    """
    showing, clips = Showing(), Clips()
    page_routes = [
        *QueuePages(book, showing, Glances()).routes(),
        *SetPages(book, showing, clips).routes(),
        *CheckPages(book, showing, clips).routes(),
        *AccuracyPage(book, showing).routes(),
    ]
    routes: list[BaseRoute] = [Mount("/static", StaticFiles(directory=HERE / "static"))]
    if entrance.with_accounts:
        login = LoginPages(book, showing)
        routes += login.open_routes()
        page_routes += login.routes()
    routes += [one.route() for one in page_routes]
    handlers: Any = {HTTPException: showing.trouble, ShoegoalError: showing.trouble}
    teachers = Starlette(
        routes=routes,
        exception_handlers=handlers,
        middleware=[Middleware(Guard, entrance=entrance, trouble=showing.trouble, part=Part())],
    )
    # Pupils have a slip instead of a key or account, so their pages have a guard of their own.
    phones = make_phone_app(book, entrance, showing)
    return Starlette(routes=[Mount(PLACE, phones), Mount("/", teachers)])


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes connections without a request, the oldest first.

    When there are too many, the one that has been idle longest is closed.
    """

    _waiting: ClassVar[OrderedDict[PatientProtocol, float]] = OrderedDict()
    _open: ClassVar[set[PatientProtocol]] = set()

    def connection_made(self, transport: Any) -> None:
        """Note a new connection."""
        super().connection_made(transport)
        self._open.add(self)
        self._wait()
        if len(self._open) > MOST_CONNECTIONS:
            next(iter(self._waiting)).transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a closed connection."""
        self._open.discard(self)
        self._waiting.pop(self, None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read data; a complete request is no longer timed."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._waiting.pop(self, None)
        elif self not in self._waiting:
            self._wait()

    def on_response_complete(self) -> None:
        """Start timing the next request."""
        super().on_response_complete()
        if not self.transport.is_closing() and (self.cycle is None or self.cycle.response_complete):
            self._waiting[self] = time.monotonic()

    @classmethod
    def close_late(cls) -> None:
        """Close every connection that has waited too long."""
        until = time.monotonic() - REQUEST_WITHIN_S
        for late in [one for one, since in cls._waiting.items() if since < until]:
            late.transport.abort()

    def _wait(self) -> None:
        self._waiting[self] = time.monotonic()


class PatientServer(uvicorn.Server):
    """A server with time limits for its connections."""

    async def startup(self, sockets: list[Any] | None = None) -> None:
        """Start to listen, with a time limit for the TLS handshake."""
        loop: Any = asyncio.get_running_loop()
        if self.config.is_ssl:
            loop.create_server = functools.partial(
                loop.create_server,
                ssl_handshake_timeout=HANDSHAKE_WITHIN_S,
                ssl_shutdown_timeout=HANDSHAKE_WITHIN_S,
            )
        await super().startup(sockets)

    async def on_tick(self, counter: int) -> bool:
        """Close late connections once a second."""
        if counter % 10 == 0:
            PatientProtocol.close_late()
        return await super().on_tick(counter)


def allow_open_files() -> None:
    """Raise this process's limit of open files and connections, to some thousand if allowed."""
    try:
        import resource
    except ImportError:  # not on this platform
        return
    now, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES if most == resource.RLIM_INFINITY else min(OPEN_FILES, most)
    if now != resource.RLIM_INFINITY and now < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))


@contextmanager
def unseen_opener(launch: Callable[[str], object]) -> Iterator[Callable[[str], None]]:
    """Give a function that opens an address in the browser; its file is deleted at the end.

    Parameters
    ----------
    launch : opens a file in the browser.
    """
    with tempfile.TemporaryDirectory(prefix="shoegoal-") as folder:  # readable by its owner only

        def open_address(address: str) -> None:
            page = Path(folder) / "open.html"
            page.write_text(_PAGE.format(address=html.escape(address)), encoding="utf-8")
            launch(str(page))

        yield open_address
